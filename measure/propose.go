package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/signal"
)

const (
	levelTarget = 0.5   // peak of an input, 6 dB below clipping
	levelMost   = 0.708 // peak of the output: its own stage may not reach full scale cleanly
	smallSignal = 1.0   // V rms at the load

	// A level is tried so much louder than it is proposed, since no two signals
	// have the same peaks, and taken down by so much where something clipped.
	triedAbove, stepDown = 1.0, 3.0 // dB
	trialSeconds         = 1.0      // period
	trialLowHz           = 20.0
)

// expectedEnds are the ends that may stand for what is expected; a load may be
// anything else.
var expectedEnds = map[Expected]jig.EndKind{ExpectOpen: jig.OpenEnd, ExpectShort: jig.ShortEnd}

// As reports whether an end of that kind is what is expected.
func (e Expected) As(end jig.EndKind) bool {
	if want, one := expectedEnds[e]; one {
		return end == want
	}
	return end != jig.OpenEnd && end != jig.ShortEnd
}

// without returns err unless it is a fault that says no more than that what is
// expected is there. A short of no ohms at all leaves the second input nothing.
func (e Expected) without(err error) error {
	var fault *card.Fault
	if !errors.As(err, &fault) {
		return err
	}
	switch {
	case e == ExpectOpen && (fault.Cause == card.OpenLoad || fault.Cause == card.Swapped),
		e == ExpectShort && (fault.Cause == card.ShortedLoad || fault.Cause == card.DeadInput):
		return nil
	}
	return err
}

// look keeps what is connected.
func (c *Checked) look(s CheckSetup, h hearing) {
	e := s.Jig.End(h.ratio.Points)
	c.Looks = &e
}

// judge looks at all levels together, and at what is connected.
func (c *Checked) judge(s CheckSetup, heard []hearing) {
	last := heard[len(heard)-1]
	if atFull := last.ratio.Seen.Signal / last.peak; atFull < lowWorthSaying {
		c.add("low-level", Problem, "turn the output or the input up, or check the lead between them",
			"input %d is too quiet: with the output at full scale it would hear %.0f dB of full scale, %.0f dB are needed", last.inputs[0], decibels(atFull), decibels(lowWorthSaying))
	}
	c.look(s, last)
	want, one := expectedEnds[s.Expect]
	switch e := *c.Looks; {
	case one && !s.Expect.As(e.Kind):
		c.add("not-"+s.Expect.String(), Problem, map[Expected]string{
			ExpectOpen:  "take everything off the clamps, or leave out --expect",
			ExpectShort: "put a short thick wire from clamp to clamp, or leave out --expect",
		}[s.Expect], "this looks like %s, not like %s", e, jig.End{Kind: want})
	case one:
		if s.Expect == ExpectShort && !follow(last.ratio) {
			c.add("silent-short", Caution, "take the wire off and check again: a lead that is on hears the signal then",
				"input %d hears nothing at all: a short without any resistance, or its lead is off", last.inputs[1])
		}
	case s.Known.Ohm > 0 && !(e.Kind == jig.ShortEnd && s.Known.Ohm > 2):
		c.known(s, last)
	case e.Kind == jig.OpenEnd:
		c.add(card.OpenLoad.String(), Problem, "check plug, lead and jack of the load; use a larger sense resistor for a load of that many ohms, or say --expect open where nothing is meant to be connected",
			"this looks like an open end, not a load: the load takes hardly any current")
	case e.Kind == jig.ShortEnd:
		c.add(card.ShortedLoad.String(), Problem, "check for a short in plug, lead and box, and the lead to the second input, or say --expect short where a wire is meant to be connected",
			"this looks like a short of %.2g ohm, not a load", e.Ohm)
	case barelyLoads(last.ratio):
		c.add("barely-loads", Caution, "check its plug, and use a larger sense resistor for a load as high as that", barelyText)
	}
}

// propose finds a level, and plays it before it proposes it.
func (c *Checked) propose(ctx context.Context, s CheckSetup, heard []hearing) error {
	last := heard[len(heard)-1]
	c.Level = levelMost
	for _, p := range last.peaks {
		c.Level = min(c.Level, levelTarget*last.peak/p)
	}
	if s.FullScaleVolt > 0 {
		if p := last.peaks[1] / last.peak; p > 0 {
			c.Level = min(c.Level, smallSignal*math.Sqrt2/(p*s.FullScaleVolt))
		}
	} else {
		c.add("volts-unknown", Remark, "with --full-scale-volt, the volts at the inputs that are full scale, it is kept below 1 V rms",
			"the voltage at the load is not known, so the proposed level only keeps the inputs from clipping")
	}
	if c.found(levelDependent) {
		quiet := heard[0].peak
		for k := len(heard) - 1; k > 0; k-- {
			if d, all := differing(heard[0], heard[k]); 20*d <= all {
				quiet = heard[k].peak
				break
			}
		}
		c.Level = min(c.Level, quiet)
	}
	return c.tryLevel(ctx, s, last)
}

// tryLevel plays a sweep at the level that is to be proposed, and lowers that
// until nothing clips. What was heard before did not.
func (c *Checked) tryLevel(ctx context.Context, s CheckSetup, last hearing) error {
	for first := c.LevelDB(); ; {
		peak := math.Pow(10, (c.LevelDB()+triedAbove)/20)
		if peak <= last.peak {
			return nil
		}
		sig, err := signal.NewChirp(signal.ChirpOptions{RateHz: s.RateHz, LowHz: trialLowHz, HighHz: checkHigh(s.RateHz), Peak: peak, PeriodSeconds: trialSeconds})
		if err != nil {
			return err
		}
		rec, fault, err := c.play(ctx, s, sig.Samples())
		if err != nil {
			return err
		}
		if fault == nil {
			if err := rec.Check(ctx); err != nil && !errors.As(err, &fault) {
				return err
			}
		}
		switch {
		case fault == nil:
			if c.LevelDB() < first {
				c.add("clips", Remark, "lower the gain of that input, or the output, for a louder signal and less noise",
					"an input clips, although it is not at full scale, with the output at %.0f dB of full scale; the proposed level stays clear of that", first+triedAbove)
			}
			return nil
		case fault.Cause == card.Clipped:
			c.Level = math.Pow(10, (c.LevelDB()-stepDown)/20)
		default:
			c.add(fault.Cause.String(), Problem, remedy(s.Card, fault.Cause.String(), fault.Advice), "%s, with the output at %.0f dB of full scale", fault.Text, decibels(peak))
			return nil
		}
	}
}

// checkHigh is how high the chirps of a check go.
func checkHigh(rateHz int) float64 { return min(signal.DefaultHighHz, 0.4*float64(rateHz)) }

// known compares the known resistor with what it measures as.
func (c *Checked) known(s CheckSetup, h hearing) {
	e := *c.Looks
	if e.Kind == jig.LoudspeakerEnd || e.Kind == jig.UnclearEnd {
		c.add("not-a-resistor", Problem, "plug in the known resistor instead of the load, or leave out --known-ohm",
			"this looks like %s, not a known resistor of %.4g ohm", e, s.Known.Ohm)
		return
	}
	ohms := make([]float64, len(h.ratio.Points))
	for i, p := range h.ratio.Points {
		ohms[i] = s.Jig.Ohms(p)
	}
	slices.Sort(ohms)
	got, want, sense := ohms[len(ohms)/2], s.Known.Ohm, s.Jig.SenseOhm
	allowed := s.Known.Tolerance + s.Jig.Allows(want)
	if off := got/want - 1; math.Abs(off) > allowed {
		c.add("sense-resistor", Problem, fmt.Sprintf("measure both with a meter; if the inputs have the same gain, the known resistor is %.3g ohm, or the sense resistor is %.3g ohm", got, sense*want/got),
			"the known %.4g ohm read %.4g ohm, %+.1f %% off where the stated tolerances allow %.1f %%: the known resistor is not %.4g ohm, the sense resistor is not %.4g ohm, or the inputs' gains differ", want, got, 100*off, 100*allowed, want, sense)
	}
}
