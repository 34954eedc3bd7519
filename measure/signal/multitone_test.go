package signal

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

var _ Sparse = Multitone{}

func mustMultitone(t testing.TB, o MultitoneOptions) Multitone {
	t.Helper()
	m, err := NewMultitone(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// Crest factors of N equal consecutive lines with Schroeder's phases (M. R.
// Schroeder, IEEE Trans. Inf. Theory 16(1), 85-89, 1970), recomputed from his
// formula by direct summation.
func TestSchroederCrest(t *testing.T) {
	for n, want := range map[int]float64{16: 1.8257, 31: 1.7819, 100: 1.6764} {
		lines := make([]int, n)
		for i := range lines {
			lines[i] = i + 1
		}
		if got := crest(whole(newComb(lines, 1<<16).wave(t.Context(), schroeder(n))), n); math.Abs(got-want) > 1.5e-3 { // the wave's sampling
			t.Errorf("%d lines: crest factor %.4f, want %.4f", n, got, want)
		}
	}
}

// The search brings log-spaced lines, on which Schroeder's phases give 4 to
// 5.5, below 3.
func TestMultitoneCrest(t *testing.T) {
	if testing.Short() {
		t.Skip("long searches")
	}
	for _, o := range []MultitoneOptions{{}, {PeriodSeconds: 1}, {PeriodSeconds: 0.25, LowHz: 100}, {RateHz: 44100, PeriodSeconds: 2}} {
		m := mustMultitone(t, o)
		before := crest(whole(newComb(m.lines, m.frame.Period).wave(t.Context(), schroeder(len(m.lines)))), len(m.lines))
		if got := m.Crest(); got > 3 || got < math.Sqrt2 {
			t.Errorf("%+v: crest factor %.2f, want below 3", o, got)
		} else {
			t.Logf("%+v: %d lines, crest factor %.2f (Schroeder %.2f)", o, len(m.lines), got, before)
		}
	}
}

func TestMultitoneLines(t *testing.T) {
	m := mustMultitone(t, MultitoneOptions{PeriodSeconds: 1})
	f, x := m.Frame(), m.Samples()
	if len(x) != f.Len() {
		t.Fatalf("%d samples, want %d", len(x), f.Len())
	}
	lineHz := float64(m.RateHz) / float64(f.Period)
	lines := m.Lines()
	if first, last := float64(lines[0])*lineHz, float64(lines[len(lines)-1])*lineHz; first > 10 || first < 8 || last < 20000 || last > 20000+2*lineHz {
		t.Errorf("lines from %g to %g Hz, want 10 Hz to 20 kHz just enclosed", first, last)
	}
	excited := map[int]bool{}
	for i, k := range lines {
		excited[k] = true
		if k%2 == 0 {
			t.Errorf("line %d is even", k)
		}
		for _, base := range []float64{50, 60} {
			hz := float64(k) * lineHz
			if h := math.Round(hz / base); h >= 1 && h <= 20 && math.Abs(hz-h*base) < 1.5 {
				t.Errorf("line at %g Hz is %.2f Hz from mains", hz, hz-h*base)
			}
		}
		if i > 0 && i < len(lines)-1 && lines[i-1] > 400 && math.Abs(math.Log2(float64(k)/float64(lines[i-1]))*24-1) > 0.2 {
			t.Errorf("lines %d and %d are not a 24th of an octave apart", lines[i-1], k)
		}
	}
	// One period's own transform: equal lines where they are excited, nothing
	// elsewhere.
	spec := fourier.NewFFT(f.Period).Coefficients(nil, x[f.LeadIn:f.LeadIn+f.Period])
	want := math.Hypot(real(spec[lines[0]]), imag(spec[lines[0]]))
	peak := 0.0
	for k, v := range spec {
		a := math.Hypot(real(v), imag(v))
		if excited[k] && math.Abs(a/want-1) > 1e-9 || !excited[k] && a > 1e-9*want {
			t.Fatalf("line %d has %g, the first excited one %g", k, a, want)
		}
	}
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	if math.Abs(peak-m.Peak) > 1e-12 {
		t.Errorf("peak %v, want %v", peak, m.Peak)
	}
}

func TestMultitoneLaw(t *testing.T) {
	m := mustMultitone(t, MultitoneOptions{PeriodSeconds: 0.5, LowHz: 40, PerOctave: 12, Periods: 4})
	law, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(law)
	if err != nil {
		t.Fatal(err)
	}
	got, want := back.Samples(), m.Samples()
	if len(got) != len(want) || back.Rate() != m.Rate() {
		t.Fatalf("%d samples, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Fatalf("sample %d is %v, want exactly %v", i, got[i], want[i])
		}
	}
	for _, c := range []struct{ old, new, says string }{
		{`"peak":0.5`, `"peak":1.5`, "peak 1.5"},
		{`"lines":[`, `"lines":[2,`, "phase for each"},
		{`"phase_4096ths":[`, `"phase_4096ths":[1,`, "phase for each"},
		{`"periods":4`, `"periods":1`, "at least two"},
		{`"fade"`, `"fad"`, "is unknown"},
	} {
		spoilt := strings.Replace(string(law), c.old, c.new, 1)
		if _, err := Decode([]byte(spoilt)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: error %v should say %q", c.new, err, c.says)
		}
	}
}

func TestMultitoneRefuses(t *testing.T) {
	for _, c := range []struct {
		o    MultitoneOptions
		says string
	}{
		{MultitoneOptions{RateHz: 4000}, "sample rate 4000 Hz"},
		{MultitoneOptions{PeriodSeconds: 0.01}, "period of 0.01 s"},
		{MultitoneOptions{Periods: 7}, "7 periods"},
		{MultitoneOptions{PerOctave: 300}, "300 lines an octave"},
		{MultitoneOptions{LowHz: 15000}, "at least an octave"},
		{MultitoneOptions{HighHz: 23900}, "does not fit a sample rate"},
		{MultitoneOptions{LowHz: 2, PeriodSeconds: 0.2}, "raise the low end to"},
		{MultitoneOptions{Peak: 2}, "peak 2"},
	} {
		if _, err := NewMultitone(t.Context(), c.o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: error %v should say %q", c.o, err, c.says)
		}
	}
}
