//go:build !cgo && (amd64 || arm64)

package portaudio

import "syscall"

// The C types long and unsigned long, which have 32 bits here.
type (
	clong  = int32
	culong = uint32
)

var libraryNames = []string{"libportaudio.dll", "portaudio_x64.dll", "portaudio.dll", "libportaudio-2.dll"}

const libraryAdvice = "put portaudio_x64.dll or libportaudio.dll beside tapload.exe, or name its file with TAPLOAD_PORTAUDIO; every other command works without it"

func dlopen(name string) (uintptr, error) {
	h, err := syscall.LoadLibrary(name)
	return uintptr(h), err
}

func symbol(handle uintptr, name string) (uintptr, error) {
	return syscall.GetProcAddress(syscall.Handle(handle), name)
}
