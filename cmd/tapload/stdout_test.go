package main

import (
	"bytes"
	"context"
	"strings"
	"syscall"
	"testing"
)

// full is a disk, or a pipe, that takes so many bytes.
type full struct {
	room int
	err  error
}

func (f *full) Write(p []byte) (int, error) {
	if f.room -= len(p); f.room < 0 {
		return 0, f.err
	}
	return len(p), nil
}

// An answer that nobody got, on a full disk or in a closed pipe, exited with 0.
func TestOutputFails(t *testing.T) {
	for _, args := range [][]string{{"help"}, {"sweep", "--help"}, {"help", "jig"}, {"version", "--json"}, {"hookup", "a + b", "a=8", "b=8", "--tap", "8"}} {
		for _, room := range []int{0, 10} {
			e, _, stderr := testEnv()
			e.stdout = &full{room, syscall.EPIPE}
			if code := run(context.Background(), args, e); code != exitError || !strings.HasSuffix(stderr.String(), "tapload: cannot print the answer: "+syscall.EPIPE.Error()+"\n") {
				t.Errorf("%q with room for %d bytes exited with %d: %s", args, room, code, stderr)
			}
		}
	}
}

// Where the command itself fails, that is said.
func TestOutputIsNotTheFault(t *testing.T) {
	e, _, stderr := testEnv()
	e.stdout = &full{0, syscall.EPIPE}
	if code := run(context.Background(), []string{"fit", "nothere.sweep.json"}, e); code != exitError || !strings.Contains(stderr.String(), "nothere") {
		t.Errorf("exited with %d: %s", code, stderr)
	}
}

// "no result was written" was said when some were.
func TestStoppedSaysWhatIsWritten(t *testing.T) {
	interrupted, cancel := context.WithCancel(context.Background())
	cancel()
	for _, c := range []struct {
		paths []string
		want  string
	}{
		{nil, "no result was written"},
		{[]string{"a", "b", "a"}, "written before that: a, b"},
		{[]string{"a", "b", "c", "d", "e"}, "5 files were written before that, the last of them e"},
	} {
		e, _, stderr := testEnv()
		e.written = new(written)
		e.written.add(c.paths...)
		if code := exitOf(interrupted, e, context.Canceled); code != exitError || strings.Join(strings.Fields(stderr.String()), " ") != "tapload: stopped before the end; "+c.want {
			t.Errorf("exited with %d: %s", code, stderr)
		}
	}
	// A measurement that is in another place than was asked for is named even then.
	var said bytes.Buffer
	e := env{stderr: &said}
	if exitOf(interrupted, e, unsaved{context.DeadlineExceeded}); !strings.Contains(said.String(), context.DeadlineExceeded.Error()) {
		t.Errorf("said %q", said.String())
	}
}
