// Package rig gives a test a real sound card path on a machine without sound
// hardware: a sound server of its own, and on it a simulated card with a known
// circuit between its output and its inputs. To the program under test the
// path is the one it has with hardware: sound library, sound server, card.
//
// It needs jackd, cc and the headers of libjack; Debian's packages are jackd2,
// gcc and libjack-jackd2-dev. Tests skip where one is missing, unless the
// environment has TAPLOAD_REQUIRE_RIG=1: then they fail.
package rig

import (
	"bufio"
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// Require is the environment variable which, set to 1, turns a missing piece
// of the rig from a reason to skip into a failure.
const Require = "TAPLOAD_REQUIRE_RIG"

// API is the interface of the sound system that lists the simulated card.
const API = "JACK Audio Connection Kit"

// Options describes the simulated card. The zero value of a field takes its
// default.
type Options struct {
	Name   string  // default "simcard"
	RateHz int     // default 48000
	Period int     // frames of a block, a power of two; default 1024
	Chains []Chain // one for each input of the card, all fed by its output 1; default two plain wires

	// Recording is answered from the first sound on instead of what Chains
	// would make of it; one channel for each chain, of equal length.
	Recording [][]float32

	// RealTime keeps the pace of a real card. Otherwise sound runs as fast as
	// the processor can, no sample differs, and no block is ever late.
	RealTime bool

	DropAt  int           // the first block to start this many frames after the first sound, or later, is lost; 0 for none
	StallAt int           // that block is late
	Stall   time.Duration // by this, in whole milliseconds; 0 for not at all
}

// Rig is a running sound server with a simulated card.
type Rig struct {
	tb     testing.TB
	server string // its name
	config string // of ALSA, with no card in it
	card   string

	simcard, rate, period string // of the commands
	jackd, sim            *process
	stdin                 io.Closer // of sim, which lives as long
	stopped               bool
}

//go:embed simcard/simcard.c
var source []byte

var rigs atomic.Int64

// Start starts a rig that stops at the end of the test.
func Start(tb testing.TB, o Options) *Rig {
	tb.Helper()
	for _, tool := range []string{"jackd", "cc"} {
		if _, err := exec.LookPath(tool); err != nil {
			missing(tb, tool+" not installed")
		}
	}
	if o.Name == "" {
		o.Name = "simcard"
	}
	if o.RateHz == 0 {
		o.RateHz = 48000
	}
	if o.Period == 0 {
		o.Period = 1024
	}
	if o.Chains == nil {
		o.Chains = []Chain{nil, nil}
	}

	dir := tb.TempDir()
	r := &Rig{
		tb:     tb,
		server: fmt.Sprintf("tapload-%d-%d", os.Getpid(), rigs.Add(1)),
		config: filepath.Join(dir, "asound.conf"),
		card:   o.Name,
	}
	// Without a single pcm the sound library aborts the program.
	const silence = "pcm.!default { type null }\nctl.!default { type null }\npcm.silent { type null }\n"
	if err := os.WriteFile(r.config, []byte(silence), 0o600); err != nil {
		tb.Fatal(err)
	}
	simcard := filepath.Join(dir, "simcard")
	if err := install(simcard); err != nil {
		if strings.Contains(err.Error(), "jack/jack.h") {
			missing(tb, "headers of libjack not installed")
		}
		tb.Fatal(err)
	}
	args := []string{"--name", o.Name}
	for _, c := range o.Chains {
		args = append(args, "--chain", c.String())
	}
	if o.Recording != nil {
		path := filepath.Join(dir, "recording.f32")
		if err := writeRecording(path, o.Recording, len(o.Chains)); err != nil {
			tb.Fatal(err)
		}
		args = append(args, "--play", path)
	}
	if o.DropAt > 0 {
		args = append(args, "--drop", strconv.Itoa(o.DropAt))
	}
	if o.Stall > 0 {
		args = append(args, "--stall", fmt.Sprintf("%d:%d", o.StallAt, o.Stall.Milliseconds()))
	}
	if !o.RealTime {
		args = append(args, "--freewheel")
	}

	r.rate, r.period = strconv.Itoa(o.RateHz), strconv.Itoa(o.Period)
	r.simcard = simcard
	tb.Cleanup(r.Stop)
	if err := r.launch(args); err != nil {
		tb.Fatal(err)
	}
	return r
}

// launch starts the server and the card, and waits until both are up.
func (r *Rig) launch(args []string) error {
	// Synchronous (-S): a late block then stretches time instead of being lost.
	// Temporary (-T): the server goes when the card does, so never outlives us.
	jackd := exec.Command("jackd", "-T", "-r", "-S", "-n", r.server,
		"-d", "dummy", "-C", "0", "-P", "0", "-r", r.rate, "-p", r.period)
	sim := exec.Command(r.simcard, args...)
	jackd.Env = append(os.Environ(), r.Env()...)
	sim.Env = jackd.Env
	stdin, err := sim.StdinPipe()
	if err != nil {
		return err
	}
	stdout, err := sim.StdoutPipe()
	if err != nil {
		return err
	}
	if r.jackd, err = run(jackd); err != nil {
		return err
	}
	r.stdin, r.sim = stdin, nil
	if r.sim, err = run(sim); err != nil {
		return err
	}
	ready := make(chan error, 1)
	go func() {
		var err error
		if line, _ := bufio.NewReader(stdout).ReadString('\n'); line != "ready\n" {
			err = fmt.Errorf("sound server rig: the simulated card said %q instead of ready", line)
		}
		ready <- err
	}()
	select {
	case err := <-ready:
		return err
	case <-r.jackd.done:
		return fmt.Errorf("sound server rig: the server does not start\n%s", r.jackd.said.String())
	}
}

// missing ends the test for want of a part of the rig.
func missing(tb testing.TB, what string) {
	tb.Helper()
	text := "sound server rig: " + what + " (Debian: jackd2 gcc libjack-jackd2-dev)"
	if os.Getenv(Require) == "1" {
		tb.Fatal(text)
	}
	tb.Skip(text)
}

// Env returns what the environment of a program needs, over that of the test,
// to find the simulated card and no other.
func (r *Rig) Env() []string {
	return []string{
		"JACK_DEFAULT_SERVER=" + r.server,
		"JACK_NO_START_SERVER=1",
		"JACK_NO_AUDIO_RESERVATION=1",
		"ALSA_CONFIG_PATH=" + r.config,
	}
}

// Card returns the name under which a program finds the simulated card.
func (r *Rig) Card() string { return API + ": " + r.card }

// KillServer ends the sound server as a crash would.
func (r *Rig) KillServer() {
	r.jackd.cmd.Process.Kill()
	<-r.jackd.done
}

// Stop ends the rig and leaves nothing behind. Start has arranged for it to be
// called; to call it again does nothing.
func (r *Rig) Stop() {
	if r.stopped || r.jackd == nil {
		return
	}
	r.stopped = true
	r.end()
	if r.tb.Failed() {
		r.tb.Logf("sound server:\n%s", r.jackd.said.String())
		if r.sim != nil {
			r.tb.Logf("simulated card:\n%s", r.sim.said.String())
		}
	}
	// A server that was killed still has one of the eight places there are in a
	// table of the machine's. The next one of the same name clears it.
	if !r.jackd.cmd.ProcessState.Success() {
		if err := r.launch([]string{"--chain", ""}); err != nil {
			r.tb.Errorf("clearing up after a killed server: %v", err)
		}
		r.end()
	}
	left, _ := filepath.Glob("/dev/shm/*" + r.server + "_*")
	for _, path := range left {
		os.Remove(path)
	}
}

// end ends both processes.
func (r *Rig) end() {
	r.stdin.Close()
	if r.sim != nil {
		r.sim.end(10*time.Second, os.Kill)
	}
	// The card gone, the server goes too, unless another program clings to it.
	r.jackd.end(time.Second, syscall.SIGTERM)
	r.jackd.end(10*time.Second, os.Kill)
}

// process is a running command.
type process struct {
	cmd  *exec.Cmd
	said bytes.Buffer // to be read after done
	done chan struct{}
}

// run starts cmd and keeps what it prints, but for a stdout already taken.
func run(cmd *exec.Cmd) (*process, error) {
	p := &process{cmd: cmd, done: make(chan struct{})}
	cmd.Stderr = &p.said
	if cmd.Stdout == nil {
		cmd.Stdout = &p.said
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		cmd.Wait()
		close(p.done)
	}()
	return p, nil
}

// end waits for p to end by itself, then sends it a signal and, if that must
// end it, waits again.
func (p *process) end(patience time.Duration, s os.Signal) {
	select {
	case <-p.done:
		return
	case <-time.After(patience):
	}
	p.cmd.Process.Signal(s)
	if s == os.Kill {
		<-p.done
	}
}

// build compiles the simulated card and returns the program.
var build = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "tapload-rig-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	src, bin := filepath.Join(dir, "simcard.c"), filepath.Join(dir, "simcard")
	if err := os.WriteFile(src, source, 0o600); err != nil {
		return nil, err
	}
	// A fused multiply-add would round otherwise than Chain.Filter does.
	out, err := exec.Command("cc", "-std=c11", "-Wall", "-Wextra", "-O2", "-ffp-contract=off", "-o", bin, src, "-ljack").CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("compiling the simulated card: %w\n%s", err, out)
	}
	return os.ReadFile(bin)
})

// install puts the simulated card at path.
func install(path string) error {
	program, err := build()
	if err != nil {
		return err
	}
	// A process that another goroutine forks now would inherit the open file
	// and keep it from being executed.
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	return os.WriteFile(path, program, 0o700)
}

func writeRecording(path string, channels [][]float32, want int) error {
	if len(channels) != want {
		return fmt.Errorf("recording has %d channels, the card %d inputs", len(channels), want)
	}
	var data []byte
	for i := range channels[0] {
		for _, x := range channels {
			if len(x) != len(channels[0]) {
				return errors.New("recording has channels of different lengths")
			}
			data = appendFloat(data, x[i])
		}
	}
	return os.WriteFile(path, data, 0o600)
}
