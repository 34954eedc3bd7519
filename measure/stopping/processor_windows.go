package stopping

import (
	"time"

	"golang.org/x/sys/windows"
)

// processor is the processor time of this process.
func processor() time.Duration {
	var created, exited, kernel, user windows.Filetime
	if err := windows.GetProcessTimes(windows.CurrentProcess(), &created, &exited, &kernel, &user); err != nil {
		panic(err)
	}
	ticks := func(t windows.Filetime) int64 { return int64(t.HighDateTime)<<32 | int64(t.LowDateTime) }
	return time.Duration(100 * (ticks(kernel) + ticks(user)))
}
