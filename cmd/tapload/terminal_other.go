//go:build !windows

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// redraws says whether a terminal obeys the escape sequences that redraw a line.
func redraws(int) bool { return true }

// Only Windows gives a program a console of its own.
func ownConsole() bool { return false }
func leaveConsole()    {}

// documents returns the user's folder of documents, whatever its language; the
// home folder where there is none.
func documents() (string, error) {
	home, err := os.UserHomeDir()
	if err != nil {
		return "", err
	}
	named, _ := exec.Command("xdg-user-dir", "DOCUMENTS").Output() // of freedesktop.org; it says home where nothing is set
	for _, path := range []string{strings.TrimSpace(string(named)), filepath.Join(home, "Documents")} {
		if info, err := os.Stat(path); err == nil && info.IsDir() && filepath.IsAbs(path) && filepath.Clean(path) != filepath.Clean(home) {
			return path, nil
		}
	}
	return home, nil
}
