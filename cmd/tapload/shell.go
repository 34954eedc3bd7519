package main

import (
	"path/filepath"
	"strings"
)

// filesOf returns args with each pattern in place of which files are found as
// those: the shells of Windows leave that to programs. What is a file itself, or
// finds none, stays.
func filesOf(args []string) []string {
	var files []string
	for _, arg := range args {
		if strings.ContainsAny(arg, "*?") && !isFile(arg) {
			if found, err := filepath.Glob(arg); err == nil && len(found) > 0 {
				files = append(files, found...)
				continue
			}
		}
		files = append(files, arg)
	}
	return files
}
