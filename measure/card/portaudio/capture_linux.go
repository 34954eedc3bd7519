package portaudio

import "syscall"

// duplicate makes to refer to the open file of from; not every Linux has dup2.
func duplicate(from, to int) error { return syscall.Dup3(from, to, 0) }
