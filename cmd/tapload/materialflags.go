package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"tapload/measure/card"
	"tapload/measure/infile"
	"tapload/measure/quantity"
	"tapload/measure/signal"
)

// materialOptions are the flags of a sweep with program material.
type materialOptions struct {
	seconds   seconds
	coherence part
	connected bool
	fullScale volts
	probe     times
}

func (o *materialOptions) register(f *pflag.FlagSet) {
	*o = materialOptions{seconds: signal.DefaultListenSeconds, coherence: signal.DefaultCoherence, probe: 1}
	f.Var(&o.seconds, "seconds", "how long to listen")
	f.Var(&o.coherence, "coherence", "how well the inputs must follow each other for a frequency to be believed, 0 to 1")
	f.BoolVar(&o.connected, "amplifier-connected", false, "an amplifier drives the load, and you have checked what the caution says")
	f.Var(&o.fullScale, "full-scale-volt", "peak volts at the inputs that are full scale; tells the level at the load")
	f.Var(&o.probe, "probe-ratio", "what the probes before both inputs divide by")
	f.Lookup("full-scale-volt").DefValue = ""
	seldom(f, "seconds", "coherence", "amplifier-connected", "full-scale-volt", "probe-ratio")
}

// fullScaleVolt returns the volts at the load that are full scale, 0 when
// unknown.
func (o materialOptions) fullScaleVolt() float64 { return float64(o.fullScale) * float64(o.probe) }

// The kinds of program material.
const (
	listen  = "listen"
	wavFile = "FILE.wav"
)

// heard reports whether the flags choose program material.
func (o signalOptions) heard() bool { return o.class() == listen || o.class() == wavFile }

// class returns the kind of signal, of which all WAV files are one.
func (o signalOptions) class() string {
	if strings.EqualFold(filepath.Ext(o.kind), ".wav") {
		return wavFile
	}
	return o.kind
}

// checkMaterial returns what is wrong with the flags for that source.
func (o signalOptions) checkMaterial(s sourceOptions) error {
	m := o.material
	switch {
	case o.given("seconds") && s.replay != "":
		return errors.New("--seconds is not for a recording (--replay), which is as long as it is")
	case o.given("probe-ratio") && m.fullScale == 0:
		return errors.New("--probe-ratio says nothing without --full-scale-volt, the peak volts at the inputs that are full scale")
	case s.live() && !m.connected:
		return fmt.Errorf("--signal %s measures while an amplifier drives the load, so it asks for --amplifier-connected; give it when one side of the output is grounded (not bridged, not floating), attenuating probes stand before both inputs, and no plug can leave the load open", o.kind)
	}
	if o.class() == listen {
		_, err := o.makeMaterial()
		return err
	}
	return nil
}

// mostSound is how many bytes of program material are taken into memory: an hour in
// stereo, 24 bits at 48 kHz.
const mostSound = 1 << 30

func (o signalOptions) makeMaterial() (signal.Signal, error) {
	b := signal.Band{LowHz: float64(o.low), HighHz: float64(o.high), Coherence: float64(o.material.coherence)}
	if o.class() == listen {
		return signal.NewListen(o.rate, float64(o.material.seconds), b)
	}
	data, err := infile.ReadFile(o.kind, mostSound)
	if err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", o.kind, plainPath(err))
	}
	w, err := card.ReadWAV(bytes.NewReader(data))
	switch {
	case err != nil:
		return nil, fmt.Errorf("cannot play %s: %w", o.kind, err)
	case w.Truncated:
		return nil, fmt.Errorf("%s is cut short: it holds %d of the %d frames that its header states; copy it again", o.kind, w.Frames(), w.StatedFrames)
	case w.Frames() == 0:
		return nil, fmt.Errorf("%s holds no sound", o.kind)
	case o.given("rate") && o.rate != w.RateHz:
		return nil, fmt.Errorf("%s is at %d Hz and --rate says %d Hz: nothing is resampled; leave --rate away, or make the file anew at that rate", o.kind, w.RateHz, o.rate)
	}
	sum := sha256.Sum256(data)
	return signal.NewProgram(w.RateHz, filepath.Base(o.kind), hex.EncodeToString(sum[:]), w.Samples[0], o.level().fraction(), b)
}

// connectedCaution stands before every measurement with an amplifier.
const connectedCaution = "caution: an amplifier is connected. Its output must be grounded on one side: a bridged or floating one must not meet the grounded inputs of a sound card. " +
	"Take both voltages through attenuating probes of one ratio. Never let the load go open: plug and unplug with the amplifier off. " +
	"Valve amplifiers hold lethal voltage, after switch-off too. Start quiet; the amplifier maker's instructions, local codes and licensed practice come first."

// part is a flag for a number between 0 and 1.
type part float64

func (p *part) Set(s string) error {
	return setNumber((*float64)(p), s, quantity.Count, func(v float64) bool { return v > 0 && v < 1 }, "must be a number above 0 and below 1, such as 0.95")
}
func (p *part) Type() string   { return "c" }
func (p *part) String() string { return quantity.Plain(float64(*p)) }

// times is a flag for a ratio of 1 or more: "10", "10x".
type times float64

func (t *times) Set(s string) error {
	return setNumber((*float64)(t), s, quantity.Times, func(v float64) bool { return v >= 1 && v <= 1e4 }, "must be a number of 1 to 10000, such as 10")
}
func (t *times) Type() string   { return "n" }
func (t *times) String() string { return quantity.Plain(float64(*t)) }
