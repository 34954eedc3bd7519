// Package screen writes for somebody at a terminal: sentences that fit it, and
// command lines as they can be typed there.
package screen

import (
	"runtime"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Columns is the width of what is written for people.
const Columns = 80

const onWindows = runtime.GOOS == "windows"

// Fold breaks each line of s at spaces so that none is longer than width where
// a space allows it; what goes on is indented by two. A width of 0 leaves s alone.
func Fold(s string, width int) string {
	if width <= 0 {
		return s
	}
	if first, rest, more := strings.Cut(s, "\n"); more {
		return Fold(first, width) + "\n" + Fold(rest, width)
	}
	var b strings.Builder
	column := 0
	for i, word := range strings.Split(s, " ") {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case column+1+n > width:
			b.WriteString("\n  ")
			column = 2
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += n
	}
	return b.String()
}

// Command is a command line of the program for the shell that people have here,
// after a prompt, continued where it is wider than Columns. A flag stays with
// its value.
func Command(prompt string, args []string) []string {
	lines := []string{prompt + "tapload"}
	for i := 0; i < len(args); i++ {
		piece := Word(args[i])
		if strings.HasPrefix(piece, "-") && i+1 < len(args) && !strings.HasPrefix(args[i+1], "-") {
			i++
			piece += " " + Word(args[i])
		}
		last := &lines[len(lines)-1]
		if line := *last + " " + piece; utf8.RuneCountInString(line+" "+goesOn()) <= Columns {
			*last = line
			continue
		}
		*last += " " + goesOn()
		lines = append(lines, "    "+piece)
	}
	return lines
}

// goesOn ends a line of a command that goes on in the next one.
func goesOn() string {
	if onWindows {
		return "^"
	}
	return `\`
}

// Word quotes s, where it must be, for the shell that people have here.
func Word(s string) string {
	if onWindows {
		return Prompt(s)
	}
	return Posix(s)
}

const plainInShells = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-./=:+"

// Posix quotes s for a POSIX shell.
func Posix(s string) string {
	if s != "" && strings.Trim(s, plainInShells+",@%") == "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// Prompt quotes s for both shells of Windows, of which one takes a comma for
// the end of a word: single quotes mean nothing to the other. A program there
// takes its command line apart itself, with a backslash before a quote that
// stands for itself, and doubled where it ends what is quoted.
func Prompt(s string) string {
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
