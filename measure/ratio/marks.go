package ratio

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/signal"
)

const (
	// markRate is about the rate, in hertz, to which marks and recording are
	// reduced to find one in the other: three times their highest frequency.
	markRate = 6000.0

	// markFound is the least normalised correlation that counts as found. A
	// mark scores above 0.9 unless half of what is heard is noise or hum.
	markFound = 0.5

	markUnsure = 0.3 // samples, by how far the place of a mark may be off

	// The clocks that the marks and that the tones show may be so many samples
	// apart over the whole signal: temperature moves a clock, but by less.
	mostLost = 8.0
)

// place is where stepped tones lie in a recording.
type place struct {
	head   float64 // sample of the recording at which the signal starts
	clock  float64 // by what fraction the recorder's clock runs faster
	unsure float64 // standard uncertainty of clock
}

// findMarks finds both marks of sig in rec. Their distance is a first estimate
// of the clocks' difference, good to a fraction of a sample over the length of
// the signal.
func findMarks(ctx context.Context, rec card.Recording, sig signal.Tones) (place, error) {
	by := max(1, int(float64(rec.RateHz)/markRate))
	head, tail := sig.Marks()
	apart := sig.TailMark()

	m, err := correlate(ctx, thin(ctx, rec.V1, by), thin(ctx, head, by))
	if err != nil {
		return place{}, err
	}
	first := m.best(0, len(m.c))
	if score := m.score(first); score < markFound {
		return place{}, missing(ctx, rec, m.want, by, score)
	}
	start, err := peakNear(ctx, rec, head, first*by, by)
	if err != nil {
		return place{}, err
	}

	if missed := start + float64(apart+len(tail))*(1-maxDrift) - float64(len(rec.V1)); missed > 0 {
		return place{}, &card.Fault{
			Cause:  card.TooShort,
			Text:   fmt.Sprintf("%s ends %.2f s before the signal does", rec.Source, missed/float64(rec.RateHz)),
			Advice: "start recording before the signal starts and stop after it ends",
		}
	}
	slack := int(maxDrift*float64(apart)) + 4*by
	from := max(0, int(start)+apart-slack)
	if m, err = correlate(ctx, thin(ctx, rec.V1[from:min(len(rec.V1), from+2*slack+len(tail))], by), thin(ctx, tail, by)); err != nil {
		return place{}, err
	}
	last := m.best(slack/by, slack/by)
	if m.score(last) < markFound {
		return place{}, &card.Fault{
			Cause:  card.Dropout,
			Text:   fmt.Sprintf("the mark at the end of the signal is not in %s where that at its start says: samples were lost or doubled, the clocks differ by more than %.0f ppm, or the tones were made with other options", rec.Source, 1e6*maxDrift),
			Advice: "check the options and measure again; if it stays, use larger buffers and close other programs",
		}
	}
	end, err := peakNear(ctx, rec, tail, from+last*by, by)
	if err != nil {
		return place{}, err
	}
	return place{
		head: start, clock: (end-start)/float64(apart) - 1,
		unsure: markUnsure * math.Sqrt2 / float64(apart),
	}, nil
}

// peakNear returns the place within two steps of at where the mark agrees best
// with V1, by the parabola through the highest correlation and its neighbours.
func peakNear(ctx context.Context, rec card.Recording, mark []float64, at, by int) (float64, error) {
	best, err := toTheSample(ctx, rec, mark, at, by)
	if err != nil {
		return 0, err
	}
	x := rec.V1
	c := func(first int) (sum float64) {
		for n, v := range mark {
			if i := first + n; i >= 0 && i < len(x) {
				sum += v * x[i]
			}
		}
		return math.Abs(sum)
	}
	before, peak, after := c(best-1), c(best), c(best+1)
	if bend := before - 2*peak + after; bend < 0 {
		return float64(best) + math.Max(-0.5, math.Min(0.5, (before-after)/(2*bend))), nil
	}
	return float64(best), nil
}

// refine returns the clocks' difference by the marks and by the frequencies of
// all dwells, hum taken out of them, each with the weight of its information. A
// dwell that something spoilt does not move the median. What rings pulls many
// low tones: their uncertainty is widened by what they scatter beyond it.
func (p place) refine(ctx context.Context, rec card.Recording, sig signal.Tones, dwells []dwell, h humTones) (float64, error) {
	clocks := make([]weighted, len(dwells), len(dwells)+1)
	if err := hum.Concurrently(ctx, len(dwells), func(i int) {
		d := dwells[i]
		fit, err := fitSine(d.without(h), d.w)
		if err != nil || !(fit.varW > 0) {
			return // weight 0: not a sine; the estimate of its ratio will say so
		}
		v := fit.varW / (fit.w * fit.w)
		clocks[i] = weighted{(1+p.clock)*d.w/fit.w - 1, 1 / v}
	}); err != nil {
		return 0, err
	}
	middle := median(slices.Clone(clocks))
	var scatter []weighted
	for _, c := range clocks {
		if c.weight > 0 {
			scatter = append(scatter, weighted{math.Abs(c.value-middle) * math.Sqrt(c.weight), 1})
		}
	}
	const ofNormal = 0.6745 // median of the magnitude of a normal deviate
	wider := math.Max(1, median(scatter)/ofNormal)
	var information float64
	for i := range clocks {
		clocks[i].weight /= wider * wider
		information += clocks[i].weight
	}
	const sure, ofMedian = 5, 1.25 // a median scatters by a quarter more than a mean
	length := float64(sig.TailMark())
	lost := (p.clock - middle) * length
	if math.Abs(lost) > mostLost && math.Abs(lost)*math.Sqrt(information) > sure*ofMedian*length {
		return 0, &card.Fault{
			Cause:  card.Dropout,
			Text:   fmt.Sprintf("between its start and its end %s holds %+.0f samples more than its tones' own frequencies explain: samples were lost or doubled", rec.Source, lost),
			Advice: "measure again; if it stays, use larger buffers and close other programs",
		}
	}
	return median(append(clocks, weighted{p.clock, 1 / (p.unsure * p.unsure)})), nil
}

// without returns both channels of d less the hum that can be told from its
// tone.
func (d dwell) without(h humTones) [][]float64 {
	told, _ := h.about(d)
	if len(told) == 0 {
		return d.x[:]
	}
	w := []float64{d.w}
	for _, i := range told {
		w = append(w, h.w(i))
	}
	s := newSines(len(d.x[0]), w)
	if !s.ok {
		return d.x[:]
	}
	var clean [][]float64
	for _, x := range d.x {
		f := s.fit(x)
		c := slices.Clone(x)
		for i, w := range w[1:] {
			hum.Subtract(c, f.a[i+1], w)
		}
		clean = append(clean, c)
	}
	return clean
}
