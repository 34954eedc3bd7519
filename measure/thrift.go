package measure

import (
	"runtime/debug"
	"sync"
)

const (
	// Of recordings from so many frames on, what is done with may take a part of
	// what is in use before it is collected, not as much again.
	longFrames    = 1 << 20
	thriftPercent = 10
)

// thrift counts the long recordings that are being worked on.
var thrift struct {
	sync.Mutex
	users, usual int
}

// thrifty keeps garbage from adding up while a recording of so many frames is
// worked on, until done.
func thrifty(frames int) (done func()) {
	if frames < longFrames {
		return func() {}
	}
	thrift.Lock()
	defer thrift.Unlock()
	if thrift.users++; thrift.users == 1 {
		thrift.usual = debug.SetGCPercent(thriftPercent)
	}
	return func() {
		thrift.Lock()
		defer thrift.Unlock()
		if thrift.users--; thrift.users == 0 {
			debug.SetGCPercent(thrift.usual)
		}
	}
}
