package measure

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

// serverRates are the sample rates, in hertz, at which something between the
// program and the converters may run.
var serverRates = [...]float64{8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000}

// wall is where sound ends because something on its way runs at a lower sample
// rate: no circuit falls that steeply. A resampler passes all up to some 0.45 of
// that rate and nothing from half of it on.
type wall struct {
	hz     float64 // where it has fallen by wallDrop; 0 for no wall
	rateHz float64 // the lowest usual rate that lets so much through
}

const (
	wallDrop  = 20.0 // dB from below to above
	wallWidth = 0.14 // from below to above, relative; 0.45 to 0.5 is 0.11
	wallBand  = 0.06 // width of what is averaged on either side
	wallNear  = 0.96 // of half the program's own rate: a converter's own filter may fall from there on
)

// newWall looks for a wall in a power density, of lines that are line Hz apart,
// up to high, of sound at rateHz.
func newWall(density []float64, line, rateHz, high float64) wall {
	edge := math.Pow(10, -wallDrop/10)
	for _, r := range serverRates {
		if r > wallNear*rateHz {
			break
		}
		// The plateau below any such wall, and what is above it.
		plateau := middle(density, line, 0.45*r*(1-2*wallBand), 0.45*r*(1-wallBand/2))
		above := middle(density, line, 0.5*r*1.01, min(high, 0.5*r*(1.01+wallBand)))
		if math.IsInf(above, 1) || !(above < edge*plateau) {
			continue
		}
		// All that follows is down too: no dip of a circuit or a notch.
		if !(middle(density, line, 0.5*r*1.01, high) < edge*plateau) {
			continue
		}
		for k := int(0.45 * r * (1 - wallWidth) / line); k < len(density) && float64(k)*line < 0.5*r*1.05; k++ {
			hz := float64(k) * line
			if middle(density, line, hz*0.995-2*line, hz*1.005+2*line) < edge*plateau {
				i := slices.IndexFunc(serverRates[:], func(rate float64) bool { return rate >= 2*hz*0.99 })
				if i < 0 {
					return wall{}
				}
				return wall{hz, serverRates[i]}
			}
		}
	}
	return wall{}
}

// middle returns the median of density between two frequencies, and infinity
// where there are too few lines.
func middle(density []float64, line, low, high float64) float64 {
	from, to := max(0, int(math.Ceil(low/line))), min(len(density), int(high/line)+1)
	if to-from < 3 {
		return math.Inf(1)
	}
	return middleOf(slices.Clone(density[from:to]))
}

// wall returns where the noise of both inputs ends.
func (c course) wall(rateHz int) wall {
	var found [2]wall
	for ch := range found {
		density := make([]float64, c.to)
		for k := range density {
			for _, block := range c.spectra[ch] {
				density[k] += power(block[k])
			}
		}
		found[ch] = newWall(density, c.line, float64(rateHz), courseHigh*float64(rateHz))
	}
	if found[0].rateHz != found[1].rateHz {
		return wall{}
	}
	return found[0]
}

const (
	wallBands     = 48  // an octave, over which a signal's spectrum is averaged
	wallOverNoise = 2.0 // times the noise's power, up to which a signal may be hidden in it
)

// passage is how a signal came through, in bands of the logarithm of frequency
// about frequencies at equal distances of passStep.
type passage struct {
	played, heard []float64 // power of the lines of each band, added over all blocks
	lines         []float64 // that each band has
	rateHz        float64
	samples       int
	highHz        float64
}

const (
	passBlock = 0.15 // s, a few lines in the narrowest bands that are looked at
	passStep  = 20.0 // Hz
)

// passed returns how sig came through to V1. Signal and recording are looked at
// in blocks under half a sine, half of each in the next one, whose squares add up
// to 1: the power in a band is that of the whole.
func passed(ctx context.Context, sound card.Sound, sig signal.Periodic) (passage, error) {
	rateHz, frames := sound.About().RateHz, sound.Frames()
	f := sig.Frame()
	n := signal.SmoothLength(int(passBlock * float64(rateHz)))
	fft := transform.New(n)
	lines, room, window := make([]complex128, n/2+1), make([]float64, n), make([]float64, n)
	for i := range window {
		window[i] = math.Sin(math.Pi * (float64(i) + 0.5) / float64(n))
	}
	// density returns the power in each line of a sound, filled in from any place.
	density := func(samples int, fill func(x []float64, from int) error) ([]float64, error) {
		sum := make([]float64, len(lines))
		for at := -n / 2; at < samples; at += n / 2 {
			x := fft.Values(lines)
			clear(x)
			from, to := max(0, at), min(samples, at+n)
			if err := fill(x[from-at:to-at], from); err != nil {
				return nil, err
			}
			for i, w := range window {
				x[i] *= w
			}
			if err := fft.Forward(ctx, lines, room); err != nil {
				return nil, err
			}
			for k, z := range lines {
				sum[k] += power(z)
			}
		}
		return sum, nil
	}
	cycle, err := sig.Cycle(ctx)
	if err != nil {
		return passage{}, err
	}
	played, err := density(f.Len(), func(x []float64, from int) error {
		f.Fill(x, cycle, from)
		return nil
	})
	if err != nil {
		return passage{}, err
	}
	heard, err := density(frames, func(x []float64, from int) error { return sound.ReadAt(ctx, x, nil, from, 1) })
	if err != nil {
		return passage{}, err
	}
	bands := int(f.HighHz / passStep)
	p := passage{
		played: make([]float64, bands), heard: make([]float64, bands), lines: make([]float64, bands),
		rateHz: float64(rateHz), samples: frames, highHz: f.HighHz,
	}
	line := p.rateHz / float64(n)
	for i := range bands {
		hz := (float64(i) + 0.5) * passStep
		from, to := int(hz/math.Exp2(0.5/wallBands)/line), int(hz*math.Exp2(0.5/wallBands)/line)
		for k := max(1, from); k <= to && k < len(lines); k++ {
			p.played[i] += played[k]
			p.heard[i] += heard[k]
			p.lines[i]++
		}
	}
	return p, nil
}

// wall returns where the signal ends. Noise is the rms of V1 in silence, taken as
// white.
func (p passage) wall(noise float64) wall {
	floor := noise * noise * float64(p.samples)
	gain := make([]float64, len(p.heard))
	for i, in := range p.played {
		if in > 0 {
			n := floor * p.lines[i]
			gain[i] = math.Max(p.heard[i]-n, wallOverNoise*n) / in // what noise hides may well be there
		}
	}
	return newWall(gain, passStep, p.rateHz, p.highHz)
}

// signalWall returns where sig ends in V1, nothing where ctx has ended.
func signalWall(ctx context.Context, rec card.Recording, sig signal.Periodic, noise float64) wall {
	p, err := passed(ctx, rec, sig)
	if err != nil {
		return wall{}
	}
	return p.wall(noise)
}

// words says where w is, after the words for what ends there.
func (w wall) words(rateHz int) string {
	return fmt.Sprintf("ends at %.3g kHz: something on the way runs at %g kHz, not at %g kHz", w.hz/1e3, w.rateHz/1e3, float64(rateHz)/1e3)
}
