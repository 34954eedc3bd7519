//go:build !cgo && (amd64 || arm64)

package portaudio

import (
	"path/filepath"

	"golang.org/x/sys/windows"
)

// The C types long and unsigned long, which have 32 bits here.
type (
	clong  = int32
	culong = uint32
)

var libraryNames = []string{"libportaudio.dll", "portaudio_x64.dll", "portaudio.dll", "libportaudio-2.dll"}

const libraryAdvice = "put libportaudio.dll of the archive that the program came in beside tapload.exe, or name its file with TAPLOAD_PORTAUDIO; every other command works without it"

// dlopen loads a library by its name from the program's own folder or the
// system's, or by its path. Without the flags Windows would look into the current
// folder and those of PATH too, and run what somebody left there.
func dlopen(name string) (uintptr, error) {
	var from uintptr = windows.LOAD_LIBRARY_SEARCH_APPLICATION_DIR | windows.LOAD_LIBRARY_SEARCH_SYSTEM32
	if filepath.Base(name) != name {
		path, err := filepath.Abs(name)
		if err != nil {
			return 0, err
		}
		name, from = path, windows.LOAD_LIBRARY_SEARCH_DLL_LOAD_DIR|windows.LOAD_LIBRARY_SEARCH_SYSTEM32
	}
	h, err := windows.LoadLibraryEx(name, 0, from)
	return uintptr(h), err
}

func symbol(handle uintptr, name string) (uintptr, error) {
	return windows.GetProcAddress(windows.Handle(handle), name)
}
