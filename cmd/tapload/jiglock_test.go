package main

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/lock"
)

// A jig file that another program held, or changed, while a standard was measured
// cost that standard.
func TestJigFileKeepsTheStandard(t *testing.T) {
	line := func(folder, kind, jig, low string) []string {
		return []string{"jig", kind, "-o", filepath.Join(folder, jig), "--bench", filepath.Join(folder, "b.toml"), "--low", low, "--period", "1"}
	}
	for _, c := range []struct {
		name      string
		meanwhile func(t *testing.T, folder string) (after func())
		slow      bool
		want      string
		left      int // files in the folder
	}{
		{"held for long", hold, true, " for more than 5s; wait for that or end it, then try again; what was measured is in ", 2},
		{"of another signal by now", func(t *testing.T, folder string) func() {
			other := filepath.Join(folder, "other.json")
			atOnce(t, line(folder, "open", "other.json", "30"))
			if err := os.Rename(other, filepath.Join(folder, "jig.json")); err != nil {
				t.Fatal(err)
			}
			return func() {}
		}, false, "or start a new jig file; what was measured is in ", 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.slow && testing.Short() {
				t.Skip("waits for a lock for seconds")
			}
			folder := t.TempDir()
			if err := os.WriteFile(filepath.Join(folder, "b.toml"), []byte(resistorBench), 0o666); err != nil {
				t.Fatal(err)
			}
			e, _, stderr := testEnv()
			now, after := e.now, func() {}
			var begins sync.Once
			e.now = func() time.Time {
				begins.Do(func() { after = c.meanwhile(t, folder) })
				return now()
			}
			code := run(t.Context(), line(folder, "short", "jig.json", "20"), e)
			after()
			kept := filepath.Join(folder, "jig-2.json")
			if said := strings.Join(strings.Fields(stderr.String()), " "); code != exitError || !strings.Contains(said, c.want+kept) {
				t.Errorf("exited with %d: %s", code, said)
			}
			if j, err := readJig(kept); err != nil || j.Name != "jig" || j.Standards[1] == nil {
				t.Errorf("kept is %+v, %v", j, err)
			}
			if all := names(t, folder); len(all) != c.left {
				t.Errorf("the folder holds %v", all)
			}
		})
	}
}

// hold locks the jig file of a folder.
func hold(t *testing.T, folder string) (after func()) {
	held, err := lock.Take(t.Context(), filepath.Join(folder, "jig.json"))
	if err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := held.Release(); err != nil {
			t.Error(err)
		}
	}
}
