package ratio

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sort"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/signal"
)

// Heard is what program material showed beside the ratio.
type Heard struct {
	Coherence []float64    // of the two voltages at each point, 0 to 1
	Power2    []float64    // mean square of V2 in the cell of each point, full scale squared
	Peak2     float64      // largest magnitude of V2 about its mean, fraction of full scale
	LeftOut   [][2]float64 // ranges without a point, hertz
}

// ClockSource is the kind with which the ID of what the recorder's clock leaves unsure
// begins: nothing in program material tells how fast it is.
const ClockSource = "clock"

const (
	// clockOff is the standard uncertainty of a card's clock, as a part: a crystal of
	// 50 ppm (common practice, no source).
	clockOff = 3e-5

	silentBelow = 2e-4 // rms of both inputs where nothing is played
	deadBelow   = 1e-3 // of the louder input, where one input hears nothing

	humSkip   = 2.0  // bins of a cross-spectrum on either side of hum that are left out
	humWander = 2e-4 // by which hum may wander, as a fraction, likewise
)

// longest is the longest recording, in samples, that is worked on as one, and
// not in segments: a minute and a half at 48 kHz.
const longest = 1 << 22

// hearing is what is taken from the samples of program material.
type hearing struct {
	cells   []heard // with the lines fitted
	spectra []welch // of windows, longest first
	tones   []hum.Tone
	level   [2]float64
	peak2   float64
	id      string
}

// ofMaterial estimates the ratio from whatever sounds in a recording, which is not
// held as a whole if it is longer than so many samples. Both inputs are of
// one recorder: no other clock has a part in it.
//
// The ratio of a cell is that of the lines which the transform of the whole
// recording has in it, see whole, for music is no longer than that: windows would
// cut notes and ringing loads short. What differs from V2 = G V1 in those lines,
// beside the smooth curve through the cells about, is noise, whatever makes it, and
// gives the variance. For a constant spectrum that is the known
//
//	var |G| = |G|^2 (1 - c)/(2 n c),
//
// with c the coherence and n the number of lines (J. S. Bendat, A. G. Piersol,
// Random Data, from memory).
//
// What has to be seen in time is seen in averaged cross-spectra of windows: what
// noise V1 has, which would pull the ratio down, what else sounds, what drifts and
// what bends.
func ofMaterial(ctx context.Context, sound card.Sound, sig signal.Material, longest int) (Ratio, error) {
	rec, band, samples := sound.About(), sig.Band(), sound.Frames()
	rate := float64(rec.RateHz)
	periodHz := rate / float64(signal.PeriodNear(rec.RateHz, signal.DefaultSeconds))
	// The middles of the cells are those of a chirp with all its defaults.
	lines, first, end := grid(min(band.LowHz, signal.DefaultLowHz), band.HighHz, periodHz, int(rate/2/periodHz))
	for (float64(lines[first].hi)+0.5)*periodHz <= band.LowHz {
		first++
	}
	lines = lines[first:end]

	// The longest windows must tell the lowest cells from each other.
	lowest := lines[0].middle() * periodHz
	resolve := 1 / (lowest * (math.Exp2(1.0/PointsPerOctave) - 1))
	seconds := float64(samples) / rate
	if seconds*shareOfTime < resolve {
		return Ratio{}, &card.Fault{
			Cause:  card.TooShort,
			Text:   fmt.Sprintf("%.1f s of sound are too short for %.4g Hz, which needs at least %.0f s", seconds, band.LowHz, math.Ceil(resolve/shareOfTime)),
			Advice: fmt.Sprintf("record for longer, or measure from %.0f Hz on with --low", math.Ceil(lowest*resolve/(seconds*shareOfTime))),
		}
	}
	if err := rec.Lost(0, samples); err != nil {
		return Ratio{}, err
	}
	cells := make([]heard, len(lines))
	for i, c := range lines {
		cells[i] = heard{cell: c, middleHz: c.middle() * periodHz, widthHz: float64(c.lines()) * periodHz}
	}
	var s hearing
	var err error
	if samples <= longest {
		s, err = atOnce(ctx, sound, band, cells, periodHz)
	} else {
		s, err = inSegments(ctx, sound, band, cells, periodHz, longest)
	}
	if err != nil {
		return Ratio{}, err
	}
	if err := audible(s.level, rec); err != nil {
		return Ratio{}, err
	}
	return s.ratio(rec, band, seconds)
}

// atOnce hears a recording as a whole.
func atOnce(ctx context.Context, sound card.Sound, band signal.Band, cells []heard, periodHz float64) (s hearing, err error) {
	var v [2][]float64
	for ch := range v {
		v[ch] = make([]float64, 0, sound.Frames())
	}
	if err := sound.Pieces(ctx, func(v1, v2 []float64) error {
		v[0], v[1] = append(v[0], v1...), append(v[1], v2...)
		return nil
	}); err != nil {
		return s, err
	}
	rate := float64(sound.About().RateHz)
	s.id = identity(v[0], v[1])
	centre(v)
	if s.tones, err = hum.AgainstProgramme(ctx, v, rate, band.LowHz*humBelow, band.HighHz*humAbove); err != nil {
		return s, err
	}
	s.level = [2]float64{card.RMS(v[0]), card.RMS(v[1])}
	for _, x := range v[1] {
		s.peak2 = max(s.peak2, math.Abs(x))
	}
	if s.spectra, err = welches(ctx, v[0], v[1], lengths(cells, periodHz, rate, len(v[0])), rate); err != nil {
		return s, err
	}
	all, err := wholeOf(ctx, v[0], v[1], rate)
	if err != nil {
		return s, err
	}
	all.leaveHum(s.tones, s.spectra[0].binHz)
	s.cells = cells
	var bins []float64
	for _, w := range s.spectra {
		bins = append(bins, w.binHz)
	}
	for i := range cells {
		h := &cells[i]
		h.choose(bins)
		w := s.spectra[h.windows]
		h.leaveSteady(w, func(k int) cross { return w.all[k] }, w.windows, all)
		h.samples, h.rateHz = float64(all.samples), rate
	}
	var room inCell
	return s, fitAll(ctx, cells, func(i int) lined { return all.fit(&cells[i], &room) })
}

// ratio returns what was heard as a ratio.
func (s hearing) ratio(rec card.Recording, band signal.Band, seconds float64) (Ratio, error) {
	cells, mains := s.cells, humOf(s.tones)
	seen := Seen{Mains: s.tones, Level: s.level, Heard: &Heard{Peak2: s.peak2}}
	var best float64
	for i := range cells {
		h := &cells[i]
		h.listen(s.spectra, mains, seconds)
		best = max(best, h.coherence)
		h.believed = h.fitted && h.enough && h.coherence >= band.Coherence
		if h.believed {
			h.takeNoise(s.spectra, mains)
		}
	}
	coarse := make([]float64, len(cells))
	for i, h := range cells {
		coarse[i] = h.coarse
	}
	for i := range cells {
		cells[i].coarse = around(coarse, i, heardBand/2)
	}
	doubtHum(cells)
	g := Ratio{Seen: seen}
	drift := heardDrift(cells)
	if drift != nil {
		drift.atMiddle(cells)
		g.Seen.Drift = drift.found(drift.ohms)
	}
	doubtNotes(cells, drift)
	g.Seen.Moved = heardBending(cells, drift)
	clock := Shift{ID: ClockSource + ":" + s.id}
	for i, c := range cells {
		value, slope, cov, ok := middle(cells, i)
		if !ok {
			from, to := c.middleHz-c.widthHz/2, c.middleHz+c.widthHz/2
			if out := seen.Heard.LeftOut; len(out) > 0 && math.Abs(out[len(out)-1][1]-from) < c.widthHz/4 {
				out[len(out)-1][1] = to
			} else {
				seen.Heard.LeftOut = append(out, [2]float64{from, to})
			}
			continue
		}
		g.Points = append(g.Points, Point{Hz: c.middleHz, G: value, Noise: cov})
		clock.DG = append(clock.DG, slope*complex(c.middleHz*clockOff, 0))
		seen.Heard.Coherence = append(seen.Heard.Coherence, c.coherence)
		seen.Heard.Power2 = append(seen.Heard.Power2, c.power2)
	}
	if drift != nil {
		g.Shared = drift.shifts(g.Points, s.id, func(hz float64) moments {
			return cells[slices.IndexFunc(cells, func(h heard) bool { return h.middleHz == hz })].moments()
		})
	}
	g.Shared = append(g.Shared, clock)
	if len(g.Points) == 0 {
		return Ratio{}, &card.Fault{
			Cause:  card.NoSignal,
			Text:   fmt.Sprintf("nowhere do the two inputs of %s follow each other well enough: their coherence is %.2f at best, and %g is asked for", rec.Source, best, band.Coherence),
			Advice: "play louder or for longer, and check the leads of both inputs",
		}
	}
	return g, nil
}

// centre takes the mean out of each input.
func centre(v [2][]float64) {
	for _, x := range v {
		var mean float64
		for _, s := range x {
			mean += s / float64(len(x))
		}
		for i := range x {
			x[i] -= mean
		}
	}
}

// audible returns a Fault where one input or both heard nothing.
func audible(rms [2]float64, rec card.Recording) error {
	loud, quiet := 0, 1
	if rms[1] > rms[0] {
		loud, quiet = 1, 0
	}
	switch {
	case rms[loud] < silentBelow:
		return &card.Fault{
			Cause:  card.NoSignal,
			Text:   fmt.Sprintf("nothing was played: both inputs of %s are below %.0f dB of full scale", rec.Source, 20*math.Log10(silentBelow)),
			Advice: "play something while the recording runs, and check that the inputs are turned up",
		}
	case rms[quiet] < deadBelow*rms[loud]:
		return &card.Fault{
			Cause:  card.DeadInput,
			Text:   fmt.Sprintf("input %d does not hear what is played, input %d does", rec.Inputs[quiet], rec.Inputs[loud]),
			Advice: "check its lead, and that this input is switched on and turned up",
		}
	}
	return nil
}

// humAt holds the frequencies of hum in rising order, in hertz.
type humAt []float64

func humOf(tones []hum.Tone) (h humAt) {
	for _, t := range tones {
		h = append(h, t.Hz)
	}
	return h
}

// spoils reports whether hum is in a bin of that frequency and width.
func (h humAt) spoils(hz, binHz float64) bool {
	off := humSkip*binHz + humWander*hz
	i := sort.SearchFloat64s(h, hz-off)
	return i < len(h) && h[i] < hz+off
}
