package signal

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var rates = []int{44100, 48000, 88200, 96000, 176400, 192000}

// fiveSmooth is the definition: no prime above 5 divides n.
func fiveSmooth(n int) bool {
	for p := 2; p <= n; p++ {
		for n%p == 0 {
			if p > 5 {
				return false
			}
			n /= p
		}
	}
	return n == 1
}

// tooMany reports whether n has more than eleven factors of 2, 3, 4 and 5, fours
// counted as one.
func tooMany(n int) bool {
	exponent := func(p int) (e int) {
		for n%p == 0 {
			n, e = n/p, e+1
		}
		return e
	}
	return (exponent(2)+1)/2+exponent(3)+exponent(5) > 11
}

// A length with more factors than the transform has room for is no good,
// though it has no large ones: 2^5 3^11 has 14.
func TestSmoothHasFewFactors(t *testing.T) {
	if Smooth(5668704) || !Smooth(1<<26) {
		t.Error("2^5 3^11 must not be smooth, 2^26 must")
	}
}

func TestSmooth(t *testing.T) {
	for n := -3; n <= 3000; n++ {
		if got, want := Smooth(n), n >= 1 && fiveSmooth(n); got != want {
			t.Errorf("Smooth(%d) = %v", n, got)
		}
	}
}

func TestSmoothLength(t *testing.T) {
	for _, c := range []struct{ n, want int }{{1, 2}, {7, 8}, {11, 12}, {13, 16}, {17, 18}, {31, 32}, {97, 100}, {600001, 600000 + 7500},
		{7556001, 7593750}, // 7558272 is 2^7 3^10, 14 factors of 3, 4 and 2
	} {
		if got := SmoothLength(c.n); got != c.want {
			t.Errorf("SmoothLength(%d) = %d, want %d", c.n, got, c.want)
		}
	}
}

// humClear is how far a period stays from whole cycles of hum, in cycles.
var humClear = map[float64]float64{50: 0.05, 60: 0.05, 100: 0.02, 120: 0.02, 150: 0.02, 180: 0.02}

func TestPeriodNear(t *testing.T) {
	for _, rate := range rates {
		for _, seconds := range []float64{0.1, 0.2, 0.5, 1, 1.5, 2, DefaultSeconds, 10, 20, 60, 120} {
			n := PeriodNear(rate, seconds)
			got := float64(n) / float64(rate)
			if n%2 != 0 || !Smooth(n) {
				t.Errorf("%d Hz, %g s: %d samples are odd or have a prime factor above 5", rate, seconds, n)
			}
			// Even 5-smooth numbers of this size lie within 4 % of each other, and
			// one that holds whole cycles of the mains or of a strong harmonic is
			// stepped over.
			if tol := 0.06 * seconds; math.Abs(got-seconds) > tol {
				t.Errorf("%d Hz, %g s: got %g s", rate, seconds, got)
			}
			for hz, least := range humClear {
				if off := math.Abs(hz*got - math.Round(hz*got)); off < least {
					t.Errorf("%d Hz, %g s: %d samples hold %.4f cycles of %g Hz", rate, seconds, n, hz*got, hz)
				}
			}
		}
	}
}

// No fit length is nearer than the one returned.
func TestPeriodNearIsNearest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]int{44100, 48000}).Draw(t, "rate")
		want := rapid.IntRange(rate/10, 10*rate).Draw(t, "samples")
		got := PeriodNear(rate, float64(want)/float64(rate))
		d := max(got-want, want-got)
		for n := want - d + 1; n < want+d; n++ {
			if n%2 != 0 || !fiveSmooth(n) || tooMany(n) {
				continue
			}
			whole := false
			for hz, least := range humClear {
				c := hz * float64(n) / float64(rate)
				whole = whole || math.Abs(c-math.Round(c)) < least
			}
			if !whole {
				t.Fatalf("%d is nearer to %d than %d", n, want, got)
			}
		}
	})
}

func TestPeriodNearDoubles(t *testing.T) {
	for _, base := range []int{44100, 48000} {
		for _, seconds := range []float64{0.1, 1, 1.23456, DefaultSeconds, 10} {
			n := PeriodNear(base, seconds)
			for _, k := range []int{2, 4, 8} {
				if got := PeriodNear(k*base, seconds); got != k*n {
					t.Errorf("%g s: %d samples at %d Hz, but %d at %d Hz", seconds, n, base, got, k*base)
				}
			}
		}
	}
	if n := PeriodNear(48000, DefaultSeconds); n != 1<<18 {
		t.Errorf("default period has %d samples, want 2^18", n)
	}
}

// unrollSlowly is the layout as it is described: the period's cyclic
// continuation times a raised cosine at either end.
func unrollSlowly(f Frame, period []float64) []float64 {
	n := f.LeadIn + f.Period*f.Periods + f.Tail
	x := make([]float64, n)
	for i := range x {
		k := (i - f.LeadIn) % f.Period
		if k < 0 {
			k += f.Period
		}
		x[i] = period[k]
		for _, fromEnd := range []int{i, n - 1 - i} {
			if fromEnd < f.Fade {
				s := math.Sin(math.Pi / 2 * (float64(fromEnd) + 0.5) / float64(f.Fade))
				x[i] *= s * s
			}
		}
	}
	return x
}

func TestUnroll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := Frame{
			LeadIn:  rapid.IntRange(0, 50).Draw(t, "lead-in"),
			Period:  rapid.IntRange(1, 20).Draw(t, "period"),
			Periods: rapid.IntRange(2, 4).Draw(t, "periods"),
			Tail:    rapid.IntRange(0, 50).Draw(t, "tail"),
		}
		f.Fade = rapid.IntRange(0, min(f.LeadIn, f.Tail)).Draw(t, "fade")
		period := rapid.SliceOfN(rapid.Float64Range(-1, 1), f.Period, f.Period).Draw(t, "samples")
		got, want := f.unroll(period), unrollSlowly(f, period)
		if len(got) != len(want) || f.Len() != len(want) {
			t.Fatalf("got %d samples, Len %d, want %d", len(got), f.Len(), len(want))
		}
		for i := range want {
			if math.Abs(got[i]-want[i]) > 1e-15 {
				t.Fatalf("sample %d is %v, want %v", i, got[i], want[i])
			}
		}
		from := rapid.IntRange(0, len(want)).Draw(t, "from")
		piece := make([]float64, rapid.IntRange(0, len(want)-from).Draw(t, "length"))
		f.Fill(piece, period, from)
		if !slices.Equal(piece, got[from:from+len(piece)]) {
			t.Fatalf("%d samples from %d on are %v, want %v", len(piece), from, piece, got[from:from+len(piece)])
		}
	})
}

func TestFrameCheck(t *testing.T) {
	good := Frame{LeadIn: 100, Period: 1000, Periods: 2, Tail: 100, Fade: 50, LowHz: 10, HighHz: 20000}
	if err := good.check(48000); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		spoil func(f *Frame, rate *int)
		want  string
	}{
		{"low rate", func(_ *Frame, r *int) { *r = 7999 }, "sample rate 7999 Hz is outside 8000 to 768000 Hz"},
		{"high rate", func(_ *Frame, r *int) { *r = math.MaxInt }, "is outside 8000 to 768000 Hz"},
		{"no period", func(f *Frame, _ *int) { f.Period = 0 }, "not 2 of 0 samples"},
		{"negative period", func(f *Frame, _ *int) { f.Period = -1000 }, "not 2 of -1000 samples"},
		{"one period", func(f *Frame, _ *int) { f.Periods = 1 }, "at least two counted periods, not 1"},
		{"prime factor in the period", func(f *Frame, _ *int) { f.Period = 7 << 10 }, "no prime factor above 5"},
		{"prime factor in the count", func(f *Frame, _ *int) { f.Periods = 7 }, "7 periods of 1000 samples"},
		{"negative fade", func(f *Frame, _ *int) { f.Fade = -1 }, "fade of -1 samples"},
		{"fade beyond the lead-in", func(f *Frame, _ *int) { f.LeadIn = 49 }, "inside the lead-in (49)"},
		{"fade beyond the tail", func(f *Frame, _ *int) { f.Tail = 49 }, "the tail (49)"},
		{"long", func(f *Frame, _ *int) { f.Periods = 48000 }, "longer than 600 s at 48000 Hz"},
		{"product that overflows", func(f *Frame, _ *int) { f.Period, f.Periods = math.MaxInt/2+1, 4 }, "longer than 600 s"},
		{"sum that overflows", func(f *Frame, _ *int) { f.LeadIn, f.Tail = math.MaxInt, math.MaxInt }, "longer than 600 s"},
		{"band from 0", func(f *Frame, _ *int) { f.LowHz = 0 }, "band from 0 to 20000 Hz"},
		{"band of NaN", func(f *Frame, _ *int) { f.LowHz = math.NaN() }, "band from NaN"},
		{"falling band", func(f *Frame, _ *int) { f.HighHz = 10 }, "band from 10 to 10 Hz must rise"},
		{"band beyond half the rate", func(f *Frame, _ *int) { f.HighHz = 24001 }, "half the sample rate of 48000 Hz"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, rate := good, 48000
			c.spoil(&f, &rate)
			if err := f.check(rate); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got error %v, want one with %q", err, c.want)
			}
		})
	}
}

func TestDecodeRefuses(t *testing.T) {
	for _, c := range []struct{ law, want string }{
		{``, "signal law: not an object of JSON"},
		{`[]`, "signal law: "},
		{`{}`, `kind "" is unknown; this version knows "chirp"`},
		{`{"kind":"whistle"}`, `kind "whistle" is unknown`},
		{`{"kind":"chirp"} x`, "signal law: "},
	} {
		t.Run(fmt.Sprintf("%.20q", c.law), func(t *testing.T) {
			s, err := Decode([]byte(c.law))
			if err == nil || !strings.Contains(err.Error(), c.want) || s != nil {
				t.Errorf("got %v and error %v, want an error with %q", s, err, c.want)
			}
		})
	}
}
