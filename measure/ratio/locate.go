package ratio

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"

	"tapload/measure/card"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

const (
	// Signal and recording are reduced to about this rate, in hertz, to find
	// one in the other, or to locateOctaves above the low end of the band
	// where that is higher: the lower octaves are plenty to find, and cheap.
	locateRate    = 1000.0
	locateOctaves = 3

	// foundAbove is the least normalised correlation that counts as found. A
	// chirp through a loudspeaker's network scores above 0.6, a recording of
	// anything else below 0.1.
	foundAbove  = 0.25
	surelyFound = 0.6
)

// locate returns the index in sound of the first counted period of sig. In
// steady state any whole number of periods serves; the place is found to the
// sample all the same, so that the same sound gives the same ratio to the last
// digit, however early the recording starts. A recording may begin before the
// signal and end after it, or miss as much of its start as the lead-in and the
// tail allow.
func locate(ctx context.Context, sound card.Sound, heard inputs, sig signal.Periodic) (int, error) {
	f, rec := sig.Frame(), sound.About()
	by := max(1, int(float64(rec.RateHz)/max(locateRate, math.Exp2(locateOctaves)*f.LowHz)))
	cycle, err := sig.Cycle(ctx)
	if err != nil {
		return 0, err
	}
	sought := played{f, cycle}
	have, err := thinSound(ctx, sound, 0, by)
	if err != nil {
		return 0, err
	}
	match, err := correlate(ctx, have, sought.thin(ctx, by))
	if err != nil {
		return 0, err
	}
	lag := match.best(0, len(match.c))
	score := match.score(lag)
	if score < surelyFound {
		if err := stretched(ctx, rec, sought, match, by, score); err != nil {
			return 0, err
		}
	}
	if score < foundAbove {
		return 0, missing(ctx, sound, match.want, by, score)
	}
	if err := dead(heard.rms, rec); err != nil {
		return 0, err
	}
	first, err := toTheSample(ctx, sound, sought.cycle, lag*by+f.LeadIn, by)
	if err != nil {
		return 0, err
	}
	if first, err = toThePeriod(ctx, sound, sought, first-f.LeadIn); err != nil {
		return 0, err
	}
	start, short := window(sound.Frames(), f, first)
	if short > 0 {
		// Where samples were lost on the way, a place some periods away can
		// match better than the right one, which is the one that fits.
		for p := 1 - f.Periods; p < f.Periods; p++ {
			other := match.best(lag+p*f.Period/by, 3)
			if at, m := window(sound.Frames(), f, other*by); m <= 0 && math.Abs(match.at(other)) > math.Abs(match.at(lag))/2 {
				return at, nil
			}
		}
		rate := float64(rec.RateHz)
		return 0, &card.Fault{
			Cause: card.TooShort,
			Text: fmt.Sprintf("%s holds %.2f s of the signal's %.2f s in steady state: %.2f s are missing", rec.Source,
				float64(f.Period*f.Periods-short)/rate, float64(f.Period*f.Periods)/rate, float64(short)/rate),
			Advice: "start recording before the signal starts and stop after it ends",
		}
	}
	return start, nil
}

// played is a periodic signal by one of its periods.
type played struct {
	signal.Frame
	cycle []float64
}

// thin is thin of all its samples.
func (p played) thin(ctx context.Context, by int) []float64 {
	y, _ := thinned(ctx, p.Len(), by, func(x []float64, from int) error {
		p.Fill(x, p.cycle, from)
		return nil
	})
	return y
}

// toTheSample returns the place within two steps of at where the period agrees
// best with V1, judged by one in so many of its samples.
func toTheSample(ctx context.Context, sound card.Sound, period []float64, at, by int) (int, error) {
	const judged = 2048
	step := len(period)/judged | 1 // odd, to share no factor with what repeats
	agree := make([]float64, 4*by+1)
	x := make([]float64, len(agree))
	for n := 0; n < len(period); n += step {
		first := at - 2*by + n
		lo, hi := max(0, -first), max(0, min(len(x), sound.Frames()-first))
		if lo >= hi {
			continue
		}
		if err := sound.ReadAt(ctx, x[lo:hi], nil, first+lo, 1); err != nil {
			return 0, err
		}
		for i := lo; i < hi; i++ {
			agree[i] += x[i] * period[n]
		}
	}
	best, most := at, math.Inf(-1)
	for i, sum := range agree {
		if math.Abs(sum) > most {
			best, most = at-2*by+i, math.Abs(sum)
		}
	}
	return best, nil
}

// toThePeriod returns the place a whole number of half periods from at where
// the signal agrees best with V1, judged by one sample in so many. What is
// reduced to the lower octaves may match better one period off, where the steps
// of the reduction happen to fall alike; and half a period off a signal of odd
// lines is its own negative.
func toThePeriod(ctx context.Context, sound card.Sound, sought played, at int) (int, error) {
	const judged, better = 1 << 16, 1.002 // one period off of many scores nearly as well
	length, half := sought.Len(), sought.Period/2
	step := length/judged | 1
	some := make([]float64, (length+step-1)/step)
	for i := range some {
		sought.Fill(some[i:i+1], sought.cycle, i*step)
	}
	places := []int{at}
	for first := at % half; first < sound.Frames(); first += half {
		places = append(places, first)
	}
	agree := make([]float64, len(places))
	from := 0
	if err := sound.Pieces(ctx, func(v1, _ []float64) error {
		for p, first := range places {
			n := max(0, (from-first+step-1)/step)
			for i := first + n*step - from; i < len(v1) && n < len(some); i, n = i+step, n+1 {
				agree[p] += v1[i] * some[n]
			}
		}
		from += len(v1)
		return ctx.Err()
	}); err != nil {
		return 0, err
	}
	best, most := at, better*math.Abs(agree[0])
	for p, a := range agree {
		if math.Abs(a) > most {
			best, most = places[p], math.Abs(a)
		}
	}
	return best, nil
}

// window returns where the counted periods start in so many frames when the signal
// starts at first, which is below 0 when its start is missing, and how many samples
// in steady state are missing.
func window(frames int, f signal.Frame, first int) (start, missing int) {
	start = max(0, first+f.LeadIn)
	return start, start + f.Period*f.Periods - min(frames, first+f.Len()-f.Fade)
}

// thin averages x over runs of by samples, about its mean. It stops where ctx
// ends, and so does what it calls.
func thin(ctx context.Context, x []float64, by int) []float64 {
	y, _ := thinned(ctx, len(x), by, func(piece []float64, from int) error {
		copy(piece, x[from:])
		return nil
	})
	return y
}

// thinSound is thin of one input.
func thinSound(ctx context.Context, sound card.Sound, ch, by int) ([]float64, error) {
	return thinned(ctx, sound.Frames(), by, func(x []float64, from int) error {
		var v [2][]float64
		v[ch] = x
		return sound.ReadAt(ctx, v[0], v[1], from, 1)
	})
}

// thinned is thin of so many samples, which fill gives from any one on. An error is
// that of fill.
func thinned(ctx context.Context, samples, by int, fill func(x []float64, from int) error) ([]float64, error) {
	y := make([]float64, samples/by)
	atOnce := max(1, often/by) // means, before the context is asked
	x := make([]float64, atOnce*by)
	for i := 0; i < len(y) && ctx.Err() == nil; i += atOnce {
		piece := y[i:min(len(y), i+atOnce)]
		if err := fill(x[:len(piece)*by], i*by); err != nil {
			return nil, err
		}
		average(piece, x, by)
	}
	return aboutMean(y), nil
}

// average sets y to the means over runs of by samples of x.
func average(y, x []float64, by int) {
	for i := range y {
		var sum float64
		for _, v := range x[i*by : (i+1)*by] {
			sum += v
		}
		y[i] = sum / float64(by)
	}
}

// aboutMean takes the mean of y out of it.
func aboutMean(y []float64) []float64 {
	var mean float64
	for _, v := range y {
		mean += v
	}
	mean /= float64(len(y))
	for i := range y {
		y[i] -= mean
	}
	return y
}

// match is the correlation of a recording with the signal looked for, over the
// shift of the signal.
type match struct {
	have, want []float64
	c          []float64 // by shift, counted round
}

func correlate(ctx context.Context, have, want []float64) (match, error) {
	n := len(have) + len(want)
	for !signal.Smooth(n) {
		n++
	}
	fft, room := transform.New(n), make([]float64, n)
	spectra := [2][]complex128{make([]complex128, n/2+1), make([]complex128, n/2+1)}
	for i, x := range [2][]float64{have, want} {
		copy(fft.Values(spectra[i]), x)
		if err := fft.Forward(ctx, spectra[i], room); err != nil {
			return match{}, err
		}
	}
	h := spectra[0]
	for i, w := range spectra[1] {
		h[i] *= cmplx.Conj(w) / complex(float64(n), 0)
	}
	err := fft.Backward(ctx, h, room)
	return match{have, want, fft.Values(h)}, err
}

// at returns the correlation at a shift.
func (m match) at(lag int) float64 {
	return m.c[((lag%len(m.c))+len(m.c))%len(m.c)]
}

// best returns the shift within reach of lag at which the correlation, of
// either sign, is largest.
func (m match) best(lag, reach int) int {
	from, to := max(lag-reach, -len(m.want)+1), min(lag+reach, len(m.have)-1)
	best := max(from, min(lag, to))
	for i := from; i <= to; i++ {
		if math.Abs(m.at(i)) > math.Abs(m.at(best)) {
			best = i
		}
	}
	return best
}

// score returns the correlation at a shift, normalised by the energy of the
// signal and of what it covers: near 0 for strangers, 1 for a scaled copy.
func (m match) score(lag int) float64 {
	covered := m.have[max(0, lag):min(len(m.have), lag+len(m.want))]
	e := energy(covered) * energy(m.want)
	if e == 0 {
		return 0
	}
	return math.Abs(m.at(lag)) / math.Sqrt(e)
}

func energy(x []float64) (sum float64) {
	for _, v := range x {
		sum += v * v
	}
	return sum
}
