//go:build unix

package lock

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// What went wrong: a pipe as the lock was opened, which waited for somebody to write to
// it, for ever, and neither Ctrl-C nor a finished measurement came to an end.
func TestTakeOfAPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.toml")
	if err := syscall.Mkfifo(filepath.Join(filepath.Dir(path), ".job.toml.lock"), 0o666); err != nil {
		t.Fatal(err)
	}
	taken := make(chan error, 1)
	go func() { _, err := Take(t.Context(), path); taken <- err }()
	select {
	case err := <-taken:
		if err == nil || !strings.Contains(err.Error(), "is no lock of this program") {
			t.Errorf("%v", err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("it waits")
	}
}
