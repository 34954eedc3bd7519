//go:build linux

package portaudio

import (
	"bufio"
	"context"
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"tapload/measure/card"
	"tapload/measure/card/portaudio/rig"
	"tapload/measure/signal"
)

// The tests on the rig run the card in a process of its own: the sound library
// reads its environment once, and does not survive the death of its server.

// job is what such a process does: it lists the cards or plays, then, where
// asked, plays again.
type job struct {
	List    bool
	Options Options
	Output  card.Output
	Twice   bool
	Litter  bool // keep the garbage collector busy meanwhile

	Follow time.Duration // a live view for so long
}

type outcome struct {
	Infos     []Info
	Chatter   string
	Recording card.Recording
	Fault     card.Fault // its Err left out
	Failed    string     // the error, if any
	Again     string     // the error of the second time
	Followed  followed
}

// err returns the error of the first time.
func (o outcome) err() error {
	switch {
	case o.Failed == "":
		return nil
	case o.Fault == card.Fault{}:
		return errors.New(o.Failed)
	}
	return &o.Fault
}

const jobVariable = "TAPLOAD_TEST_JOB"

func TestMain(m *testing.M) {
	if path := os.Getenv(jobVariable); path != "" {
		if err := doJob(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	m.Run()
}

func doJob(path string) error {
	var j job
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	if err := gob.NewDecoder(file).Decode(&j); err != nil {
		return err
	}
	o, err := j.do()
	if err != nil {
		o.Failed = err.Error()
	}
	var fault *card.Fault
	if errors.As(err, &fault) {
		o.Fault = *fault
		o.Fault.Err = nil
	}
	out, err := os.Create(path + ".out")
	if err != nil {
		return err
	}
	return errors.Join(gob.NewEncoder(out).Encode(o), out.Close())
}

func (j job) do() (o outcome, err error) {
	if j.List {
		o.Infos, o.Chatter, err = List()
		return o, err
	}
	var said strings.Builder
	c, err := open(newSystem(&said), &said, j.Options)
	o.Chatter = said.String()
	if err != nil {
		return o, err
	}
	defer func() {
		err = errors.Join(err, c.Close())
		o.Chatter = said.String()
	}()
	if j.Litter {
		stop := make(chan struct{})
		defer close(stop)
		go litter(stop)
	}
	if j.Follow > 0 {
		o.Followed, err = follow(c, j)
		return o, err
	}
	j.Output.Progress = func(p card.Progress) { fmt.Println("progress", p.Done, p.Peak) }
	o.Recording, err = c.Play(context.Background(), j.Output)
	if j.Twice {
		if _, err := c.Play(context.Background(), j.Output); err != nil {
			o.Again = err.Error()
		}
	}
	return o, err
}

// litter collects garbage, over and over, until stop.
func litter(stop <-chan struct{}) {
	var kept [64][]byte
	for i := 0; ; i++ {
		select {
		case <-stop:
			return
		default:
		}
		kept[i%len(kept)] = make([]byte, 1<<16)
		runtime.GC()
	}
}

// process is a job under way.
type process struct {
	t    testing.TB
	cmd  *exec.Cmd
	path string
	said strings.Builder
}

// begin starts a job on the sound system of env.
func begin(t testing.TB, env []string, j job) *process {
	t.Helper()
	p := &process{t: t, path: filepath.Join(t.TempDir(), "job")}
	file, err := os.Create(p.path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(gob.NewEncoder(file).Encode(j), file.Close()); err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	p.cmd = exec.CommandContext(t.Context(), self)
	p.cmd.Env = slices.Concat(os.Environ(), env, []string{jobVariable + "=" + p.path, "GORACE=atexit_sleep_ms=0"})
	p.cmd.Stderr = &p.said
	return p
}

// wait returns the outcome of p.
func (p *process) wait() (o outcome) {
	p.t.Helper()
	if err := p.cmd.Wait(); err != nil {
		p.t.Fatalf("%v\n%s", err, p.said.String())
	}
	file, err := os.Open(p.path + ".out")
	if err != nil {
		p.t.Fatal(err)
	}
	defer file.Close()
	if err := gob.NewDecoder(file).Decode(&o); err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() {
		if p.t.Failed() {
			p.t.Logf("sound system:\n%s%s", o.Chatter, p.said.String())
		}
	})
	return o
}

// do runs a job on r.
func do(t testing.TB, r *rig.Rig, j job) outcome {
	t.Helper()
	p := begin(t, r.Env(), j)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return p.wait()
}

// chirp returns a short one at 48 kHz.
func chirp(t testing.TB) []float64 {
	t.Helper()
	c, err := signal.NewChirp(signal.ChirpOptions{LowHz: 50, PeriodSeconds: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	return c.Samples()
}

var load = rig.Load{SourceOhm: 1, SenseOhm: 10, ReOhm: 6.2, LeH: 0.5e-3, FsHz: 71, ResOhm: 40, Qms: 5}

// checkSamples compares both channels of a recording with what they must be:
// after the lead, one block late.
func checkSamples(t *testing.T, rec card.Recording, want [2][]float64) {
	t.Helper()
	if err := wrongSample(rec, want); err != nil {
		t.Error(err)
	}
}

func wrongSample(rec card.Recording, want [2][]float64) error {
	late := 1024 + frames(lead, rec.RateHz)
	var errs []error
	for ch, v := range [][]float64{rec.V1, rec.V2} {
		if len(v) != len(want[ch])+late {
			errs = append(errs, fmt.Errorf("V%d has %d samples, want %d", ch+1, len(v), len(want[ch])+late))
			continue
		}
		for i, got := range v {
			expect := 0.0
			if i >= late {
				expect = want[ch][i-late]
			}
			if got != expect {
				errs = append(errs, fmt.Errorf("V%d[%d] = %g, want %g", ch+1, i, got, expect))
				break
			}
		}
	}
	return errors.Join(errs...)
}

// extra is the default extra time at 48 kHz, less the block the recording is
// late, in frames.
const extra = 48000 - 1024

func TestRigEverySample(t *testing.T) {
	x := chirp(t)
	circuit := load.Circuit(48000)
	r := rig.Start(t, rig.Options{Chains: circuit.Chains()})
	o := do(t, r, job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000, Channels: [][]float64{x}}})
	if o.Failed != "" {
		t.Fatal(o.Failed)
	}
	x = append(x, make([]float64, extra)...)
	checkSamples(t, o.Recording, [2][]float64{circuit.V1.Filter(x), circuit.V2.Filter(x)})
	if rec := o.Recording; len(rec.Flags) > 0 || rec.Source != r.Card() || rec.RateHz != 48000 {
		t.Errorf("recording says flags %+v, source %q, %d Hz", rec.Flags, rec.Source, rec.RateHz)
	}
}

// The rig answers with a recording of its own from the first sound on.
func TestRigPlaysARecording(t *testing.T) {
	x := chirp(t)[:20000]
	first := 0 // sound
	for x[first] == 0 {
		first++
	}
	var want [2][]float64
	recording := make([][]float32, 2)
	for ch := range recording {
		y := noise(uint64(ch), 30000)
		want[ch] = make([]float64, len(x)+extra)
		copy(want[ch][first:], y)
		for _, v := range y {
			recording[ch] = append(recording[ch], float32(v))
		}
	}
	r := rig.Start(t, rig.Options{Recording: recording})
	o := do(t, r, job{Options: Options{Name: "simcard"}, Output: card.Output{RateHz: 48000, Channels: [][]float64{x}}})
	if o.Failed != "" {
		t.Fatal(o.Failed)
	}
	checkSamples(t, o.Recording, want)
}

// Inputs 3 and 4 of a card at another rate, and stereo.
func TestRigOtherInputsAndRate(t *testing.T) {
	half := rig.Chain{{B0: 0.5}}
	r := rig.Start(t, rig.Options{Name: "Four", RateHz: 96000, Chains: []rig.Chain{{{B0: 0.1}}, {{B0: 0.2}}, half, nil}})
	x, y := noise(1, 20000), noise(2, 20000)
	o := do(t, r, job{Options: Options{Name: "jack: four", Inputs: [2]int{3, 4}}, Output: card.Output{RateHz: 96000, Channels: [][]float64{x, y}}})
	if o.Failed != "" {
		t.Fatal(o.Failed)
	}
	x = append(x, make([]float64, 96000-1024)...)
	checkSamples(t, o.Recording, [2][]float64{half.Filter(x), x})
}

// A late block is flagged. In the rig it costs no sample, only time.
func TestRigLateBlock(t *testing.T) {
	x := noise(1, 24000)
	r := rig.Start(t, rig.Options{RealTime: true, StallAt: 12000, Stall: 80 * time.Millisecond})
	o := do(t, r, job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000, Channels: [][]float64{x}}})
	if o.Failed != "" {
		t.Fatal(o.Failed)
	}
	// This sound server says both of one late block. On a busy machine it may
	// say so of others too.
	late := frames(lead, 48000) + 12000
	if !slices.ContainsFunc(o.Recording.Flags, func(f card.Flag) bool {
		return f.Lapse == card.InputOverflow|card.OutputUnderflow && f.From <= late && late < f.To
	}) {
		t.Errorf("flags %+v, want input overflow and output underflow about frame %d", o.Recording.Flags, late)
	}
	x = append(x, make([]float64, extra)...)
	checkSamples(t, o.Recording, [2][]float64{x, x})
}

// A lost block that nobody flags is for the analysis to find; this shows that
// the rig makes one.
func TestRigLostBlock(t *testing.T) {
	x := noise(1, 24000)
	r := rig.Start(t, rig.Options{DropAt: 10000})
	o := do(t, r, job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000, Channels: [][]float64{x}}})
	if o.Failed != "" {
		t.Fatal(o.Failed)
	}
	if len(o.Recording.Flags) > 0 {
		t.Errorf("flags %+v", o.Recording.Flags)
	}
	x = append(x, make([]float64, extra)...)
	// Of the blocks of the recording, which begins with the lead, the first to
	// start 10000 frames or more after the signal does is number 15.
	clear(x[15*1024-leadFrames : 16*1024-leadFrames])
	checkSamples(t, o.Recording, [2][]float64{x, x})
}

func TestRigServerDies(t *testing.T) {
	r := rig.Start(t, rig.Options{RealTime: true})
	p := begin(t, r.Env(), job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000, Channels: [][]float64{noise(1, 10*48000)}}, Twice: true})
	progress, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for lines := bufio.NewScanner(progress); lines.Scan() && strings.HasPrefix(lines.Text(), "progress 0s "); {
	}
	r.KillServer()
	died := time.Now()
	o := p.wait()
	wantFault(t, o.err(), card.Stopped, r.Card(), "of 11.1 s", "has not answered for 3s")
	if o.Again != o.Failed {
		t.Errorf("playing again: %q", o.Again)
	}
	// The promise is not to hang: Stop and Terminate would, for good.
	if took := time.Since(died); took > 5*time.Second {
		t.Errorf("the process ended %v after the server", took)
	}
}

func TestRigFaults(t *testing.T) {
	r := rig.Start(t, rig.Options{})
	for _, test := range []struct {
		name  string
		job   job
		cause card.Cause
		says  []string
	}{
		{"wrong rate", job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 44100, Channels: [][]float64{{0}}}},
			card.WrongRate, []string{r.Card(), "44100 Hz", "ask for 48000 Hz"}},
		{"absent", job{Options: Options{Name: "heron"}}, card.Absent, []string{`"heron"`, `"simcard" (2 in, 2 out)`}},
		{"too few inputs", job{Options: Options{Name: r.Card(), Inputs: [2]int{3, 4}}}, card.Absent, []string{"simcard", "2 inputs", "input 4"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			wantFault(t, do(t, r, test.job).err(), test.cause, test.says...)
		})
	}
}

func TestRigList(t *testing.T) {
	r := rig.Start(t, rig.Options{Chains: make([]rig.Chain, 3)})
	o := do(t, r, job{List: true})
	if o.Failed != "" {
		t.Fatal(o.Failed)
	}
	i := slices.IndexFunc(o.Infos, func(i Info) bool { return i.Name == "simcard" })
	if i < 0 {
		t.Fatalf("no simcard in %+v", o.Infos)
	}
	got := o.Infos[i]
	if got.Best().Kind != Studio || got.Inputs().Count != 3 || got.Outputs().Count != 2 || got.RateHz() != 48000 || got.Devices()[0].String() != r.Card() {
		t.Errorf("listed as %+v", got)
	}
}

// What the sound system prints is kept from the terminal, which afterwards
// works as before.
func TestCapture(t *testing.T) {
	name := filepath.Join(t.TempDir(), "stderr")
	file, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	saved, err := syscall.Dup(2)
	if err != nil {
		t.Fatal(err)
	}
	defer syscall.Close(saved)
	if err := duplicate(int(file.Fd()), 2); err != nil {
		t.Fatal(err)
	}
	defer duplicate(saved, 2)

	write := func(s string) { syscall.Write(2, []byte(s)) }
	var said strings.Builder
	write("before ")
	err = capture(&said, func() error { write(strings.Repeat("x", 1<<20)); return errPlanned })
	write("after ")
	func() {
		defer func() { recover() }()
		capture(io.Discard, func() error { write("lost"); panic("planned") })
	}()
	write("all")
	if err != errPlanned || said.String() != strings.Repeat("x", 1<<20) {
		t.Errorf("captured %d bytes, error %v", said.Len(), err)
	}
	if got, err := os.ReadFile(name); err != nil || string(got) != "before after all" {
		t.Errorf("standard error got %.100q, %v", got, err)
	}
}

// The sound library may abort the process while standard error is captured:
// it must not die without a word.
func TestAbortIsSeen(t *testing.T) {
	p := begin(t, []string{"ALSA_CONFIG_PATH=/dev/null", "JACK_NO_START_SERVER=1"}, job{List: true})
	if err := p.cmd.Run(); err != nil && !strings.Contains(p.said.String(), "SIGABRT") {
		t.Errorf("%v, but all it said was %q", err, p.said.String())
	}
}
