//go:build !cgo && (amd64 || arm64)

package portaudio

import "unsafe"

// Where Windows only compiles these tests, wrong layouts must not compile: an
// index that is not 0 is out of range. Only what has longs in it differs from
// the systems on which the tests run.
var (
	one [1]struct{}

	_ = one[unsafe.Sizeof(culong(0))-4]
	_ = one[unsafe.Offsetof(streamParameters{}.format)-8]
	_ = one[unsafe.Offsetof(streamParameters{}.latency)-16]
	_ = one[unsafe.Sizeof(streamParameters{})-32]
	_ = one[unsafe.Offsetof(hostError{}.code)-4]
	_ = one[unsafe.Offsetof(hostError{}.text)-8]
	_ = one[unsafe.Sizeof(hostError{})-16]
)
