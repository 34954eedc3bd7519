package main

import (
	"path/filepath"
	"runtime"
	"strings"
	"unicode"
)

const onWindows = runtime.GOOS == "windows"

// shellWord quotes s, where it must be, for the shell that people have here.
func shellWord(s string) string {
	if onWindows {
		return promptWord(s)
	}
	return posixWord(s)
}

// shellGoesOn ends a line of a command that goes on in the next one.
func shellGoesOn() string {
	if onWindows {
		return "^"
	}
	return `\`
}

const plainInShells = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-./=:+"

// posixWord quotes s for a POSIX shell.
func posixWord(s string) string {
	if s != "" && strings.Trim(s, plainInShells+",@%") == "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// promptWord quotes s for both shells of Windows, of which one takes a comma for
// the end of a word: single quotes mean nothing to the other. A program there
// takes its command line apart itself, with a backslash before a quote that
// stands for itself, and doubled where it ends what is quoted.
func promptWord(s string) string {
	plain := func(r rune) bool { return strings.ContainsRune(plainInShells+`\`, r) || unicode.IsLetter(r) }
	if s != "" && strings.TrimFunc(s, plain) == "" {
		return s
	}
	var b strings.Builder
	slashes := 0 // just before
	for _, r := range s {
		switch r {
		case '\\':
			slashes++
		case '"':
			b.WriteString(strings.Repeat(`\`, slashes+1))
			slashes = 0
		default:
			slashes = 0
		}
		b.WriteRune(r)
	}
	return `"` + b.String() + strings.Repeat(`\`, slashes) + `"`
}

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
