//go:build !windows

package main

// redraws says whether a terminal obeys the escape sequences that redraw a line.
func redraws(int) bool { return true }
