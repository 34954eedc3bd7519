package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/measure/card"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
	"tapload/measure/signal"
	"tapload/plot/report"
)

type stimulusOptions struct {
	out    string
	bits   wordLength
	signal signalOptions
	json   bool

	changed string // signal flags that differ from their defaults, as typed
}

func newStimulus(e env) *cobra.Command {
	o := stimulusOptions{bits: wordLength{24, false}}
	c := &cobra.Command{
		Use:   "stimulus -o FILE.wav",
		Short: "Write the test signal as a WAV file, to play anywhere",
		Long: `Write the test signal as a mono WAV file, to play and record with any player
and recorder. "tapload sweep --replay" with the same signal flags makes a curve
of the recording.`,
		Example: `  tapload stimulus -o stim.wav
  tapload stimulus -o stim.wav --rate 44100 --bits 16 --level -20`,
		RunE: func(c *cobra.Command, _ []string) error {
			if o.out == "" {
				return usage(c, errors.New("say where the signal goes with -o FILE.wav"))
			}
			if !strings.EqualFold(filepath.Ext(o.out), ".wav") {
				return usage(c, fmt.Errorf("-o %s: the signal is a WAV file; its name ends in .wav", oneline.Quote(o.out)))
			}
			sig, err := o.signal.make(c.Context())
			if err != nil {
				return cmp.Or(c.Context().Err(), usage(c, err))
			}
			if err := o.bits.holds(o.signal.level()); err != nil {
				return usage(c, err)
			}
			o.changed = changedFlags(c.Flags(), "signal", "low", "high", "level", "periods", "period", "points-per-octave", "dwell", "settle")
			return stimulus(e, o, sig)
		},
	}
	f := c.Flags()
	f.StringVarP(&o.out, "output", "o", "", "`file` to write")
	f.Var(&o.bits, "bits", "word length: 16, 24, or 32f for floating point")
	o.signal.registerSignal(f)
	f.BoolVar(&o.json, "json", false, "print the law of the signal as JSON")
	return c
}

func stimulus(e env, o stimulusOptions, sig signal.Signal) error {
	law, err := json.Marshal(sig)
	if err != nil {
		return fmt.Errorf("writing down the law of the signal: %w", err)
	}
	wav := card.WAV{RateHz: sig.Rate(), Bits: o.bits.bits, Float: o.bits.float, Samples: [][]float64{sig.Samples()}}
	err = e.write(file{Path: o.out, Force: true, Write: func(w io.Writer) error { return card.WriteWAV(w, wav) }})
	if err != nil {
		return err
	}
	length := float64(wav.Frames()) / float64(wav.RateHz)
	result := struct {
		File    string          `json:"file"`
		Seconds float64         `json:"seconds"`
		Signal  json.RawMessage `json:"signal"`
	}{o.out, length, law}
	page := report.Document{
		Lead: fmt.Sprintf("%s: %.1f s at %d Hz, %s", o.out, length, wav.RateHz, o.bits.words()),
		Sections: []report.Section{{Pieces: []report.Piece{
			report.Table{Rows: [][]string{
				{"wire", "output - sense resistor - load - ground, with no amplifier connected"},
				{"record", fmt.Sprintf("a two-channel WAV at %d Hz: channel 1 before the resistor, channel 2 at the load; begin before the signal and end after it, with all effects, automatic gain and resampling off", wav.RateHz)},
			}},
			report.Lines{"tapload sweep --replay REC.wav" + o.changed + " -o LOAD" + recordSuffix},
		}}},
	}
	return answer{json: o.json}.show(e, result, page, nil)
}

// changedFlags returns those of the named flags that were given, ready to be
// typed again.
func changedFlags(f *pflag.FlagSet, names ...string) string {
	var b strings.Builder
	for _, name := range names {
		if flag := f.Lookup(name); flag.Changed {
			fmt.Fprintf(&b, " --%s %s", name, flag.Value)
		}
	}
	return b.String()
}

// wordLength is a flag for the samples of a WAV file: "16", "24", "32f".
type wordLength struct {
	bits  int
	float bool
}

func (l *wordLength) Set(s string) error {
	known, is := map[string]wordLength{"16": {16, false}, "24": {24, false}, "32f": {32, true}}[s]
	if !is {
		return errors.New("must be 16, 24 or 32f")
	}
	*l = known
	return nil
}
func (l *wordLength) Type() string { return "n" }
func (l *wordLength) String() string {
	if l.float {
		return fmt.Sprintf("%df", l.bits)
	}
	return fmt.Sprint(l.bits)
}

// fewestSteps is how many steps of the word length the loudest sample of a test
// signal has at least. On the virtual bench a chirp of 2 still gave the curve that 24
// bits give: rounding repeats with the signal, and both inputs hear it.
const fewestSteps = 4

// holds returns an error where words of that length have too few steps for a signal of
// that level.
func (l wordLength) holds(level decibel) error {
	full := math.Ldexp(1, l.bits-1)
	if l.float || level.fraction()*full >= fewestSteps {
		return nil
	}
	return fmt.Errorf("--bits %d, --level %s: the loudest sample is %s of a step of %d bits, and has to be %d or more; write --bits 24, or a --level of %.0f or more",
		l.bits, level.String(), quantity.Digits(level.fraction()*full, 2), l.bits, fewestSteps, math.Ceil(toDecibel(fewestSteps/full)))
}

func (l wordLength) words() string {
	if l.float {
		return fmt.Sprintf("%d-bit floating point", l.bits)
	}
	return fmt.Sprintf("%d bit", l.bits)
}
