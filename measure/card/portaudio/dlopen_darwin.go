//go:build !cgo && (amd64 || arm64)

package portaudio

var libraryNames = []string{
	"libportaudio.2.dylib", "libportaudio.dylib",
	"/opt/homebrew/lib/libportaudio.2.dylib", "/usr/local/lib/libportaudio.2.dylib", "/opt/local/lib/libportaudio.2.dylib",
}

const libraryAdvice = "install portaudio with your package manager, or name its file with TAPLOAD_PORTAUDIO; every other command works without it"
