package measure

import (
	"runtime/debug"
	"sync"
)

const (
	// What is done with may take so much before it is collected while a long
	// recording is worked on, and not as much again as is in use; but not so
	// little that there would be no end of collecting.
	mostGarbage  = 16 << 20 // bytes
	leastPercent = 2

	bytesInUse = 24 // for each frame: two channels and room for one
)

// thrift counts the recordings that are being worked on.
var thrift struct {
	sync.Mutex
	users, usual int
}

// thrifty keeps garbage from adding up while a recording of so many frames is
// worked on, until done.
func thrifty(frames int) (done func()) {
	percent := max(leastPercent, 100*mostGarbage/(bytesInUse*max(1, frames)))
	if percent >= 100 {
		return func() {}
	}
	thrift.Lock()
	defer thrift.Unlock()
	if usual := debug.SetGCPercent(percent); thrift.users == 0 {
		thrift.usual = usual
	}
	thrift.users++
	return func() {
		thrift.Lock()
		defer thrift.Unlock()
		if thrift.users--; thrift.users == 0 {
			debug.SetGCPercent(thrift.usual)
		}
	}
}
