//go:build !cgo && linux && (amd64 || arm64)

package main

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// Without the sound-card library, commands that want it say so in one sentence
// and leave nothing; the others work.
func TestWithoutTheLibrary(t *testing.T) {
	run := func(args ...string) (outcome, string) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "tapload", args...)
		cmd.Dir = t.TempDir()
		cmd.Env = append(os.Environ(), "TAPLOAD_PORTAUDIO=/nowhere/libportaudio.so.2")
		return finish(t, cmd), cmd.Dir
	}
	for _, args := range [][]string{
		{"cards"},
		{"check", "--card", "any"},
		{"sweep", "--card", "any", "-o", "x.sweep.json"},
		{"jig", "open", "--card", "any", "-o", "jig.json"},
	} {
		got, dir := run(args...)
		sentence := lastSentence(got.stderr)
		if got.code != exitError || got.stdout != "" || strings.Count(sentence, "\n") != 1 ||
			!strings.HasPrefix(sentence, "the sound-card library /nowhere/libportaudio.so.2") || !strings.Contains(sentence, "libportaudio2") {
			t.Errorf("%q: exit code %d, stdout %q, stderr %q", args, got.code, got.stdout, got.stderr)
		}
		if left := names(t, dir); len(left) > 0 {
			t.Errorf("%q left %v", args, left)
		}
	}
	for _, args := range [][]string{
		{"version"},
		{"hookup", "a || b", "a=8", "b=8", "--tap", "4,8"},
		{"stimulus", "-o", "stimulus.wav"},
	} {
		if got, _ := run(args...); got.code != exitDone {
			t.Errorf("%q: exit code %d, stderr %q", args, got.code, got.stderr)
		}
	}
}
