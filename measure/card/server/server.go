// Package server asks a sound server what it does to the sound of this
// program: PulseAudio and PipeWire, by the tools that come with them.
//
// It also knows where each system turns such things off (remedy.go).
package server

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapload/measure/card"
)

// State is what a sound server says of itself at one moment.
type State struct {
	Server          string // its name and version, for people
	Sinks, Sources  []Device
	Playing, Taking []Stream // what plays to a sink; what records from a source
}

// Device is a sink or a source of a server: a card, or something virtual.
type Device struct {
	ID          int
	Name        string // as the server spells it
	Description string // for people
	Maker       maker  // of a virtual one
	RateHz      int    // 0 when unknown
	Channels    int    // 0 when unknown
	Monitor     bool   // a source that is what a sink plays
	Level
}

// Stream is a connection of a program, or of a virtual device, to a Device.
type Stream struct {
	Device  int // ID of the sink or source
	Maker   maker
	Program string // for people
	PID     int    // of the program; 0 when unknown
	Corked  bool   // it is connected and silent
	Level
}

// Level is a gain that a server applies.
type Level struct {
	Percent  int     // on the server's own scale, of the channel furthest from 100; 100 changes nothing
	DB       float64 // the same as a gain
	Hardware bool    // it is done by the card
	Mute     bool
}

// maker says what made a device or a stream: what a virtual device plays to and
// records from was made by the same thing as the device itself.
type maker struct {
	kind  string // such as module-echo-cancel, or "" for a program or a card
	group string // one for all that was made at once; "" for none
}

func (m maker) same(o maker) bool { return m.group != "" && m.group == o.group }

// patience is how long a server may take to answer a question.
const patience = time.Second

// Tools runs a program and returns what it wrote to its standard output. An
// error that is exec.ErrNotFound says that it is not installed.
type Tools func(ctx context.Context, name string, args ...string) ([]byte, error)

// Run is Tools of this computer. It leaves pactl alone where no server listens,
// which pactl might start.
func Run(ctx context.Context, name string, args ...string) ([]byte, error) {
	if name == "pactl" && !listens() {
		return nil, exec.ErrNotFound
	}
	path, err := exec.LookPath(name)
	if err != nil {
		return nil, err
	}
	c := exec.CommandContext(ctx, path, args...)
	c.Env = append(os.Environ(), "LC_ALL=C") // so that it speaks English
	c.WaitDelay = patience / 4
	return c.Output()
}

// listens reports whether there is a server for PulseAudio's library to find.
func listens() bool {
	folder := os.Getenv("PULSE_RUNTIME_PATH")
	if folder == "" {
		folder = filepath.Join(os.Getenv("XDG_RUNTIME_DIR"), "pulse")
	}
	_, err := os.Stat(filepath.Join(folder, "native"))
	return err == nil || os.Getenv("PULSE_SERVER") != ""
}

// Ask returns the state of the sound server that answers first: one that
// speaks PulseAudio's protocol, as PipeWire does too where it stands in for
// PulseAudio, else PipeWire. ok is false where there is none, or none of their
// tools is installed.
func Ask(ctx context.Context, run Tools) (s State, ok bool, err error) {
	if s, ok, err = ask(ctx, run, pactl); !ok {
		var other error
		s, ok, other = ask(ctx, run, pwDump)
		err = errors.Join(err, other)
	}
	if ok {
		err = nil
	}
	return s, ok, err
}

// ask puts one question within patience. A tool that is not installed, or that
// says there is no server, is no error.
func ask(ctx context.Context, run Tools, question func(context.Context, Tools) (State, error)) (State, bool, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	s, err := question(ctx, run)
	var refused *exec.ExitError
	switch {
	case err == nil:
		return s, true, nil
	case ctx.Err() != nil:
		return State{}, false, fmt.Errorf("the sound server has not answered for %v", patience)
	case errors.Is(err, exec.ErrNotFound), errors.As(err, &refused):
		return State{}, false, nil
	}
	return State{}, false, err
}

// Alterations returns what s does to the sound of the process pid, which plays
// and records at rateHz. It knows nothing of a process that has no stream.
func (s State) Alterations(pid, rateHz int) []card.Alteration {
	out := s.way(s.Playing, s.Sinks, pid)
	in := s.way(s.Taking, s.Sources, pid)
	if len(out.devices) == 0 && len(in.devices) == 0 {
		return nil
	}
	var found []card.Alteration
	add := func(code string, spoils bool, words ...string) {
		if len(words) > 0 {
			found = append(found, card.Alteration{Code: code, Spoils: spoils, Text: s.Server + " " + strings.Join(words, ", and "), Advice: Remedy(Linux, code)})
		}
	}
	const output, input = "output", "input"
	add(card.EchoCancel, true, slices.Concat(out.made(echoCancellers, "has an echo canceller at the "+output), in.made(echoCancellers, "has an echo canceller at the "+input))...)
	add(card.Filtered, false, slices.Concat(out.made(filters, "has an effect at the "+output), in.made(filters, "has an effect at the "+input))...)
	add(card.Muted, true, slices.Concat(out.muted(output), in.muted(input))...)
	for _, d := range in.devices {
		if d.Channels == 1 {
			add(card.MonoInput, true, fmt.Sprintf("hands out one channel as both inputs: %s records in mono", d.called()))
			break
		}
	}
	if n := len(in.devices); n > 0 && in.devices[n-1].Monitor {
		add(card.Monitor, false, fmt.Sprintf("hands out as inputs what it plays itself: the source is %s, not the inputs of a card", in.devices[n-1].called()))
	}
	add(card.Mixed, false, s.others(out, pid)...)
	add(card.Resampled, false, slices.Concat(out.resamples(rateHz, output), in.resamples(rateHz, input))...)
	add(card.SoftwareVolume, false, slices.Concat(out.turned(output), in.turned(input))...)
	return found
}

// echoCancellers and filters are the makers of devices that do more than pass
// sound on, as PulseAudio names its modules and PipeWire its groups of nodes.
var (
	echoCancellers = []string{"module-echo-cancel", "echo-cancel"}
	filters        = []string{"module-ladspa-sink", "module-equalizer-sink", "module-virtual-surround-sink", "module-virtual-sink", "module-virtual-source", "filter-chain"}
)

// way is how sound goes between the program and a card, from the program on.
type way struct {
	stream  Stream
	devices []Device
}

// way returns the way of the process pid's own stream among the given ones, on
// through virtual devices to the last device.
func (s State) way(streams []Stream, devices []Device, pid int) (w way) {
	i := slices.IndexFunc(streams, func(st Stream) bool { return st.PID == pid && st.PID != 0 })
	for i >= 0 {
		st := streams[i]
		if len(w.devices) == 0 {
			w.stream = st
		}
		d := slices.IndexFunc(devices, func(d Device) bool { return d.ID == st.Device })
		if d < 0 || w.through(devices[d].ID) {
			break
		}
		w.devices = append(w.devices, devices[d])
		i = slices.IndexFunc(streams, func(on Stream) bool { return on.Maker.same(devices[d].Maker) && !w.through(on.Device) })
	}
	return w
}

func (w way) through(id int) bool {
	return slices.ContainsFunc(w.devices, func(d Device) bool { return d.ID == id })
}

func (d Device) called() string {
	if d.Description != "" {
		return fmt.Sprintf("%q", d.Description)
	}
	return fmt.Sprintf("%q", d.Name)
}

// made returns text with the device's name for the first device of w that one
// of the makers made.
func (w way) made(by []string, text string) []string {
	for _, d := range w.devices {
		if slices.Contains(by, d.Maker.kind) {
			return []string{text + ", " + d.called()}
		}
	}
	return nil
}

func (w way) muted(side string) []string {
	if w.stream.Mute {
		return []string{fmt.Sprintf("has muted this program's %s", side)}
	}
	for _, d := range w.devices {
		if d.Mute {
			return []string{fmt.Sprintf("has muted the %s %s", side, d.called())}
		}
	}
	return nil
}

func (w way) resamples(rateHz int, side string) []string {
	for _, d := range w.devices {
		if d.RateHz != 0 && d.RateHz != rateHz {
			return []string{fmt.Sprintf("resamples the %s: %s runs at %d Hz, the program at %d Hz", side, d.called(), d.RateHz, rateHz)}
		}
	}
	return nil
}

func (w way) turned(side string) (words []string) {
	say := func(l Level, what string) {
		if l.Hardware || l.Percent == 100 || l.Mute {
			return
		}
		words = append(words, fmt.Sprintf("multiplies the samples of %s: its volume is %d %% (%+.1f dB)", what, l.Percent, l.DB))
	}
	if len(w.devices) > 0 {
		say(w.stream.Level, "this program's "+side)
	}
	for _, d := range w.devices {
		say(d.Level, "the "+side+" "+d.called())
		if d.Maker.kind != "" {
			break // what a virtual device shows is that of the device behind it
		}
	}
	return words
}

// mostNamed programs are named of those that are mixed in.
const mostNamed = 3

// others returns the programs whose sound is mixed with that of the process pid
// on its way.
func (s State) others(out way, pid int) []string {
	var names []string
	for _, d := range out.devices {
		for _, name := range s.heardOn(d, pid, len(s.Sinks)) {
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	if len(names) == 0 {
		return nil
	}
	if n := len(names) - mostNamed; n > 0 {
		names = append(names[:mostNamed], fmt.Sprintf("%d more", n))
	}
	return []string{"mixes other sound into the output, of " + strings.Join(names, ", ")}
}

// heardOn returns what others than the process pid play on d. A virtual sink
// plays there all the time: it counts as what is played on it. No more than
// deep virtual sinks stand behind each other.
func (s State) heardOn(d Device, pid, deep int) (names []string) {
	for _, st := range s.Playing {
		if st.Device != d.ID || st.PID == pid || st.Corked || st.Mute || deep == 0 {
			continue
		}
		virtual := slices.IndexFunc(s.Sinks, func(v Device) bool { return v.Maker.same(st.Maker) })
		switch {
		case virtual < 0:
			names = append(names, fmt.Sprintf("%q", st.Program))
		case s.Sinks[virtual].ID != d.ID:
			names = append(names, s.heardOn(s.Sinks[virtual], pid, deep-1)...)
		}
	}
	return names
}
