//go:build unix

package portaudio

import (
	"io"
	"os"
	"runtime/debug"
	"syscall"
)

// capture calls f while all that the process prints on standard error, from C
// as well, goes to said; sound systems print a hundred lines about cards that
// are not there. Where that cannot be arranged it just calls f.
//
// A file takes the text rather than a pipe: a sound server that f happens to
// start inherits it, and would hold a pipe open for good.
func capture(said io.Writer, f func() error) error {
	file, err := os.CreateTemp("", "tapload-sound-*")
	if err != nil {
		return f()
	}
	defer file.Close()
	if err := os.Remove(file.Name()); err != nil {
		return f()
	}
	const stderr = 2
	fd, err := syscall.Dup(stderr)
	if err != nil {
		return f()
	}
	saved := os.NewFile(uintptr(fd), "stderr")
	defer saved.Close()
	syscall.CloseOnExec(fd)

	// The library aborts the process when it finds no ALSA configuration: at
	// least the crash report must not go into the file.
	if debug.SetCrashOutput(saved, debug.CrashOptions{}) == nil {
		defer debug.SetCrashOutput(nil, debug.CrashOptions{})
	}

	if err := duplicate(int(file.Fd()), stderr); err != nil {
		return f()
	}
	defer func() {
		if err := duplicate(fd, stderr); err != nil {
			panic("standard error is lost: " + err.Error())
		}
	}()
	defer func() {
		if _, err := file.Seek(0, io.SeekStart); err == nil {
			io.Copy(said, file) // the text is a comfort, its loss no error
		}
	}()
	return f()
}
