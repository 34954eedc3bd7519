//go:build linux

package rig

import (
	"bufio"
	"bytes"
	_ "embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
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
	lock   *net.UnixListener
	config string // of ALSA, with no card in it
	card   string

	jackd, sim *process
	stdin      io.Closer // of sim, which lives as long
	stopped    bool
}

// server is the name of the one there is. A server that was killed keeps one
// of the eight places in a table of the machine's until the next one of the
// same name starts: so names must not be new each time.
const server = "tapload-rig"

//go:embed simcard/simcard.c
var source []byte

// Start starts a rig that stops at the end of the test. There is one rig at a
// time on a machine: Start waits for the one before to stop.
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

	lock := alone(tb)
	tb.Cleanup(func() { lock.Close() }) // should Start fail
	dir := tb.TempDir()
	r := &Rig{
		tb:     tb,
		lock:   lock,
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

	tb.Cleanup(r.Stop)
	if err := r.launch(simcard, args, o); err != nil {
		tb.Fatal(err)
	}
	return r
}

// launch starts the server and the card, and waits until both are up.
func (r *Rig) launch(simcard string, args []string, o Options) error {
	// Synchronous (-S): a late block then stretches time instead of being lost.
	jackd := exec.Command("jackd", "-r", "-S", "-n", server,
		"-d", "dummy", "-C", "0", "-P", "0", "-r", strconv.Itoa(o.RateHz), "-p", strconv.Itoa(o.Period))
	sim := exec.Command(simcard, args...)
	jackd.Env = append(os.Environ(), r.Env()...)
	sim.Env = jackd.Env
	// Should the test be killed, the server goes too, and keeps the next rig
	// waiting until it has.
	jackd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGTERM}
	held, err := r.lock.File()
	if err != nil {
		return err
	}
	defer held.Close()
	jackd.ExtraFiles = []*os.File{held}
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
	r.stdin = stdin
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

// alone waits until no other rig of this user runs, and keeps others waiting
// until its result is closed. The sound server's clients meet it at a socket
// named after themselves and the user, not the server: with two servers, the
// programs on one get the messages of the other.
func alone(tb testing.TB) *net.UnixListener {
	tb.Helper()
	// A name without a file, which goes when its process does.
	name := &net.UnixAddr{Name: fmt.Sprintf("@tapload-rig-%d", os.Getuid()), Net: "unix"}
	for {
		lock, err := net.ListenUnix("unix", name)
		if err == nil {
			return lock
		}
		if !errors.Is(err, syscall.EADDRINUSE) {
			tb.Fatal(err)
		}
		select {
		case <-tb.Context().Done():
			tb.Fatal("sound server rig: the test ended before the rig of another one did")
		case <-time.After(20 * time.Millisecond):
		}
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
		"JACK_DEFAULT_SERVER=" + server,
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
	// What a killed server leaves.
	left, _ := filepath.Glob("/dev/shm/*" + server + "_*")
	for _, path := range left {
		os.Remove(path)
	}
	r.lock.Close()
}

// end ends both processes.
func (r *Rig) end() {
	r.stdin.Close()
	if r.sim != nil {
		r.sim.end(15 * time.Second)
	}
	r.jackd.cmd.Process.Signal(syscall.SIGTERM)
	r.jackd.end(15 * time.Second)
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

// end waits for p to end by itself, but not for ever.
func (p *process) end(patience time.Duration) {
	select {
	case <-p.done:
	case <-time.After(patience):
		p.cmd.Process.Kill()
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
			data = binary.NativeEndian.AppendUint32(data, math.Float32bits(x[i]))
		}
	}
	return os.WriteFile(path, data, 0o600)
}
