//go:build !cgo && (amd64 || arm64)

package portaudio

var libraryNames = []string{"libportaudio.so.2", "libportaudio.so"}

const libraryAdvice = "install it (Debian calls it libportaudio2), or name its file with TAPLOAD_PORTAUDIO; every other command works without it"
