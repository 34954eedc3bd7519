package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/lock"
	"tapload/fixtures/job"
	"tapload/fixtures/setup"
)

// atOnce runs command lines at the same time, which all must succeed, and returns
// what each wrote.
func atOnce(t *testing.T, lines ...[]string) []string {
	t.Helper()
	var all sync.WaitGroup
	out := make([]string, len(lines))
	for i, args := range lines {
		all.Go(func() {
			e, stdout, stderr := testEnv()
			if code := run(context.Background(), args, e); code != 0 {
				t.Errorf("%q exited with %d: %s", args, code, stderr)
			}
			out[i] = stdout.String()
		})
	}
	all.Wait()
	return out
}

// Fifty who add to one job at the same time lose nothing: what was said to be added
// is there, and nothing else is left in the folder.
func TestFiftyAddAtOnce(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "hall")
	atOnce(t, []string{"job", "new", folder})
	var lines [][]string
	for i := range 50 {
		lines = append(lines, []string{"job", "add", "cabinet", fmt.Sprintf("c%d", i), "--rated-ohm", "8", "--job", folder})
	}
	for i, out := range atOnce(t, lines...) {
		if want := fmt.Sprintf("added    cabinet c%d to ", i); !strings.HasPrefix(out, want) {
			t.Errorf("%q, want %q", out, want)
		}
	}
	j, err := job.Read(folder)
	if err != nil {
		t.Fatal(err)
	}
	if len(j.Cabinets) != 50 {
		t.Errorf("the job has %d cabinets", len(j.Cabinets))
	}
	for i := range 50 {
		if j.Cabinet(fmt.Sprintf("c%d", i)) == nil {
			t.Errorf("cabinet c%d is not there", i)
		}
	}
	if left := names(t, folder); len(left) != 1 {
		t.Errorf("the folder holds %v", left)
	}
}

// Two standards that are measured at the same time are both in the file.
func TestStandardsAtOnce(t *testing.T) {
	folder := t.TempDir()
	bench, jig := filepath.Join(folder, "bench.toml"), filepath.Join(folder, "jig.json")
	text := "name = \"x\"\nseed = 1\nsense_ohm = 10.0\n[input1]\nnoise_db = -95\n[input2]\nnoise_db = -95\n[[load]]\npart = \"resistor\"\nfrom = \"in\"\nto = \"0\"\nohm = 8.0\n"
	if err := os.WriteFile(bench, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	with := func(standard ...string) []string {
		return append(append([]string{"jig"}, standard...), "-o", jig, "--bench", bench, "--low", "20", "--period", "1")
	}
	atOnce(t, with("open"), with("short"), with("known", "--ohm", "10"))
	c, err := readJig(jig)
	if err != nil {
		t.Fatal(err)
	}
	for kind, one := range c.Standards {
		if one == nil {
			t.Errorf("standard %d is lost", kind)
		}
	}
}

// Of two values that were kept at the same time one was lost.
func TestSetupsAtOnce(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "settings")
	kept := map[string]string{"shop": "by the river", "address": "1 Mill Lane", "paper": "letter", "rate": "44100"}
	var all sync.WaitGroup
	for name, value := range kept {
		all.Go(func() {
			e, _, stderr := testEnv()
			e.settings = folder
			if code := run(context.Background(), []string{"setup", "--" + name, value}, e); code != 0 {
				t.Errorf("--%s exited with %d: %s", name, code, stderr)
			}
		})
	}
	all.Wait()
	s, err := setup.Read(filepath.Join(folder, setup.FileName))
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range kept {
		if got := s.Text(name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	if left := names(t, folder); len(left) != 1 {
		t.Errorf("the folder holds %v", left)
	}
}

// Somebody else who held the job cost a measurement that was made.
func TestHeldJobKeepsTheMeasurement(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for a lock for 5 s")
	}
	folder := t.TempDir()
	bench, hall := filepath.Join(folder, "b.toml"), filepath.Join(folder, "hall")
	if err := os.WriteFile(bench, []byte(resistorBench), 0o666); err != nil {
		t.Fatal(err)
	}
	atOnce(t, []string{"job", "new", hall})
	held, err := lock.Take(t.Context(), filepath.Join(hall, job.FileName))
	if err != nil {
		t.Fatal(err)
	}
	e, _, stderr := testEnv()
	code := run(context.Background(), []string{"sweep", "--bench", bench, "--low", "20", "--period", "1", "--job", hall, "--label", "cab"}, e)
	if err := held.Release(); err != nil {
		t.Fatal(err)
	}
	records := filepath.Join(hall, job.Records)
	said := strings.Join(strings.Fields(stderr.String()), " ")
	if all := names(t, records); code != exitError || len(all) != 1 || !strings.Contains(said, "(the measurement is kept in "+filepath.Join(records, all[0])+")") {
		t.Errorf("exited with %d, %v: %s", code, all, said)
	}
}

// That job.toml could not be changed was learnt after the measurement.
func TestJobIsCheckedBefore(t *testing.T) {
	folder := t.TempDir()
	bench, hall := filepath.Join(folder, "b.toml"), filepath.Join(folder, "hall")
	if err := os.WriteFile(bench, []byte(resistorBench), 0o666); err != nil {
		t.Fatal(err)
	}
	atOnce(t, []string{"job", "new", hall})
	far := filepath.Join(folder, "gone", "job.toml")
	toml := filepath.Join(hall, job.FileName)
	e, _, stderr := testEnv()
	now, asked := e.now, 0
	e.now = func() time.Time {
		if asked++; asked == 1 { // the job is read by now
			_ = os.Remove(toml)
			if err := os.Symlink(far, toml); err != nil {
				t.Skip(err)
			}
		}
		return now()
	}
	code := run(context.Background(), []string{"sweep", "--bench", bench, "--low", "20", "--period", "1", "--job", hall, "--label", "cab"}, e)
	if said := strings.Join(strings.Fields(stderr.String()), " "); code != exitError || !strings.Contains(said, "cannot write "+toml+": there is no folder "+filepath.Dir(far)) || asked > 2 {
		t.Errorf("exited with %d after %d times: %s", code, asked, said)
	}
	if got := names(t, hall); len(got) != 1 {
		t.Errorf("the folder holds %v", got)
	}
}
