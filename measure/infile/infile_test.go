//go:build unix

package infile

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A pipe was waited for and a device read without end.
func TestOnlyOrdinaryFiles(t *testing.T) {
	dir := t.TempDir()
	fifo, plain, link := filepath.Join(dir, "fifo"), filepath.Join(dir, "plain"), filepath.Join(dir, "link")
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(plain, []byte("\ufeffabc"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(fifo, link); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for path, want := range map[string]string{fifo: "not an ordinary file", link: "not an ordinary file", os.DevNull: "not an ordinary file", dir: "it is a folder"} {
			if _, err := ReadFile(path, 10); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v, want %s", path, err, want)
			}
		}
	}()
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Fatal("a pipe is waited for")
	}
	if data, err := ReadFile(plain, 6); err != nil || string(Unmarked(data)) != "abc" {
		t.Errorf("%q, %v", data, err)
	}
	if _, err := ReadFile(plain, 5); err == nil || !strings.Contains(err.Error(), "more than 5 bytes") {
		t.Error(err)
	}
}
