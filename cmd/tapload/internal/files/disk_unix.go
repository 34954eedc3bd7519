//go:build !windows

package files

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// held returns nil: an open file can be renamed and replaced here.
func held(string) error { return nil }

func plainErrno(err error) error { return err }

// claim leaves the file its first name, too.
func claim(from, to string) error { return os.Link(from, to) }

func liken(w *os.File, like fs.FileInfo) error {
	var owner error
	if s, is := like.Sys().(*syscall.Stat_t); is {
		if owner = w.Chown(int(s.Uid), int(s.Gid)); owner != nil {
			owner = w.Chown(-1, int(s.Gid))
		}
	}
	return errors.Join(owner, w.Chmod(like.Mode().Perm()))
}

// syncFolder sees to it that the names in a folder outlive a power failure, where
// its file system can.
func syncFolder(path string) error {
	folder, err := os.Open(path)
	if errors.Is(err, fs.ErrPermission) {
		return nil // it can be written to, but not listed
	}
	if err != nil {
		return err
	}
	defer folder.Close()
	err = folder.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, errors.ErrUnsupported) {
		return nil
	}
	return err
}
