package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/card"
	"tapload/measure/ratio"
	"tapload/measure/signal"
)

// checkPeaks are the peaks of the chirps of a check, from quiet to as loud as
// it gets: -40, -28 and -16 dB of full scale.
var checkPeaks = [...]float64{0.01, 0.0398, 0.1585}

const (
	silenceSeconds = 1.5
	checkSeconds   = 0.5 // period of a chirp
	checkLowHz     = 40.0

	// overSilence is how far V1 must rise over what it is in silence for a
	// chirp to be judged.
	overSilence = 3.0

	offsetWorthSaying = 0.05 // DC, fraction of full scale
	noiseWorthSaying  = 3e-3 // rms, -50 dB
	humTooLoud        = 0.1  // amplitude, from which hum takes too much of the inputs' range
	gainSteady        = 0.06 // relative change of V1 over the level played, 0.5 dB
	clearBelow        = 0.25 // noise and hum over the signal, rms, up to which the signal's level is trusted
	ratioSure         = 6.0  // times its standard deviation that a change of the ratio must have
	ratioSteady       = 0.02 // relative change of V2/V1 between levels, at one frequency
)

// Check listens to the silence, then plays a short chirp at two or three
// levels, and says what is wrong with card, jig and leads and what is connected.
// It goes no louder once something is wrong. At last it plays at the level that
// it proposes. An error is a card that cannot be used at all.
func Check(ctx context.Context, s CheckSetup) (Checked, error) {
	if s.RateHz == 0 {
		s.RateHz = signal.DefaultRateHz
	}
	c := Checked{Expected: s.Expect}
	if err := c.silence(ctx, s); err != nil || !c.Pass() {
		return c, err
	}
	var heard []hearing
	for i, peak := range checkPeaks {
		h, fault, err := c.listen(ctx, s, peak)
		last := i+1 == len(checkPeaks)
		switch {
		case err != nil:
			return c, err
		case !last && (unheard(fault, h) || h.level < overSilence*c.rest):
			continue // what is buried in noise and hum tells nothing and is no reason not to go on
		case fault != nil:
			// What a gain that moves does to one level may look like a fault of
			// the jig.
			if h.ratio.Points != nil {
				if fault.Cause == card.OpenLoad || fault.Cause == card.ShortedLoad {
					c.look(s, h)
				}
				if c.gate(s, h); c.Pass() {
					c.compare(s, append(heard, h))
				}
				if !c.Pass() {
					return c, nil
				}
			}
			advice := remedy(s.Card, fault.Cause.String(), fault.Advice)
			if fault.Cause == card.NoSignal || fault.Cause == card.Dropout {
				// Some processing leaves no better trace.
				advice += "; or " + remedy(s.Card, card.EchoCancel, "turn off echo cancelling, "+noiseAndGain)
			}
			c.add(fault.Cause.String(), Problem, advice, "%s, with the output at %.0f dB of full scale", fault.Text, decibels(peak))
			return c, nil
		}
		if n := h.ratio.Seen.Late; n > 0 && !c.found(lateBlocks) {
			c.add(lateBlocks, Caution, "close other programs or choose a larger buffer, before one is lost that counts",
				"%s, just before or after a chirp", lateText(n))
		}
		heard = append(heard, h)
		if c.compare(s, heard); !c.Pass() {
			return c, nil
		}
	}
	if c.gate(s, heard[len(heard)-1]); c.Pass() {
		c.judge(s, heard)
	}
	if c.Pass() {
		if err := c.propose(ctx, s, heard); err != nil {
			return c, err
		}
	}
	if !c.Pass() {
		c.Level = 0
	}
	return c, nil
}

// unheard reports whether a fault says no more than that a chirp was too quiet, in
// the second input as a short leaves it.
func unheard(fault *card.Fault, h hearing) bool {
	return fault != nil && (fault.Cause == card.NoSignal || fault.Cause == card.DeadInput && h.ratio.Points != nil)
}

// gateShut is the part of its level below which a chirp has not come through.
const gateShut = 0.7

// gate looks for a chirp that was quieter than it should have been by what the
// loudest came to: noise can only have made it louder.
func (c *Checked) gate(s CheckSetup, last hearing) {
	for _, p := range c.plain {
		if want := last.ratio.Seen.Signal * p.peak / last.peak; p.rms < gateShut*want {
			c.heard(s, card.AutomaticGain.String(), Problem, processing,
				"quiet sound does not come through: of a chirp at %.0f dB of full scale input %d heard %.0f dB, and should have heard %.0f dB: a noise gate or noise suppression",
				decibels(p.peak), last.inputs[0], decibels(p.rms), decibels(want))
			return
		}
	}
}

func decibels(x float64) float64 { return 20 * math.Log10(x) }

// heard adds a finding of what the sound itself shows. Where the sound system
// said it already, its words stay, and count no less.
func (c *Checked) heard(s CheckSetup, code string, severity Severity, advice, format string, args ...any) {
	for i := range c.Findings {
		if f := &c.Findings[i]; f.Code == code {
			f.Severity = max(f.Severity, severity)
			return
		}
	}
	c.add(code, severity, remedy(s.Card, code, advice), format, args...)
}

// plain is a chirp as V1 heard it, before anything is taken off.
type plain struct {
	peak float64 // of what was played
	rms  float64 // of V1 while it played, noise and all
}

// hearing is what came of one level.
type hearing struct {
	peak   float64    // of what was played
	level  float64    // rms of V1
	peaks  [2]float64 // of what was recorded
	inputs [2]int
	ratio  ratio.Ratio
}

// play plays x, and asks meanwhile what the way does to sound. A fault of the
// recording is a finding, one of the card an error.
func (c *Checked) play(ctx context.Context, s CheckSetup, x []float64) (card.Recording, *card.Fault, error) {
	way := askWhilePlaying(s.Card)
	r, err := s.Card.Play(ctx, card.Output{RateHz: s.RateHz, Channels: [][]float64{x}, Progress: way.progress(ctx, s.RateHz, s.Progress)})
	c.alterations(way.answer())
	var fault *card.Fault
	if errors.As(err, &fault) && (fault.Cause == card.LostBlocks || fault.Cause == card.Dropout) {
		return r, fault, nil
	}
	return r, nil, err
}

// silence plays nothing and finds noise, hum and offset.
func (c *Checked) silence(ctx context.Context, s CheckSetup) error {
	rec, fault, err := c.play(ctx, s, make([]float64, int(silenceSeconds*float64(s.RateHz))))
	if err != nil {
		return err
	}
	if fault == nil {
		// Without a sound an input may well stay at one value.
		if err := rec.Check(ctx); errors.As(err, &fault) && fault.Cause == card.NoSignal {
			fault = nil
		}
	}
	if fault == nil {
		errors.As(rec.Lost(0, len(rec.V1)), &fault)
	}
	if fault != nil {
		c.add(fault.Cause.String(), Problem, fault.Advice, "%s, in silence", fault.Text)
		return nil
	}
	q, err := listenTo(ctx, rec)
	if err != nil {
		return err
	}
	c.Noise, c.HumHz, c.Hum, c.rest = q.noise, q.humHz, q.hum, card.RMS(rec.V1)
	if same(rec) {
		c.heard(s, card.SameSignal.String(), Problem,
			"the card may be recording in mono, or joins both channels, as for a microphone: choose a stereo line input",
			"inputs %d and %d of %s carry the same signal, its noise and all", rec.Inputs[0], rec.Inputs[1], rec.Source)
		return nil
	}
	for ch, offset := range q.offset {
		if math.Abs(offset) > offsetWorthSaying {
			c.add("offset", Caution, "it takes away from the range of the input; look for a missing coupling capacitor or a fault of the card",
				"input %d has a DC offset of %.1f %% of full scale", rec.Inputs[ch], 100*offset)
		}
		if q.noise[ch] > noiseWorthSaying {
			c.add("noise", Caution, "turn off what hisses, turn the input's gain down, or repeat the sweep more often",
				"input %d has noise of %.0f dB of full scale", rec.Inputs[ch], decibels(q.noise[ch]))
		}
	}
	if q.hum > humWorthSaying {
		severity := Caution
		if q.hum > humTooLoud {
			severity = Problem
		}
		c.add("hum", severity, "look for a ground loop or an open lead near a mains transformer; the sweep takes out what is left",
			"hum of %.1f Hz and its harmonics, up to %.0f dB of full scale", q.humHz, decibels(q.hum))
	}
	if course, ok := newCourse(rec, q.humHz); ok {
		c.course(s, course)
	}
	return nil
}

const (
	noiseAndGain = "automatic gain, noise suppression and every enhancement of input and output"
	processing   = "turn off " + noiseAndGain
)

// course adds what the silence shows as it goes on.
func (c *Checked) course(s CheckSetup, q course) {
	if w := q.wall(s.RateHz); w.hz > 0 {
		c.heard(s, card.Resampled, Caution, oneRate, "what the inputs hear %s", w.words(s.RateHz))
		q.to = int(noiseUnder * w.hz / q.line)
	}
	part, flickers := q.restless()
	alike, over, plays := q.others(flickers)
	db, creeps := q.creep()
	switch {
	case plays && alike:
		c.heard(s, card.Mixed, Problem, "close what plays, turn system sounds off, and keep the bench quiet: a loudspeaker hears as well",
			"something else is playing: in silence both inputs hear a sound that comes and goes, up to %.0f dB over the noise", over)
	case creeps:
		c.heard(s, card.AutomaticGain.String(), Problem, processing,
			"the noise changes in silence, by %+.0f and %+.0f dB: automatic gain, a gate or noise suppression", db[0], db[1])
	case flickers:
		c.heard(s, card.AutomaticGain.String(), Problem, processing,
			"the noise flickers in silence, at %.0f %% of the frequencies each moment: noise suppression", 100*part)
	case plays:
		c.heard(s, card.Mixed, Caution, "close what plays, turn system sounds off, and move every lead to find one that crackles",
			"in silence one input hears a sound that comes and goes, up to %.0f dB over the noise", over)
	}
}

const oneRate = "set the program, the sound server and the card to one rate, and turn off every processing of a microphone"

// same reports whether both inputs carry one signal, sample for sample. Two
// converters never have the same noise; two that hear nothing at all may.
func same(rec card.Recording) bool {
	moves := false
	for i, v := range rec.V1 {
		if v != rec.V2[i] {
			return false
		}
		moves = moves || v != rec.V1[0]
	}
	return moves
}

// listen plays a chirp of the given peak.
func (c *Checked) listen(ctx context.Context, s CheckSetup, peak float64) (h hearing, fault *card.Fault, err error) {
	sig, err := signal.NewChirp(signal.ChirpOptions{RateHz: s.RateHz, LowHz: checkLowHz, HighHz: checkHigh(s.RateHz), Peak: peak, PeriodSeconds: checkSeconds})
	if err != nil {
		return h, nil, err
	}
	rec, fault, err := c.play(ctx, s, sig.Samples())
	if err != nil || fault != nil {
		return h, fault, err
	}
	c.plain = append(c.plain, plain{peak, card.RMS(rec.V1) * math.Sqrt(float64(len(rec.V1))/float64(sig.Frame().Len()))})
	h = hearing{peak: peak, level: card.RMS(rec.V1), peaks: [2]float64{largest(rec.V1), largest(rec.V2)}, inputs: rec.Inputs}
	err = rec.Check(ctx)
	if err == nil {
		h.ratio, err = ratio.Of(ctx, rec, sig)
	}
	if fault := cancelled(rec, sig, err); fault != nil {
		return h, fault, nil
	}
	if err == nil {
		if w := signalWall(ctx, rec, sig, c.Noise[0]); w.hz > 0 {
			c.heard(s, card.Resampled, Problem, oneRate, "what is played %s", w.words(s.RateHz))
		}
		err = c.beside(h)
	}
	if err == nil {
		err = s.Expect.without(plausible(h.ratio, s.Jig, rec))
	}
	if errors.As(err, &fault) && fault.Cause == card.NoSignal && h.level > remains*c.rest {
		fault = &card.Fault{
			Cause: card.EchoCancelled, Advice: fault.Advice,
			Text: fmt.Sprintf("input %d hears something at %.0f dB of full scale while the test signal plays, and it is not the signal: an echo canceller leaves such a rest", rec.Inputs[0], decibels(h.level)),
		}
	}
	if errors.As(err, &fault) {
		return h, fault, nil
	}
	return h, nil, err
}

func largest(x []float64) (m float64) {
	for _, v := range x {
		m = max(m, math.Abs(v))
	}
	return m
}

const (
	besideMost  = 1.6  // times the noise in silence that the noise beside a signal may be, or less by
	besideLeast = 3e-5 // rms, one step of 16 bits: noise below it depends on how it is rounded
	besideHum   = 5e-3 // of the amplitude of hum: what is left of it where it was taken out
	remains     = 4.0  //  times what V1 is in silence that the rest of a signal comes to
)

// beside returns a fault when the noise beside the first signal that is heard
// is not the noise of silence, in both inputs. Louder signals may make noise of
// their own, in a load that rattles.
func (c *Checked) beside(h hearing) error {
	if c.besides++; c.besides > 1 {
		return nil
	}
	least := max(besideLeast, besideHum*c.Hum)
	var change [2]float64
	for ch, n := range h.ratio.Seen.NoiseFloor {
		change[ch] = max(n, least) / max(c.Noise[ch], least)
	}
	what := "a noise gate or noise suppression"
	switch {
	case min(change[0], change[1]) > besideMost:
	case max(change[0], change[1]) < 1/besideMost:
		what = "automatic gain"
	default:
		return nil
	}
	return &card.Fault{
		Cause: card.AutomaticGain, Advice: processing,
		Text: fmt.Sprintf("the noise beside the signal is %+.0f and %+.0f dB from that in silence: %s", decibels(change[0]), decibels(change[1]), what),
	}
}

// clear reports whether noise and hum are so far below the signal that its
// level is known to a percent.
func (h hearing) clear() bool {
	seen := h.ratio.Seen
	rest := seen.NoiseFloor[0] * seen.NoiseFloor[0]
	for _, l := range seen.Mains {
		rest += l.Peak[0] * l.Peak[0] / 2
	}
	return math.Sqrt(rest) < clearBelow*seen.Signal
}

// compare looks for gains that depend on the level, in the last of those heard
// against the first that was clear.
func (c *Checked) compare(s CheckSetup, heard []hearing) {
	advice := remedy(s.Card, card.AutomaticGain.String(), processing)
	i := slices.IndexFunc(heard, hearing.clear)
	if i < 0 {
		return
	}
	first, h := heard[i], heard[len(heard)-1]
	change := (h.ratio.Seen.Signal/h.peak)/(first.ratio.Seen.Signal/first.peak) - 1
	if math.Abs(change) > gainSteady {
		c.add(card.AutomaticGain.String(), Problem, advice,
			"the gain depends on the level: with the output up by %.0f dB the input rises by %.1f dB",
			decibels(h.peak/first.peak), decibels(h.peak/first.peak*(1+change)))
		return
	}
	different, all := differing(first, h)
	switch {
	case 2*different > all:
		c.add(card.AutomaticGain.String(), Problem, advice,
			"the ratio of the inputs depends on the level, at %d of %d frequencies: the two inputs do not keep one gain each", different, all)
	case 20*different > all && !c.found(levelDependent):
		c.add(levelDependent, Caution, "measure no louder than the proposed level",
			"the load is not linear: its impedance changes with the level at %d of %d frequencies when the output rises to %.0f dB of full scale", different, all, decibels(h.peak))
	}
}

const levelDependent = "level-dependent"

// found reports whether a finding has that code.
func (c Checked) found(code string) bool {
	return slices.ContainsFunc(c.Findings, func(f Finding) bool { return f.Code == code })
}

// differing counts the frequencies at which two ratios differ beyond doubt.
func differing(a, b hearing) (different, all int) {
	at := map[float64]ratio.Point{}
	for _, p := range a.ratio.Points {
		at[p.Hz] = p
	}
	for _, p := range b.ratio.Points {
		q, ok := at[p.Hz]
		if !ok {
			continue
		}
		all++
		d := cmplx.Abs(p.G - q.G)
		u := math.Sqrt(p.Noise.RR + p.Noise.II + q.Noise.RR + q.Noise.II)
		if d > ratioSteady*cmplx.Abs(q.G) && d > ratioSure*u {
			different++
		}
	}
	return different, all
}
