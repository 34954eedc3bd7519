//go:build linux

package rig

import (
	"bytes"
	"embed"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Require is the environment variable which, set to 1, turns a missing piece
// of the rig from a reason to skip into a failure.
const Require = "TAPLOAD_REQUIRE_RIG"

// API is the interface of the sound system that lists the simulated card of a
// JACK server.
const API = "JACK Audio Connection Kit"

// Server is the sound server between the program and the simulated card.
type Server int

const (
	// JACK is exact to the sample, and can run faster than real time.
	JACK Server = iota
	// PulseAudio is ALSA's default card, as on many desktops. The card is its
	// default sink "out" and its default source "in.monitor".
	PulseAudio
	// PipeWire is ALSA's default card, as on many desktops. The card is its
	// default sink "out" and its default source "in".
	PipeWire
)

// String returns the name of s.
func (s Server) String() string {
	switch s {
	case PulseAudio:
		return "PulseAudio"
	case PipeWire:
		return "PipeWire"
	}
	return "JACK"
}

// Options describes the simulated card. The zero value of a field takes its
// default.
type Options struct {
	Server Server
	Name   string // default "simcard"

	// RateHz is the rate that the server runs at; default 48000. PulseAudio
	// and PipeWire resample for a program that asks for another one.
	RateHz int

	Period int     // frames of a block, a power of two; default 1024. PulseAudio has blocks of its own, of 50 ms
	Chains []Chain // one for each input of the card, all fed by its output 1; default two plain wires

	// Recording is answered from the first sound on instead of what Chains
	// would make of it; one channel for each chain, of equal length.
	Recording [][]float32

	// RealTime keeps the pace of a real card. Otherwise JACK runs as fast as
	// the processor can, no sample differs, and no block is ever late. The
	// other servers always keep it.
	RealTime bool

	DropAt  int           // the first block to start this many frames after the first sound, or later, is lost; 0 for none
	StallAt int           // that block is late
	Stall   time.Duration // by this, in whole milliseconds; 0 for not at all
}

// settings returns o as card.h reads it. A recording is at a path.
func (o Options) settings(recording string) []byte {
	var b bytes.Buffer
	for _, c := range o.Chains {
		fmt.Fprintf(&b, "chain %s\n", c)
	}
	if o.Recording != nil {
		fmt.Fprintf(&b, "play %s\n", recording)
	}
	if o.DropAt > 0 {
		fmt.Fprintf(&b, "drop %d\n", o.DropAt)
	}
	if o.Stall > 0 {
		fmt.Fprintf(&b, "stall %d:%d\n", o.StallAt, o.Stall.Milliseconds())
	}
	return b.Bytes()
}

// Rig is a running sound server with a simulated card.
type Rig struct {
	tb   testing.TB
	dir  string // of its own
	env  []string
	card string

	server  *process
	running []*process // the server and what else there is, as they were started
	tidy    []func()   // what is left to do when they have ended
	stopped bool
}

// Start starts a rig that stops at the end of the test. There is one rig on
// JACK at a time on a machine: Start waits for the one before to stop. Rigs on
// the other servers do not meet.
func Start(tb testing.TB, o Options) *Rig {
	tb.Helper()
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

	// Not the test's own folder: its name may be too long for a socket.
	dir, err := os.MkdirTemp("", "tapload-rig-*")
	if err != nil {
		tb.Fatal(err)
	}
	r := &Rig{tb: tb, dir: dir}
	tb.Cleanup(r.Stop)
	if err := r.configure(o); err != nil {
		tb.Fatal(err)
	}
	switch o.Server {
	case PulseAudio:
		err = r.startPulseAudio(o)
	case PipeWire:
		err = r.startPipeWire(o)
	default:
		err = r.startJACK(o)
	}
	if err != nil {
		tb.Fatal(err)
	}
	return r
}

// path returns the path of a file in the rig's folder.
func (r *Rig) path(name string) string { return filepath.Join(r.dir, name) }

// write writes a file into the rig's folder.
func (r *Rig) write(name, text string) error {
	if err := os.MkdirAll(filepath.Dir(r.path(name)), 0o700); err != nil {
		return err
	}
	return os.WriteFile(r.path(name), []byte(text), 0o600)
}

// configure writes the settings of the simulated card.
func (r *Rig) configure(o Options) error {
	if o.Recording != nil {
		if err := writeRecording(r.path("recording.f32"), o.Recording, len(o.Chains)); err != nil {
			return err
		}
	}
	return r.write("settings", string(o.settings(r.path("recording.f32"))))
}

// Connect puts another circuit on the card, which must have as many inputs: as
// somebody would who changes the load while the server runs. It belongs between
// one measurement and the next. Options that lose, delay or answer something
// end with it.
func (r *Rig) Connect(chains []Chain) {
	r.tb.Helper()
	// Renamed into place, the card finds the old or the new one, whole.
	if err := r.write("settings.new", string(Options{Chains: chains}.settings(""))); err != nil {
		r.tb.Fatal(err)
	}
	if err := os.Rename(r.path("settings.new"), r.path("settings")); err != nil {
		r.tb.Fatal(err)
	}
}

// Env returns what the environment of a program needs, over that of the test,
// to find the simulated card and no other.
func (r *Rig) Env() []string { return r.env }

// Card returns the name under which a program finds the simulated card.
func (r *Rig) Card() string { return r.card }

// Freeze stops the sound server for a time, as a machine does that is busy with
// something else, and returns when it runs again.
func (r *Rig) Freeze(d time.Duration) {
	r.server.cmd.Process.Signal(syscall.SIGSTOP)
	time.Sleep(d)
	r.server.cmd.Process.Signal(syscall.SIGCONT)
}

// KillServer ends the sound server as a crash would.
func (r *Rig) KillServer() {
	r.server.cmd.Process.Kill()
	<-r.server.done
}

// Stop ends the rig and leaves nothing behind. Start has arranged for it to be
// called; to call it again does nothing.
func (r *Rig) Stop() {
	if r.stopped {
		return
	}
	r.stopped = true
	for i := len(r.running) - 1; i >= 0; i-- {
		r.running[i].end(15 * time.Second)
	}
	if r.tb.Failed() {
		for _, p := range r.running {
			r.tb.Logf("%s:\n%s", filepath.Base(p.cmd.Path), p.said.String())
		}
	}
	for _, f := range r.tidy {
		f()
	}
	os.RemoveAll(r.dir)
}

// run starts cmd, which quit ends, and keeps what it prints, but for a stdout
// already taken.
func (r *Rig) run(cmd *exec.Cmd, quit func(*os.Process)) (*process, error) {
	p := &process{cmd: cmd, quit: quit, done: make(chan struct{})}
	cmd.Stderr = &p.said
	if cmd.Stdout == nil {
		cmd.Stdout = &p.said
	}
	// Should the test be killed, what it started goes too.
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGTERM}
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		cmd.Wait()
		close(p.done)
	}()
	r.running = append(r.running, p)
	return p, nil
}

// until waits for ready, and fails where a process of the rig ends before.
func (r *Rig) until(what string, ready func() bool) error {
	const patience = 30 * time.Second
	for waited := time.Duration(0); !ready(); waited += 20 * time.Millisecond {
		for _, p := range r.running {
			select {
			case <-p.done:
				return fmt.Errorf("sound server rig: %s ended before %s", p.cmd.Path, what)
			default:
			}
		}
		if waited >= patience {
			return fmt.Errorf("sound server rig: %v passed before %s", patience, what)
		}
		time.Sleep(20 * time.Millisecond)
	}
	return nil
}

// process is a running command.
type process struct {
	cmd  *exec.Cmd
	quit func(*os.Process) // asks it to end
	said bytes.Buffer      // to be read after done
	done chan struct{}
}

// terminate is the common way to ask a process to end.
func terminate(p *os.Process) { p.Signal(syscall.SIGTERM) }

// end ends p, gently if it can within a time.
func (p *process) end(patience time.Duration) {
	p.quit(p.cmd.Process)
	select {
	case <-p.done:
	case <-time.After(patience):
		p.cmd.Process.Kill()
		<-p.done
	}
}

// missing ends the test for want of a part of the rig.
func missing(tb testing.TB, what, debian string) {
	tb.Helper()
	text := fmt.Sprintf("sound server rig: %s (Debian: %s)", what, debian)
	if os.Getenv(Require) == "1" {
		tb.Fatal(text)
	}
	tb.Skip(text)
}

// need ends the test where one of tools is not installed.
func need(tb testing.TB, debian string, tools ...string) {
	tb.Helper()
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			missing(tb, tool+" not installed", debian)
		}
	}
}

//go:embed simcard
var sources embed.FS

// build compiles the simulated card from one of its sources, with more flags of
// the compiler, and returns the program or library.
func build(source string, flags ...string) ([]byte, error) {
	dir, err := os.MkdirTemp("", "tapload-rig-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	if err := os.CopyFS(dir, sources); err != nil {
		return nil, err
	}
	src, bin := filepath.Join(dir, "simcard", source), filepath.Join(dir, "out")
	// A fused multiply-add would round otherwise than Chain.Filter does.
	args := append([]string{"-std=c11", "-Wall", "-Wextra", "-O2", "-ffp-contract=off", "-o", bin, src}, flags...)
	out, err := exec.Command("cc", args...).CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("compiling the simulated card: %w\n%s", err, out)
	}
	return os.ReadFile(bin)
}

var (
	buildClient = sync.OnceValues(func() ([]byte, error) { return build("jack.c", "-ljack") })
	buildPlugin = sync.OnceValues(func() ([]byte, error) { return build("ladspa.c", "-shared", "-fPIC") })
)

// install puts a simulated card at a path in the rig's folder. A compiler that
// does not find header misses a package of Debian's.
func (r *Rig) install(name string, build func() ([]byte, error), header, debian string) {
	r.tb.Helper()
	program, err := build()
	switch {
	case err != nil && strings.Contains(err.Error(), header):
		missing(r.tb, header+" not installed", debian)
	case err != nil:
		r.tb.Fatal(err)
	}
	// A process that another goroutine forks now would inherit the open file
	// and keep it from being executed.
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	if err := os.WriteFile(r.path(name), program, 0o700); err != nil {
		r.tb.Fatal(err)
	}
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
