package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"
)

// keepingToItsColumns is main for the scripts: it ends with tooWide where
// something that people read is wider than a page, though it could have been
// folded.
func keepingToItsColumns() {
	ctx := untilStopped()
	e := systemEnv()
	var out, log bytes.Buffer
	e.stdout, e.stderr = io.MultiWriter(os.Stdout, &out), io.MultiWriter(os.Stderr, &log)
	code := watched(ctx, os.Args[1:], e, run)
	if len(os.Args) > 1 && strings.Contains(os.Args[1], "complet") {
		os.Exit(code) // for a shell to read
	}
	for _, said := range []string{out.String(), log.String()} {
		if line := tooWideIn(said); line != "" {
			fmt.Fprintf(os.Stderr, "%d columns: %s\n", utf8.RuneCountInString(line), line)
			code = tooWide
		}
	}
	os.Exit(code)
}

const tooWide = 99 // exit code of keepingToItsColumns

// tooWideIn returns the first line of text that is wider than a page, or "". Data
// for programs and what is to be copied in one piece, a command or a path, are as
// wide as they are.
func tooWideIn(text string) string {
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\r\n")
		words := strings.TrimSpace(line)
		switch {
		case utf8.RuneCountInString(line) <= pageColumns:
		case strings.HasPrefix(words, "{"), strings.HasPrefix(words, "tapload "), strings.HasPrefix(words, "# "):
		case strings.Count(words, ",") > strings.Count(words, " "): // comma-separated values
		case len(words) > 0 && longestWord(words) > pageColumns-20:
		default:
			return line
		}
	}
	return ""
}

func longestWord(s string) (longest int) {
	for _, w := range strings.Fields(s) {
		longest = max(longest, utf8.RuneCountInString(w))
	}
	return longest
}
