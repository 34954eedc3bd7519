package processor

import (
	"time"

	"golang.org/x/sys/windows"
)

// Time is that of this process so far, user and system together.
func Time() time.Duration {
	var created, exited, kernel, user windows.Filetime
	if err := windows.GetProcessTimes(windows.CurrentProcess(), &created, &exited, &kernel, &user); err != nil {
		panic(err)
	}
	ticks := func(t windows.Filetime) int64 { return int64(t.HighDateTime)<<32 | int64(t.LowDateTime) }
	return time.Duration(100 * (ticks(kernel) + ticks(user)))
}
