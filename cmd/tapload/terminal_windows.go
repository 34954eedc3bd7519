package main

import (
	"unsafe"

	"golang.org/x/sys/windows"
)

// redraws has the console obey the escape sequences that redraw a line, and says
// whether it does: one of before Windows 10 would print them.
func redraws(fd int) bool {
	var mode uint32
	h := windows.Handle(fd)
	return windows.GetConsoleMode(h, &mode) == nil && windows.SetConsoleMode(h, mode|windows.ENABLE_PROCESSED_OUTPUT|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}

var (
	kernel32        = windows.NewLazySystemDLL("kernel32.dll")
	consolePrograms = kernel32.NewProc("GetConsoleProcessList")
	freeConsole     = kernel32.NewProc("FreeConsole")
)

// ownConsole reports whether the console was made for this program alone, as one is
// for a double click; a command prompt is in its own.
func ownConsole() bool {
	var ids [2]uint32
	n, _, _ := consolePrograms.Call(uintptr(unsafe.Pointer(&ids[0])), uintptr(len(ids)))
	return n == 1
}

// leaveConsole closes the window of the console that ownConsole speaks of.
func leaveConsole() { _, _, _ = freeConsole.Call() }

// documents returns the user's folder of documents.
func documents() (string, error) {
	return windows.KnownFolderPath(windows.FOLDERID_Documents, windows.KF_FLAG_CREATE)
}
