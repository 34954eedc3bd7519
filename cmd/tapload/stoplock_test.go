package main

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// A command that was ended while it changed a job left the lock of job.toml in the
// folder.
func TestWatchedLeavesNoLock(t *testing.T) {
	// In a process of its own: no lock can be taken afterwards.
	if path := os.Getenv("TAPLOAD_TEST_LOCKED"); path != "" {
		ctx, cancel := context.WithCancel(context.Background())
		os.Exit(watched(ctx, nil, systemEnv(), func(context.Context, []string, env) int {
			_ = locked(context.Background(), path, func() error {
				cancel()
				select {}
			})
			return exitDone
		}))
	}
	folder := t.TempDir()
	c := exec.Command(os.Args[0], "-test.run=^TestWatchedLeavesNoLock$")
	c.Env = append(os.Environ(), "TAPLOAD_TEST_LOCKED="+filepath.Join(folder, "job.toml"))
	out, err := c.CombinedOutput()
	if exit, is := errors.AsType[*exec.ExitError](err); !is || exit.ExitCode() != exitError {
		t.Errorf("ended with %v: %s", err, out)
	}
	if left := names(t, folder); len(left) > 0 {
		t.Errorf("left are %v", left)
	}
}
