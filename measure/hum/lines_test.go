package hum

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/transform"
)

// Leakage against its definition, summed term by term.
func TestBasisAgainstItsDefinition(t *testing.T) {
	const n = 4096
	legendre := func(m int, u float64) float64 {
		a, b := 1.0, u
		if m == 0 {
			return a
		}
		for k := 1; k < m; k++ {
			a, b = b, (float64(2*k+1)*u*b-float64(k)*a)/float64(k+1)
		}
		return b
	}
	got := make([]complex128, mostOrder+1)
	for _, x := range []float64{0, 1e-9, 0.03, 0.5, 1, 2.7, 3.3, 8, 9.5, 24} {
		newLeakage(100+x, n).into(got, 100)
		for m := range got {
			var want complex128
			for i := range n {
				u := (2*float64(i)+1)/n - 1
				want += complex(legendre(m, u)/n, 0) * cmplx.Rect(1, 2*math.Pi*x*float64(i)/n)
			}
			// The sum is the integral but for x/n, and the degree over n, squared.
			if d := cmplx.Abs(got[m] - want); d > 1e-4 {
				t.Errorf("degree %d at %g lines: %v, want %v", m, x, got[m], want)
			}
		}
	}
}

// mixed is noise of rms 1e-5 and what add puts on it, as the lines of a signal
// of two periods, held as one or, of odd seeds, apart, and the transform of what was
// added alone.
func mixed(seed uint64, add func(i int) [2]float64) (l Lines, truth [2][]complex128) {
	const n, rate = 1 << 16, 8000.0
	r := rand.New(rand.NewPCG(seed, 7))
	var x, y [2][]float64
	for ch := range x {
		x[ch], y[ch] = make([]float64, n), make([]float64, n)
	}
	for i := range n {
		v := add(i)
		for ch := range x {
			y[ch][i] = v[ch]
			x[ch][i] = v[ch] + 1e-5*r.NormFloat64()
		}
	}
	l = Lines{Periods: 2, Samples: n, StepHz: rate / n, LowHz: 10, HighHz: 3500}
	for ch := range x {
		fft := fourier.NewFFT(n)
		lines := fft.Coefficients(nil, x[ch])
		l.X[ch] = transform.Whole(lines)
		if seed%2 == 1 {
			l.X[ch] = transform.Apart(len(lines), l.Periods)
			for k, z := range lines {
				l.X[ch].Set(k, z)
			}
		}
		truth[ch] = fft.Coefficients(nil, y[ch])
	}
	return l, truth
}

// copied returns the lines of s.
func copied(s *transform.Spectrum) []complex128 {
	lines := make([]complex128, s.Len())
	for k := range lines {
		lines[k] = s.At(k)
	}
	return lines
}

// What is left of a tone in the lines of the signal is as large as is said:
// steady or wandering, between the lines or on one.
func TestWhatIsLeftIsSaid(t *testing.T) {
	const rate = 8000.0
	for _, tc := range []struct {
		name   string
		wander float64 // Hz in ten seconds, rms
	}{
		{"steady", 0}, {"mains", 3e-3}, {"wild mains", 1e-2}, {"generator", 0.1}, {"generator at its worst", 0.5},
	} {
		t.Run(tc.name, func(t *testing.T) {
			const seeds = 16
			far, lines, found := 0, 0, 0
			var worst float64
			for seed := range uint64(seeds) {
				r := rand.New(rand.NewPCG(seed, 9))
				hz := 20 + 400*r.Float64()
				level := 1e-4 * math.Pow(30, r.Float64())
				if seed%4 == 0 { // on a line of the signal, or nearly
					line := rate / (1 << 15)
					hz = math.Round(hz/line)*line + 1e-3*r.NormFloat64()
				}
				phase, f := 2*math.Pi*r.Float64(), hz
				step := tc.wander * math.Sqrt(1/rate/10)
				l, truth := mixed(seed, func(int) [2]float64 {
					phase += 2 * math.Pi * f / rate
					f += step * r.NormFloat64()
					return [2]float64{level * math.Sin(phase), 0.6 * level * math.Sin(phase+0.5)}
				})
				before := [2][]complex128{copied(l.X[0]), copied(l.X[1])}
				tones, doubt, err := l.TakeOut(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				for _, tone := range tones {
					if math.Abs(tone.Hz-hz) < 1 {
						found++
						break
					}
				}
				centre := int(hz / l.StepHz)
				for k := centre - 40; k <= centre+40; k++ {
					if k < 2 || k%2 != 0 {
						continue
					}
					for ch := range l.X {
						// What an estimator takes from the lines between.
						var noise, count float64
						for j := max(1, k-47); j <= k+47; j += 2 {
							noise += abs2(l.X[ch].At(j))
							count++
						}
						noise /= count
						// What was taken out against what was put in.
						missed := abs2(before[ch][k] - l.X[ch].At(k) - truth[ch][k])
						over := math.Sqrt(missed / (doubt[k][ch] + noise))
						worst = max(worst, over)
						lines++
						if over > 3 {
							far++
						}
					}
				}
			}
			// A normal deviate in two dimensions is beyond 3 of its rms once in
			// 8000. What a wandering tone leaves is no such thing, and comes in
			// several lines at once.
			if part := float64(far) / float64(lines); part > 6e-3 || worst > 8 {
				t.Errorf("%.2g of the lines are off by more than 3 times what is said, the worst by %.1f", part, worst)
			}
			if found < seeds*8/10 {
				t.Errorf("found in %d of %d", found, seeds)
			}
			t.Logf("worst %.1f, %d of %d beyond 3, found in %d of %d", worst, far, lines, found, seeds)
		})
	}
}

// A steady tone is taken out of the lines on either side to the noise of one, and
// its peaks are those that it had. Its own skirts count as noise at first, by which
// a few thousandths of it are left to a second fit.
func TestSteadyToneIsTakenOut(t *testing.T) {
	const hz, rate = 150.31, 8000.0
	level := [2]float64{1e-3, 4e-4}
	l, truth := mixed(3, func(i int) [2]float64 {
		x := 2 * math.Pi * hz / rate * float64(i)
		return [2]float64{level[0] * math.Sin(x), level[1] * math.Sin(x+0.5)}
	})
	before := [2][]complex128{copied(l.X[0]), copied(l.X[1])}
	tones, _, err := l.TakeOut(t.Context())
	if err != nil || len(tones) != 1 {
		t.Fatalf("found %v, %v", tones, err)
	}
	line := 1e-5 * math.Sqrt(float64(l.Samples)) // rms of the noise in one
	centre := int(math.Round(hz / l.StepHz))
	for ch := range l.X {
		if d := math.Abs(tones[0].Peak[ch] - level[ch]); d > 0.01*level[ch] {
			t.Errorf("input %d: the peak is off by %.2g of %g", ch+1, d, level[ch])
		}
		for k := centre - fitLines; k <= centre+fitLines; k++ {
			if d := cmplx.Abs(before[ch][k] - l.X[ch].At(k) - truth[ch][k]); d > 5*line {
				t.Errorf("input %d, %d lines from the tone: %.2g of its %.2g is left", ch+1, k-centre, d, cmplx.Abs(truth[ch][k]))
			}
		}
	}
}

// Noise, white or steep, holds no tones, and puts hardly a line in doubt.
func TestNoTonesInNoise(t *testing.T) {
	found, doubted := 0, 0
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 4))
		brown := 0.0
		l, _ := mixed(seed, func(int) [2]float64 {
			brown += 1e-5*r.NormFloat64() - 0.01*brown
			return [2]float64{brown * float64(seed%2), 0}
		})
		tones, doubt, err := l.TakeOut(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		found += len(tones)
		doubted += len(doubt)
	}
	if found > 1 || doubted > 40 {
		t.Errorf("%d tones and %d doubtful lines in noise", found, doubted)
	}
}

// What changes on the lines of a sparse signal is no tone beside them; a tone
// further away is one.
func TestSkirtsAreNoTones(t *testing.T) {
	const rate, n = 8000.0, 1 << 16
	var excited []int
	for k := 101; k < 12000; k += 2 * (k / 40) {
		excited = append(excited, k)
	}
	hum := 50.03
	l, _ := mixed(1, func(i int) [2]float64 {
		s := float64(i) / n
		v := 1e-3 * math.Sin(2*math.Pi*hum*float64(i)/rate)
		for j, k := range excited {
			if j%8 == 0 { // every eighth, for the sake of time
				v += 0.01 * (1 + 0.01*s) * math.Sin(2*math.Pi*float64(k)*2*s+float64(k))
			}
		}
		return [2]float64{v, v}
	})
	l.Excited = excited
	tones, _, err := l.TakeOut(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(tones) != 1 || math.Abs(tones[0].Hz-hum) > 1e-3 {
		t.Errorf("found %v, want the one of %g Hz", tones, hum)
	}
}

// A multiple of what was found, just on a line of the signal, is in doubt.
func TestMultiplesOnALineAreInDoubt(t *testing.T) {
	const rate = 8000.0
	line := rate / (1 << 15)
	base := math.Round(150.45/line) * line / 3
	l, _ := mixed(2, func(i int) [2]float64 {
		w := 2 * math.Pi * base * float64(i) / rate
		return [2]float64{1e-3*math.Sin(w) + 5e-4*math.Sin(3*w), 0}
	})
	_, doubt, err := l.TakeOut(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	k := int(math.Round(3 * base / l.StepHz))
	held := 5e-4 / 2 * float64(l.Samples)
	if d := math.Sqrt(doubt[k][0]); d < held/3 {
		t.Errorf("line %d is in doubt by %.3g, and holds %.3g that nobody can see", k, d, held)
	}
}

// Tones stand in runs that are free of the signal, at any frequency; what is in
// a few of them alone does not.
func TestStanding(t *testing.T) {
	const rate = 48000.0
	want := []float64{16.7, 50.02, 150.06, 400.3, 7031.5, 18000.2}
	r := rand.New(rand.NewPCG(3, 3))
	var runs []Run
	phase := make([]float64, len(want))
	for i := range phase {
		phase[i] = 2 * math.Pi * r.Float64()
	}
	for k := range 40 {
		run := Run{Start: 1000 + 14000*k}
		for ch := range run.X {
			run.X[ch] = make([]float64, 10000)
			for i := range run.X[ch] {
				at := float64(run.Start + i)
				v := 1e-5 * r.NormFloat64()
				for j, hz := range want {
					v += 1e-4 * math.Sin(2*math.Pi*hz/rate*at+phase[j]+float64(ch))
				}
				if k == 5 { // the remains of a test tone
					v += 1e-3 * math.Sin(2*math.Pi*1234/rate*at)
				}
				run.X[ch][i] = v
			}
		}
		runs = append(runs, run)
	}
	got, err := Standing(t.Context(), runs, rate, 10, 20000)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Errorf("found %v, want %v Hz", got, want)
	}
	for _, hz := range want {
		ok := false
		for _, g := range got {
			ok = ok || math.Abs(g.Hz-hz) < 0.05 && math.Abs(g.Peak[0]/1e-4-1) < 0.3
		}
		if !ok {
			t.Errorf("%g Hz is not among %v", hz, got)
		}
	}
	if left := math.Sqrt(power(runs[0].X[0])); left > 2e-5 {
		t.Errorf("%.2g are left of the runs, of noise of 1e-5", left)
	}
}

func power(x []float64) (p float64) {
	for _, v := range x {
		p += v * v / float64(len(x))
	}
	return p
}

// In music that comes and goes steady tones are found at any frequency, and no
// note passes for one.
func TestAgainstProgramme(t *testing.T) {
	const rate, n = 8000.0, 8000 * 20
	want := []float64{50.02, 700.4, 2511}
	r := rand.New(rand.NewPCG(5, 5))
	var v [2][]float64
	for ch := range v {
		v[ch] = make([]float64, n)
	}
	notes := []float64{82.41, 110, 146.83, 196, 246.94}
	for from := 0; from < n; from += 2000 + r.IntN(3000) {
		if r.IntN(8) == 0 {
			from += 12000 // a pause
			continue
		}
		hz, level := notes[r.IntN(len(notes))], 0.2*r.Float64()
		for i := from; i < n && i < from+12000; i++ {
			s := level * math.Exp(-float64(i-from)/1000)
			var x float64
			for h := 1.0; h <= 6; h++ {
				x += s / h * math.Sin(2*math.Pi*h*hz*float64(i-from)/rate)
			}
			v[0][i] += x
			v[1][i] += 0.4 * x
		}
	}
	for i := range n {
		for j, hz := range want {
			v[0][i] += 1e-3 * math.Sin(2*math.Pi*hz*float64(i)/rate+float64(j))
		}
		v[0][i] += 1e-5 * r.NormFloat64()
		v[1][i] += 1e-5 * r.NormFloat64()
	}
	tones, err := AgainstProgramme(t.Context(), v, rate, 20, 3500)
	if err != nil {
		t.Fatal(err)
	}
	for _, hz := range want {
		ok := false
		for _, g := range tones {
			ok = ok || math.Abs(g.Hz-hz) < 5e-3 && math.Abs(g.Peak[0]/1e-3-1) < 0.1
		}
		if !ok {
			t.Errorf("%g Hz is not among %v", hz, tones)
		}
	}
	for _, g := range tones {
		if h := math.Round(g.Hz / 50.02); math.Abs(g.Hz-h*50.02) > 0.1 && math.Abs(g.Hz-700.4) > 0.1 && math.Abs(g.Hz-2511) > 0.1 {
			t.Errorf("%s passes for a steady tone", fmt.Sprint(g))
		}
	}
}

// One phasor for both inputs is the same as one for each.
func TestProjections(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	x, y := make([]float64, 3000), make([]float64, 3000)
	for i := range x {
		x[i], y[i] = r.NormFloat64(), r.NormFloat64()
	}
	for _, w := range []float64{1e-3, 0.5, 3.1} {
		if px, py := Projections(x, y, w); px != Projection(x, w) || py != Projection(y, w) {
			t.Errorf("%g radian a sample: %v and %v, want %v and %v", w, px, py, Projection(x, w), Projection(y, w))
		}
	}
}

// A tone counts that enough parts of a programme have, at the median of its
// frequencies; in a part that has it, it is where that has it.
func TestTonesOfParts(t *testing.T) {
	parts := [][]Tone{
		{{Hz: 50.1, Peak: [2]float64{1, 0}}, {Hz: 700}},
		{{Hz: 50.3, Peak: [2]float64{0, 3}}},
		{{Hz: 50.2}, {Hz: 3000}},
	}
	all := Common(parts, 2)
	if len(all) != 1 || all[0] != (Tone{Hz: 50.2, Peak: [2]float64{0, 3}}) {
		t.Fatalf("common to two parts are %v", all)
	}
	all = append(all, Tone{Hz: 700}, Tone{Hz: 3000})
	in := InPart(all, parts[0], 40, 3000)
	if len(in) != 2 || in[0].Hz != 50.1 || in[1].Hz != 700 {
		t.Errorf("in the first part there are %v", in)
	}
}
