//go:build unix && !linux

package portaudio

import "syscall"

// duplicate makes to refer to the open file of from.
func duplicate(from, to int) error { return syscall.Dup2(from, to) }
