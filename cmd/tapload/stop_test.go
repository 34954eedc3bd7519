package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"tapload/measure/record"
)

const resistorBench = `name = "a resistor (invented)"
seed = 1
sense_ohm = 10.0
[input1]
noise_db = -95
[input2]
noise_db = -95
[[load]]
part = "resistor"
from = "in"
to = "0"
ohm = 8.0
`

// stoppable are commands that take their time, or nearly none.
var stoppable = []string{
	"sweep --bench b.toml -o chirp.sweep.json --plot chirp.png --keep chirp.wav",
	"sweep --bench b.toml -o multi.sweep.json --signal multitone",
	"sweep --bench b.toml -o tones.sweep.json --signal tones",
	"sweep --bench b.toml -o heard.sweep.json --signal noise.wav --low 100",
	"sweep --bench b.toml -o bent.sweep.json --distortion",
	"sweep --bench b.toml -o series.sweep.json --level -30,-20,-10",
	"stimulus -o x.wav --signal multitone --period 10",
	"check --bench b.toml",
	"jig open --bench b.toml -o jig.json",
	"fit cab.sweep.json -o fit.png",
	"plan a=8 b=8 c=16 d=16 e=cab.sweep.json f=4 --tap 4,8,16 -o plan.png",
	"box verify --cab a=cab.sweep.json --cab b=other.sweep.json --cab c=third.sweep.json --hookup a+b+c --seen both.sweep.json",
	"demo -o hall",
	"report --job new -o new.html -o new.pdf",
}

// Ctrl-C was not heard in the search for a multitone's phases, while a page was
// made or a proof worked out; and what was then said of files was not so.
func TestCtrlC(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no program can be sent a Ctrl-C alone here")
	}
	times := 1
	if os.Getenv("TAPLOAD_SEEDS") == "all" {
		times = 40
	}
	folder := t.TempDir()
	prepared := []string{
		"sweep --bench b.toml -o cab.sweep.json --low 20 --period 1", "sweep --bench b.toml -o other.sweep.json --low 20 --period 1", "sweep --bench b.toml -o third.sweep.json --low 20 --period 1",
		"sweep --bench both.toml -o both.sweep.json --low 20 --period 1", "stimulus -o noise.wav --low 20 --period 1", "job new new", "job add cabinet a --rated-ohm 8 --job new",
	}
	for name, ohm := range map[string]string{"b.toml": "8.0", "both.toml": "24.0"} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(strings.Replace(resistorBench, "8.0", ohm, 1)), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	start := func(line string) (*exec.Cmd, *bytes.Buffer) {
		c := exec.Command("tapload", strings.Fields(line)...)
		c.Dir, c.Env = folder, append(os.Environ(), "TAPLOAD_CONFIG="+folder)
		said := new(bytes.Buffer)
		c.Stderr = said
		return c, said
	}
	for _, line := range prepared {
		if c, said := start(line); c.Run() != nil {
			t.Fatalf("%s: %s", line, said)
		}
	}
	// The machine may be busy: a bare start tells how much.
	bare := func() time.Duration {
		began := time.Now()
		if c, _ := start("version"); c.Run() != nil {
			t.Fatal("it does not start")
		}
		return time.Since(began)
	}
	random := rand.New(rand.NewPCG(1, 2))
	stopped := 0
	for _, line := range stoppable {
		var worst time.Duration
		for range times {
			before := names(t, folder)
			c, said := start(line)
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(30*time.Millisecond + time.Duration(random.IntN(470))*time.Millisecond)
			began := time.Now()
			_ = c.Process.Signal(os.Interrupt) // which may come too late
			_ = c.Wait()
			took := time.Since(began)
			worst = max(worst, took)
			if limit := 300*time.Millisecond + 4*max(bare(), bare()); took > limit {
				t.Errorf("%s: it went on for %v after Ctrl-C, %v at most", line, took, limit)
			}
			words := strings.Join(strings.Fields(said.String()), " ")
			if code := c.ProcessState.ExitCode(); code == exitError {
				stopped++
				if !strings.Contains(words, "tapload: stopped before the end; ") {
					t.Errorf("%s: %s", line, words)
				}
			}
			made := slices.DeleteFunc(names(t, folder), func(name string) bool { return slices.Contains(before, name) || name == "hall" })
			if strings.Contains(words, "no result was written") && len(made) > 0 {
				t.Errorf("%s: no result was written, and there are %v", line, made)
			}
			for _, name := range made {
				if strings.HasPrefix(name, ".") {
					t.Errorf("%s: left is %s", line, name)
				}
				if err := os.Remove(filepath.Join(folder, name)); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.RemoveAll(filepath.Join(folder, "hall")); err != nil {
				t.Fatal(err)
			}
		}
		t.Logf("%-12.12s at most %v", line, worst.Round(time.Millisecond))
	}
	if stopped < len(stoppable)*times/3 {
		t.Errorf("%d of %d were stopped: the others were not looked at", stopped, len(stoppable)*times)
	}
}

// What went wrong: a terminal that was closed ended a command in the middle of a file
// and under a playing card. One that was to outlive its terminal still does.
func TestClosedTerminal(t *testing.T) {
	if os.Getenv("TAPLOAD_TEST_CLOSED") != "" {
		os.Exit(watched(untilStopped(), nil, systemEnv(), func(ctx context.Context, _ []string, e env) int {
			done := make(chan bool)
			go func() {
				_, _ = io.Copy(io.Discard, os.Stdin)
				close(done)
			}()
			e.tell("begun")
			select {
			case <-ctx.Done():
			case <-done:
				select { // a signal may take its time
				case <-ctx.Done():
				case <-time.After(200 * time.Millisecond):
					return exitDone
				}
			}
			return exitOf(ctx, e, ctx.Err())
		}))
	}
	for _, tt := range []struct {
		name, trap, said string
		code             int
	}{
		{"ends with it", "", "tapload: stopped before the end; no result was written\n", exitError},
		{"outlives it", "trap '' HUP; ", "", exitDone},
	} {
		t.Run(tt.name, func(t *testing.T) {
			switch {
			case runtime.GOOS == "windows":
				t.Skip("a console that is closed ends its programs another way here")
			case tt.trap == "" && signal.Ignored(syscall.SIGHUP):
				t.Skip("these tests are to outlive their own terminal, as under nohup, and what they start does too")
			}
			c := exec.Command("sh", "-c", tt.trap+`exec "$0" -test.run='^TestClosedTerminal$'`, os.Args[0])
			c.Env = append(os.Environ(), "TAPLOAD_TEST_CLOSED=yes")
			var said bytes.Buffer
			c.Stderr = &said
			in, errIn := c.StdinPipe()
			out, errOut := c.StdoutPipe()
			if err := errors.Join(errIn, errOut, c.Start()); err != nil {
				t.Fatal(err)
			}
			if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "begun\n" {
				t.Fatalf("%q, %v, %s", line, err, &said)
			}
			if err := c.Process.Signal(syscall.SIGHUP); err != nil {
				t.Fatal(err)
			}
			if tt.code == exitDone {
				in.Close()
			}
			_ = c.Wait()
			if code := c.ProcessState.ExitCode(); code != tt.code || said.String() != tt.said {
				t.Errorf("exited with %d: %s", code, &said)
			}
		})
	}
}

// A command that does not end by itself is ended, after the file that is being
// written, and says what is there.
func TestWatched(t *testing.T) {
	// In a process of its own: nothing can be written afterwards.
	if os.Getenv("TAPLOAD_TEST_WATCHED") != "" {
		ctx, cancel := context.WithCancel(context.Background())
		begun := make(chan bool)
		go func() { <-begun; cancel() }()
		slow := file{Path: os.Getenv("TAPLOAD_TEST_WATCHED"), Measured: true}
		whole := whole("", []byte("whole")).Write
		e := systemEnv()
		os.Exit(watched(ctx, nil, e, func(_ context.Context, _ []string, e env) int {
			slow.Write = func(w io.Writer) error {
				close(begun)
				time.Sleep(3 * grace)
				return whole(w)
			}
			if err := e.save(slow); err != nil {
				panic(err)
			}
			select {}
		}))
	}
	path := filepath.Join(t.TempDir(), "x")
	c := exec.Command(os.Args[0], "-test.run=^TestWatched$")
	c.Env = append(os.Environ(), "TAPLOAD_TEST_WATCHED="+path)
	var said bytes.Buffer
	c.Stderr = &said
	err := c.Run()
	if exit, is := errors.AsType[*exec.ExitError](err); !is || exit.ExitCode() != exitError {
		t.Errorf("ended with %v: %s", err, &said)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != "whole" {
		t.Errorf("the file holds %q, %v", got, err)
	}
	if words := strings.Join(strings.Fields(said.String()), " "); words != "tapload: stopped before the end; written before that: "+path {
		t.Errorf("said %q", words)
	}
}

// A sweep that was stopped ended before its sound had faded out and its card was
// let go of, and now and then crashed in the driver.
func TestWatchedSound(t *testing.T) {
	const itself = 7 // exit code of one that was not ended from outside
	if os.Getenv("TAPLOAD_TEST_WATCHED") != "" {
		ctx, cancel := context.WithCancel(context.Background())
		e := systemEnv()
		e.sound = oddCard{}
		os.Exit(watched(ctx, nil, e, func(_ context.Context, _ []string, e env) int {
			_, letGo, err := (sourceOptions{card: "a"}).open(e, new(signalOptions))
			if err != nil {
				panic(err)
			}
			cancel()
			time.Sleep(6 * grace)
			if err := letGo(); err != nil || e.written.cards.Load() != 0 {
				panic("the card is still held")
			}
			return itself
		}))
	}
	c := exec.Command(os.Args[0], "-test.run=^TestWatchedSound$")
	c.Env = append(os.Environ(), "TAPLOAD_TEST_WATCHED=yes")
	out, err := c.CombinedOutput()
	if exit, is := errors.AsType[*exec.ExitError](err); !is || exit.ExitCode() != itself {
		t.Errorf("ended with %v: %s", err, out)
	}
}

// A measurement whose folder went away while it was made was deleted.
func TestMeasurementIsNotLost(t *testing.T) {
	dir, home := t.TempDir(), t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("USERPROFILE", home)
	bench := filepath.Join(dir, "b.toml")
	if err := os.WriteFile(bench, []byte(resistorBench), 0o666); err != nil {
		t.Fatal(err)
	}
	stick := filepath.Join(dir, "stick")
	if err := os.Mkdir(stick, 0o777); err != nil {
		t.Fatal(err)
	}
	e, _, said := testEnv()
	now, asked := e.now, 0
	e.now = func() time.Time {
		if asked++; asked == 2 { // the measurement begins
			_ = os.RemoveAll(stick)
		}
		return now()
	}
	code := run(context.Background(), []string{"sweep", "--bench", bench, "--low", "20", "--period", "1", "-o", filepath.Join(stick, "cab.sweep.json")}, e)
	words := strings.Join(strings.Fields(said.String()), " ")
	if code != exitError || !regexp.MustCompile("tapload: cannot write .*: there is no folder .*; what was measured is in "+regexp.QuoteMeta(filepath.Join(home, "cab.sweep.json"))).MatchString(words) {
		t.Fatalf("exited with %d: %s", code, words)
	}
	in, err := os.Open(filepath.Join(home, "cab.sweep.json"))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	if rec, err := record.Read(in); err != nil || rec.Label != "cab" {
		t.Errorf("%q, %v", rec.Label, err)
	}
}

// Standard output that is a full disk exited with 0.
func TestFullDisk(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("there is no /dev/full")
	}
	defer full.Close()
	reader, closed, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	reader.Close()
	defer closed.Close()
	for _, c := range []struct {
		out *os.File
		why error
	}{{full, syscall.ENOSPC}, {closed, syscall.EPIPE}} {
		var said bytes.Buffer
		cmd := exec.Command("tapload", "help", "jig")
		cmd.Stdout, cmd.Stderr = c.out, &said
		err := cmd.Run()
		if exit, is := errors.AsType[*exec.ExitError](err); !is || exit.ExitCode() != exitError || said.String() != "tapload: cannot print the answer: "+c.why.Error()+"\n" {
			t.Errorf("%v, %s", err, &said)
		}
	}
}
