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
		return worded{err, "no such file or folder"}
	case errors.Is(err, fs.ErrPermission):
		return worded{err, "permission denied"}
	}
	return err
}

// worded is an error in other words.
type worded struct {
	error
	words string
}

func (w worded) Error() string { return w.words }
func (w worded) Unwrap() error { return w.error }

// claim is a rename, which replaces nothing unless it is asked to.
func claim(from, to string) error {
	fromName, err := windows.UTF16PtrFromString(from)
	if err != nil {
		return err
	}
	toName, err := windows.UTF16PtrFromString(to)
	if err != nil {
		return err
	}
	return windows.MoveFile(fromName, toName)
}

// liken does nothing: a new file has the rights of its folder here.
func liken(*os.File, fs.FileInfo) error { return nil }

// syncFolder does nothing: the system writes names down by itself.
func syncFolder(string) error { return nil }
