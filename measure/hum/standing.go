package hum

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Run is a stretch of both inputs that is free of the test signal, from sample
// Start of the recording on.
type Run struct {
	Start int
	X     [2][]float64
}

const (
	pieceSeconds = 0.25 // over which hum of an unknown frequency keeps its phase
	leastPieces  = 6    // fewer tell nothing
	mostPieces   = 64   // whose spectra are looked at
	binHz        = 2.0  // of those spectra
	alone        = 4    // bins on either side in which a peak is the largest
	besideBins   = 16   // on either side that it must stand out of
	deviations   = 9.0  // by so many of the median's standard deviation
	passes       = 4    // what strong tones hide comes to light in the next

	// Pieces add up in phase where they hold so many times more energy
	// together than noise would.
	inPhase = 20.0
)

// Standing returns the tones that stand in at least half of the runs from lowHz
// to highHz, the strongest first. What comes and goes, such as the remains of a
// test tone, is in few of them. The tones are taken out of the runs.
//
// A steady one keeps its phase through the recording: its frequency is known far
// better than a run alone would tell. Of one that wanders the frequency is that
// of its mean power.
//
// An error is that of ctx, and leaves the runs of no use.
func Standing(ctx context.Context, runs []Run, rateHz, lowHz, highHz float64) (tones []Tone, err error) {
	for range passes {
		found, err := standing(ctx, runs, rateHz, lowHz, highHz)
		if err != nil {
			return nil, err
		}
		before := len(tones)
		for _, t := range found {
			if slices.ContainsFunc(tones, func(o Tone) bool { return remains(t, o) }) {
				continue
			}
			w := 2 * math.Pi * t.Hz / rateHz
			if err := Concurrently(ctx, len(runs), func(i int) {
				for _, x := range runs[i].X {
					Subtract(x, amplitude(x, w), w)
				}
			}); err != nil {
				return nil, err
			}
			if !slices.ContainsFunc(tones, func(o Tone) bool { return math.Abs(o.Hz-t.Hz) < binHz }) {
				tones = append(tones, t)
			}
		}
		if len(tones) == before || len(tones) >= mostTones {
			break
		}
	}
	slices.SortStableFunc(tones, func(a, b Tone) int {
		return cmp.Compare(max(b.Peak[0], b.Peak[1]), max(a.Peak[0], a.Peak[1]))
	})
	return tones, nil
}

// remains reports whether t is what was left of o when o was taken out.
func remains(t, o Tone) bool {
	const part = 0.05 // of its amplitude
	return math.Abs(t.Hz-o.Hz) < besideBins*binHz && max(t.Peak[0], t.Peak[1]) < part*max(o.Peak[0], o.Peak[1])
}

// Concurrently calls f(0) to f(n-1) on all processors. Where ctx ends it calls no
// more of them, and returns its error once those that run are through.
func Concurrently(ctx context.Context, n int, f func(i int)) error {
	var wait sync.WaitGroup
	var next atomic.Int64
	for range min(n, runtime.GOMAXPROCS(0)) {
		wait.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && ctx.Err() == nil; i = int(next.Add(1)) - 1 {
				f(i)
			}
		})
	}
	wait.Wait()
	return ctx.Err()
}

// piece is a part of a run; at is its middle in the recording, in samples.
type piece struct {
	at float64
	x  [2][]float64
}

// pieces cuts the runs into parts of at most the given number of samples.
func pieces(runs []Run, longest int) (ps []piece) {
	for _, r := range runs {
		n := len(r.X[0])
		parts := (n + longest - 1) / longest
		for k := range parts {
			from, to := n*k/parts, n*(k+1)/parts
			ps = append(ps, piece{
				at: float64(r.Start) + float64(from+to-1)/2,
				x:  [2][]float64{r.X[0][from:to], r.X[1][from:to]},
			})
		}
	}
	return ps
}

func standing(ctx context.Context, runs []Run, rateHz, lowHz, highHz float64) (found []Tone, err error) {
	all := pieces(runs, int(pieceSeconds*rateHz))
	if len(all) < leastPieces {
		return nil, ctx.Err()
	}
	some := all
	if every := (len(all) + mostPieces - 1) / mostPieces; every > 1 {
		some = nil
		for i := 0; i < len(all); i += every {
			some = append(some, all[i])
		}
	}
	length := int(math.Round(rateHz/binHz/2)) * 2
	top := min(length/2-besideBins-1, int(highHz/binHz)+1)
	power, err := spectra(ctx, some, length, top+besideBins+1)
	if err != nil {
		return nil, err
	}
	var middles [2][]float64
	for ch := range middles {
		middles[ch] = make([]float64, top+besideBins+1)
		p := make([]float64, len(some))
		for k := range middles[ch] {
			for i := range some {
				p[i] = power[ch][i][k]
			}
			middles[ch][k] = middle(p)
		}
	}
	limit := 1 + deviations/(math.Ln2*math.Sqrt(float64(len(some))))
	over := make([]float64, top+1)
	for k := max(2, int(lowHz/binHz)); k <= top; k++ {
		for ch := range middles {
			b := besides(middles[ch], k)
			if b > 0 {
				over[k] = max(over[k], middles[ch][k]/b)
			}
		}
	}
	for k := max(2, int(lowHz/binHz)); k <= top; k++ {
		if over[k] <= limit {
			continue
		}
		// The peak in power, not in what stands over its surroundings.
		here := middles[0][k] + middles[1][k]
		peak := true
		for j := max(0, k-alone); j <= k+alone; j++ {
			if middles[0][j]+middles[1][j] > here {
				peak = false
			}
		}
		if !peak {
			continue
		}
		var sum, moment float64
		for j := k - 2; j <= k+2; j++ {
			p := middles[0][j] + middles[1][j]
			sum += p
			moment += p * float64(j)
		}
		t := Tone{Hz: moment / sum * binHz}
		for ch := range t.Peak {
			t.Peak[ch] = math.Sqrt(middles[ch][k])
		}
		hz, ok, err := coherent(ctx, all, t.Hz, rateHz)
		if err != nil {
			return nil, err
		}
		if t.Wanders = !ok; ok {
			t.Hz = hz
		}
		found = append(found, t)
	}
	slices.SortFunc(found, func(a, b Tone) int {
		return cmp.Compare(max(b.Peak[0], b.Peak[1]), max(a.Peak[0], a.Peak[1]))
	})
	return found, nil
}

// besides returns the median beside bin k, of the higher of its sides.
func besides(p []float64, k int) (most float64) {
	for _, side := range [2]int{-1, 1} {
		var q []float64
		for d := alone; d <= besideBins; d++ {
			if j := k + side*d; j >= 1 && j < len(p) {
				q = append(q, p[j])
			}
		}
		most = max(most, middle(q))
	}
	return most
}

// spectra returns the power of each piece under a Hann window, such that a sine
// of amplitude 1 has power 1.
func spectra(ctx context.Context, ps []piece, length, bins int) (power [2][][]float64, err error) {
	for ch := range power {
		power[ch] = make([][]float64, len(ps))
	}
	workers := min(len(ps), runtime.GOMAXPROCS(0))
	return power, Concurrently(ctx, workers, func(w int) {
		fft := fourier.NewFFT(length)
		x, c := make([]float64, length), make([]complex128, length/2+1)
		for i := w; i < len(ps) && ctx.Err() == nil; i += workers {
			for ch, v := range ps[i].x {
				clear(x)
				var mean, sum float64
				for _, s := range v {
					mean += s / float64(len(v))
				}
				for j, s := range v {
					h := 1 - math.Cos(2*math.Pi*(float64(j)+0.5)/float64(len(v)))
					x[j] = h * (s - mean)
					sum += h
				}
				c = fft.Coefficients(c, x)
				power[ch][i] = make([]float64, bins)
				for k := range power[ch][i] {
					power[ch][i][k] = abs2(c[k]) * 4 / (sum * sum)
				}
			}
		}
	})
}

// coherent returns the frequency near hz at which the pieces add up in phase,
// and whether they do.
func coherent(ctx context.Context, ps []piece, hz, rateHz float64) (float64, bool, error) {
	w := 2 * math.Pi * hz / rateHz
	p := make([][2]complex128, len(ps))
	if err := Concurrently(ctx, len(ps), func(i int) {
		p[i][0], p[i][1] = Projections(ps[i].x[0], ps[i].x[1], w)
	}); err != nil {
		return 0, false, err
	}
	var here float64
	for i := range p {
		here += abs2(p[i][0]) + abs2(p[i][1])
	}
	together := func(w2 float64) (sum float64) {
		var s [2]complex128
		for i, q := range ps {
			turn := cmplx.Rect(1, math.Mod(-w2*q.at, 2*math.Pi))
			s[0] += p[i][0] * turn
			s[1] += p[i][1] * turn
		}
		return abs2(s[0]) + abs2(s[1])
	}
	span := ps[len(ps)-1].at - ps[0].at
	step := 2 * math.Pi / span / 5
	reach := 2 * math.Pi * binHz / 2 / rateHz
	best, most := w, 0.0
	for v := w - reach; v <= w+reach && ctx.Err() == nil; v += step {
		if c := together(v); c > most {
			best, most = v, c
		}
	}
	for fine := step / 2; fine > step/100; fine /= 2 {
		for _, v := range [2]float64{best - fine, best + fine} {
			if c := together(v); c > most {
				best, most = v, c
			}
		}
	}
	return best * rateHz / (2 * math.Pi), most > here*math.Min(inPhase, 0.6*float64(len(ps))), ctx.Err()
}
