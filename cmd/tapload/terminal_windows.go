package main

import "golang.org/x/sys/windows"

// redraws has the console obey the escape sequences that redraw a line, and says
// whether it does: one of before Windows 10 would print them.
func redraws(fd int) bool {
	var mode uint32
	h := windows.Handle(fd)
	return windows.GetConsoleMode(h, &mode) == nil && windows.SetConsoleMode(h, mode|windows.ENABLE_PROCESSED_OUTPUT|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
