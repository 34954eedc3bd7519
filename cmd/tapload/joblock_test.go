package main

import (
	"context"
	"errors"
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

// sweptMeanwhile is a first sweep into a new job, while which something happens in the
// job's folder; home is where a measurement goes that has no place.
func sweptMeanwhile(t *testing.T, meanwhile func(records string)) (code int, said, hall, home string) {
	t.Helper()
	folder, home := t.TempDir(), t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("USERPROFILE", home)
	bench, hall := filepath.Join(folder, "b.toml"), filepath.Join(folder, "hall")
	if err := os.WriteFile(bench, []byte(resistorBench), 0o666); err != nil {
		t.Fatal(err)
	}
	atOnce(t, []string{"job", "new", hall})
	e, _, stderr := testEnv()
	const begins = 3 // to know the time, after the record and the label have their names
	now, asked := e.now, 0
	e.now = func() time.Time {
		if asked++; asked == begins {
			meanwhile(filepath.Join(hall, job.Records))
		}
		return now()
	}
	code = run(context.Background(), []string{"sweep", "--bench", bench, "--low", "20", "--period", "1", "--job", hall, "--label", "cab"}, e)
	if asked < begins {
		t.Fatal("nothing happened meanwhile")
	}
	return code, strings.Join(strings.Fields(stderr.String()), " "), hall, home
}

// What went wrong: a sweep that was refused took away the folder "records", which it
// had made, under another that was about to write there; and one that was ended by
// Ctrl-C left it empty.
func TestFirstSweepMakesTheFolder(t *testing.T) {
	code, said, hall, _ := sweptMeanwhile(t, func(records string) {
		if exists(records) {
			t.Error("the folder is there before anything is to be written into it")
		}
		if err := errors.Join(os.Mkdir(records, 0o777), os.Remove(records)); err != nil { // another, which is refused
			t.Error(err)
		}
	})
	j, err := job.Read(hall)
	if code != exitDone || err != nil || j.Cabinet("cab") == nil {
		t.Errorf("exited with %d, %v: %s", code, err, said)
	}
	if left := names(t, filepath.Join(hall, job.Records)); len(left) != 1 {
		t.Errorf("the folder holds %v", left)
	}
}

// What went wrong: where "records" became a link out of the job during a sweep, the
// measurement was written outside.
func TestSweepStaysInTheJob(t *testing.T) {
	outside := t.TempDir()
	code, said, hall, home := sweptMeanwhile(t, func(records string) {
		if err := os.Symlink(outside, records); err != nil {
			t.Skip(err)
		}
	})
	if left := names(t, outside); len(left) > 0 {
		t.Errorf("outside are %v", left)
	}
	kept := names(t, home)
	if code != exitError || len(kept) != 1 || !strings.Contains(said, "leads out of the job's folder") || !strings.HasSuffix(said, "what was measured is in "+filepath.Join(home, kept[0])) {
		t.Errorf("exited with %d, %v: %s", code, kept, said)
	}
	if j, err := job.Read(hall); err != nil || j.Cabinet("cab") != nil {
		t.Errorf("the job is %+v, %v", j, err)
	}
}

// What went wrong: of two jobs that were begun in one folder at the same time both were
// said to be there, and one was not; through a link to nothing one was begun outside.
func TestJobsBegunAtOnce(t *testing.T) {
	folder := t.TempDir()
	hall := filepath.Join(folder, "hall")
	const most = 8
	said := make([]string, most)
	var all sync.WaitGroup
	for i := range most {
		all.Go(func() {
			e, stdout, stderr := testEnv()
			if code := run(context.Background(), []string{"job", "new", hall, "--reference", fmt.Sprint("job ", i)}, e); code == exitDone {
				said[i] = stdout.String()
			} else if words := strings.Join(strings.Fields(stderr.String()), " "); !strings.Contains(words, "there is a job in "+hall+" already") {
				t.Errorf("exited with %d: %s", code, words)
			}
		})
	}
	all.Wait()
	j, err := job.Read(hall)
	if err != nil {
		t.Fatal(err)
	}
	begun := 0
	for i, words := range said {
		if words != "" {
			begun++
			if j.Reference != fmt.Sprint("job ", i) {
				t.Errorf("job %d was begun, and %s is there", i, j.Reference)
			}
		}
	}
	if begun != 1 {
		t.Errorf("%d were begun", begun)
	}

	outside := filepath.Join(folder, "outside.toml")
	toml := filepath.Join(hall, job.FileName)
	if err := os.Remove(toml); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, toml); err != nil {
		t.Skip(err)
	}
	e, _, stderr := testEnv()
	code := run(context.Background(), []string{"job", "new", hall}, e)
	if words := strings.Join(strings.Fields(stderr.String()), " "); code != exitError || exists(outside) || !strings.Contains(words, "cannot write "+toml+": something of that name is there already") {
		t.Errorf("exited with %d: %s", code, words)
	}
}

// What went wrong: a command of the setup that was refused took away the folder, which
// was not there before, under another that was about to lock it.
func TestSetupBesideARefusedOne(t *testing.T) {
	for range 10 {
		folder := filepath.Join(t.TempDir(), "settings")
		var all sync.WaitGroup
		for _, c := range []struct {
			flag, value string
			code        int
		}{{"--jig", filepath.Join(folder, "none.json"), exitUsage}, {"--shop", "by the river", exitDone}} {
			all.Go(func() {
				e, _, stderr := testEnv()
				e.settings = folder
				if code := run(context.Background(), []string{"setup", c.flag, c.value}, e); code != c.code {
					t.Errorf("%s exited with %d: %s", c.flag, code, stderr)
				}
			})
		}
		all.Wait()
	}
}
