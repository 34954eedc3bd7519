package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"tapload/measure/card"
)

// testEnv is a world without a terminal, whose output can be read.
func testEnv() (e env, stdout, stderr *bytes.Buffer) {
	stdout, stderr = new(bytes.Buffer), new(bytes.Buffer)
	return env{
		stdout: stdout, stderr: stderr,
		getenv: func(string) string { return "" },
		now:    func() time.Time { return time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC) },
	}, stdout, stderr
}

// outcome is what a command came to.
type outcome struct {
	code           int
	stdout, stderr string
}

// names lists what is in a folder.
func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

func TestExitCodes(t *testing.T) {
	cmd := &cobra.Command{Use: "tapload"}
	interrupted, cancel := context.WithCancel(context.Background())
	cancel()
	tests := []struct {
		name   string
		ctx    context.Context
		err    error
		code   int
		stderr []string // lines
	}{
		{"done", context.Background(), nil, exitDone, nil},
		{"error", context.Background(), errors.New("no such thing"), exitError,
			[]string{"tapload: no such thing"}},
		{"usage", context.Background(), usage(cmd, errors.New("no flag")), exitUsage,
			[]string{"tapload: no flag", `see "tapload --help"`}},
		{"usage inside another", context.Background(), fmt.Errorf("jig: %w", usage(cmd, errors.New("no flag"))), exitUsage,
			[]string{"tapload: jig: no flag", `see "tapload --help"`}},
		{"fault with advice", context.Background(), &card.Fault{Cause: card.Clipped, Text: "input 2 clipped", Advice: "turn it down"}, exitError,
			[]string{"tapload: input 2 clipped; turn it down"}},
		{"fault without advice", context.Background(), fmt.Errorf("take 1: %w", &card.Fault{Cause: card.Stopped, Text: "it stopped"}), exitError,
			[]string{"tapload: take 1: it stopped", faultHints[card.Stopped]}},
		{"interrupted", interrupted, context.Canceled, exitError,
			[]string{"tapload: stopped before the end; no result was written"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			e, stdout, stderr := testEnv()
			if got := exitOf(tt.ctx, e, tt.err); got != tt.code {
				t.Errorf("exit code %d, want %d", got, tt.code)
			}
			want := ""
			for _, line := range tt.stderr {
				want += line + "\n"
			}
			if stderr.String() != want || stdout.Len() != 0 {
				t.Errorf("stderr %q, want %q; stdout %q", stderr, want, stdout)
			}
		})
	}
}

// TestExitCodesAreAContract: scripts depend on the numbers.
func TestExitCodesAreAContract(t *testing.T) {
	got := [...]int{exitDone, exitError, exitUsage, exitFail, exitUndecided}
	if want := [...]int{0, 1, 2, 3, 4}; got != want {
		t.Errorf("exit codes are %v, want %v", got, want)
	}
}

// TestEveryCommandHelps: help with an example, on stdout, within 80 columns.
func TestEveryCommandHelps(t *testing.T) {
	e, _, _ := testEnv()
	for _, c := range newRoot(e).Commands() {
		e, stdout, stderr := testEnv()
		if code := run(context.Background(), []string{c.Name(), "--help"}, e); code != exitDone || stderr.Len() > 0 {
			t.Errorf("%s --help: exit code %d, stderr %q", c.Name(), code, stderr)
		}
		if !strings.Contains(stdout.String(), "Examples:\n  tapload "+c.Name()) {
			t.Errorf("%s --help has no example", c.Name())
		}
		for _, line := range strings.Split(stdout.String(), "\n") {
			if len([]rune(line)) > 80 {
				t.Errorf("%s --help: line of %d characters: %s", c.Name(), len(line), line)
			}
		}
	}
}
