package portaudio

import (
	"runtime"
	"sync"
)

// libraryCalls are made one after another by one thread: the library counts
// its users without a lock, there is only one standard error to capture, and
// some systems tie what they open to a thread.
var libraryCalls = sync.OnceValue(func() chan<- func() {
	calls := make(chan func())
	go func() {
		runtime.LockOSThread()
		for f := range calls {
			f()
		}
	}()
	return calls
})

// call has f called by the library's thread.
func call(f func() error) error {
	result := make(chan error, 1)
	libraryCalls() <- func() { result <- f() }
	return <-result
}
