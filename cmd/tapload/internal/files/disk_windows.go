package files

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/windows"
)

// errHeld is the error of a file that cannot be renamed or replaced just now.
var errHeld = errors.New("another program has it open; close it there")

// held returns errHeld where another program has the file open in a way that
// keeps it from being renamed or replaced: most programs here open files so.
func held(path string) error {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return nil // to open it says why
	}
	const share = windows.FILE_SHARE_READ | windows.FILE_SHARE_WRITE | windows.FILE_SHARE_DELETE
	h, err := windows.CreateFile(name, windows.DELETE, share, nil, windows.OPEN_EXISTING, windows.FILE_ATTRIBUTE_NORMAL, 0)
	if err != nil {
		return inUse(err)
	}
	return windows.CloseHandle(h)
}

// inUse returns errHeld where that is what err says.
func inUse(err error) error {
	if errors.Is(err, windows.ERROR_SHARING_VIOLATION) || errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_USER_MAPPED_FILE) {
		return errHeld
	}
	return nil
}

// plainErrno puts what the system says about a file, a sentence of its own, into
// words that go into one.
func plainErrno(err error) error {
	switch {
	case inUse(err) != nil:
		return errHeld
	case errors.Is(err, fs.ErrNotExist):
		return errors.New("no such file or folder")
	case errors.Is(err, fs.ErrPermission):
		return errors.New("permission denied")
	}
	return err
}

// liken does nothing: a new file has the rights of its folder here.
func liken(*os.File, fs.FileInfo) error { return nil }

// syncFolder does nothing: the system writes names down by itself.
func syncFolder(string) error { return nil }
