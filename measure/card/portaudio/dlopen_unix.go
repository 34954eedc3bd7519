//go:build !cgo && (linux || darwin) && (amd64 || arm64)

package portaudio

import "github.com/ebitengine/purego"

// The C types long and unsigned long.
type (
	clong  = int64
	culong = uint64
)

func dlopen(name string) (uintptr, error) {
	return purego.Dlopen(name, purego.RTLD_NOW|purego.RTLD_GLOBAL)
}

func symbol(handle uintptr, name string) (uintptr, error) { return purego.Dlsym(handle, name) }
