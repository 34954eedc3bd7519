//go:build !windows

package lock

import (
	"os"
	"syscall"
)

// asItIs opens what has the name itself, no link to it, and waits for nobody at the
// other end of a pipe.
const asItIs = syscall.O_NOFOLLOW | syscall.O_NONBLOCK

// links returns how many names a file has.
func links(f *os.File) (uint64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	if s, is := info.Sys().(*syscall.Stat_t); is {
		return uint64(s.Nlink), nil
	}
	return 1, nil
}
