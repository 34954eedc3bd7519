//go:build !unix

package portaudio

import "io"

// capture just calls f: sound systems here print nothing on standard error.
func capture(_ io.Writer, f func() error) error { return f() }
