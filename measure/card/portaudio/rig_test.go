//go:build cgo

package portaudio

import (
	"context"
	"encoding/gob"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
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
}

type outcome struct {
	Infos     []Info
	Chatter   string
	Recording card.Recording
	Fault     card.Fault // its Err left out
	Failed    string     // the error, if any
	Again     string     // the error of the second time
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
	c, err := Open(j.Options)
	if err != nil {
		return o, err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	o.Chatter = c.Chatter()
	j.Output.Progress = func(p card.Progress) { fmt.Println("progress", p.Done, p.Peak) }
	o.Recording, err = c.Play(context.Background(), j.Output)
	if j.Twice {
		if _, err := c.Play(context.Background(), j.Output); err != nil {
			o.Again = err.Error()
		}
	}
	return o, err
}

// process is a job under way.
type process struct {
	t    *testing.T
	cmd  *exec.Cmd
	path string
	said strings.Builder
}

// begin starts a job on the sound system of env.
func begin(t *testing.T, env []string, j job) *process {
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
	p.cmd.Env = append(append(os.Environ(), env...), jobVariable+"="+p.path)
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
	if p.t.Failed() {
		p.t.Log(p.said.String())
	}
	return o
}

// do runs a job on r.
func do(t *testing.T, r *rig.Rig, j job) outcome {
	t.Helper()
	p := begin(t, r.Env(), j)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return p.wait()
}

func chirp(t *testing.T, rateHz int) []float64 {
	t.Helper()
	c, err := signal.NewChirp(signal.ChirpOptions{RateHz: rateHz, LowHz: 50, PeriodSeconds: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	return c.Samples()
}

var load = rig.Load{SourceOhm: 1, SenseOhm: 10, ReOhm: 6.2, LeH: 0.5e-3, FsHz: 71, ResOhm: 40, Qms: 5}

func TestRigEverySample(t *testing.T) {
	x := chirp(t, 48000)
	circuit := load.Circuit(48000)
	r := rig.Start(t, rig.Options{Chains: circuit.Chains()})
	began := time.Now()
	o := do(t, r, job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000, Channels: [][]float64{x}}, Twice: true})
	t.Log(time.Since(began))
	if o.Failed != "" || o.Again != "" {
		t.Fatal(o.Failed, o.Again)
	}
	const late = 1024 // frames: one block
	for ch, v := range [][]float64{o.Recording.V1, o.Recording.V2} {
		want := circuit.Chains()[ch].Filter(append(slices.Clone(x), make([]float64, 24000-late)...))
		want = append(make([]float64, late), want...)
		if len(v) != len(want) {
			t.Fatalf("V%d has %d samples, want %d", ch+1, len(v), len(want))
		}
		for i := range v {
			if v[i] != want[i] {
				t.Fatalf("V%d[%d] = %g, want %g", ch+1, i, v[i], want[i])
			}
		}
	}
	if o.Recording.Flags.Any() {
		t.Error(o.Recording.Flags)
	}
}
