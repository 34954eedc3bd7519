package signal

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"pgregory.net/rapid"
)

var _ Periodic = Chirp{}

func mustChirp(t testing.TB, o ChirpOptions) Chirp {
	t.Helper()
	c, err := NewChirp(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// forRates runs a test on the default chirp at each usual rate.
func forRates(t *testing.T, test func(t *testing.T, c Chirp)) {
	for _, rate := range []int{44100, 48000, 88200, 96000, 192000} {
		t.Run(fmt.Sprint(rate), func(t *testing.T) { test(t, mustChirp(t, ChirpOptions{RateHz: rate})) })
	}
}

func TestChirpDefaults(t *testing.T) {
	forRates(t, func(t *testing.T, c Chirp) {
		f := c.Frame()
		lead := float64(f.LeadIn-f.Fade) / float64(c.Rate())
		if lead < 0.5 {
			t.Errorf("%g s of steady lead-in, want at least 0.5 s", lead)
		}
		if f.LowHz != 10 || f.HighHz != 20000 || f.Periods != 2 || c.Peak != DefaultPeak {
			t.Errorf("band %g to %g Hz, %d periods, peak %g", f.LowHz, f.HighHz, f.Periods, c.Peak)
		}
		if len(c.Samples()) != f.Len() {
			t.Errorf("%d samples, want %d", len(c.Samples()), f.Len())
		}
	})
}

// One period against what follows from the frequency alone, which rises by the
// same factor with every sample: the phase is its integral, by Simpson's rule,
// and the envelope a squared sine of its logarithm outside the band.
func TestChirpLaw(t *testing.T) {
	forRates(t, func(t *testing.T, c Chirp) {
		f := c.Frame()
		got := c.Samples()[f.LeadIn : f.LeadIn+f.Period]
		hz := func(n float64) float64 {
			return c.StartHz * math.Pow(c.StopHz/c.StartHz, n/float64(f.Period))
		}
		cycles, lost := 0.0, 0.0 // Kahan sum
		for n := range got {
			want := c.Peak * math.Sin(2*math.Pi*math.Mod(cycles, 1))
			in := 2 * math.Log(hz(float64(n))/c.StartHz) / math.Log(f.LowHz/c.StartHz)
			out := math.Log(c.StopHz/hz(float64(n))) / math.Log(c.StopHz/f.HighHz)
			if edge := min(in, out); edge < 1 {
				want *= math.Pow(math.Sin(math.Pi/2*edge), 2)
			}
			if math.Abs(got[n]-want) > 1e-9 {
				t.Fatalf("sample %d is %v, want %v", n, got[n], want)
			}
			at := float64(n)
			step := (hz(at)+4*hz(at+0.5)+hz(at+1))/(6*float64(c.Rate())) - lost
			sum := cycles + step
			lost = (sum - cycles) - step
			cycles = sum
		}
		if whole := math.Round(cycles); math.Abs(cycles-whole) > 1e-8 {
			t.Errorf("a period holds %v cycles, want a whole number", cycles)
		}
	})
}

func TestChirpRepeats(t *testing.T) {
	forRates(t, func(t *testing.T, c Chirp) {
		f, x := c.Frame(), c.Samples()
		period := x[f.LeadIn : f.LeadIn+f.Period]
		for i := f.Fade; i < len(x)-f.Fade; i++ {
			k := ((i-f.LeadIn)%f.Period + f.Period) % f.Period
			if x[i] != period[k] {
				t.Fatalf("sample %d is %v, want exactly %v", i, x[i], period[k])
			}
		}
		for i, v := range unrollSlowly(f, period) {
			if math.Abs(x[i]-v) > 1e-15 {
				t.Fatalf("sample %d is %v, want %v", i, x[i], v)
			}
		}
	})
}

// The fastest that a sine of this peak can move is 2 pi f peak a second: a
// step between periods, or a pop at the ends, would be faster. The fades add
// their own slope, pi peak/2 a fade at most.
func TestChirpDoesNotPop(t *testing.T) {
	forRates(t, func(t *testing.T, c Chirp) {
		f, x := c.Frame(), c.Samples()
		limit := c.Peak * (2*math.Pi*c.StopHz/float64(c.Rate()) + math.Pi/2/float64(f.Fade))
		last, peak := 0.0, 0.0
		for i, v := range append(x, 0) {
			if math.Abs(v-last) > limit {
				t.Fatalf("step of %g before sample %d, limit %g", v-last, i, limit)
			}
			last, peak = v, max(peak, math.Abs(v))
		}
		if peak > c.Peak || peak < 0.9999*c.Peak {
			t.Errorf("peak is %v, want %v", peak, c.Peak)
		}
		if edge := 1e-4 * c.Peak; math.Abs(x[0]) > edge || math.Abs(x[len(x)-1]) > edge {
			t.Errorf("signal starts at %g and ends at %g", x[0], x[len(x)-1])
		}
		// Where both periods meet at a whole cycle the phase is 0 and rises.
		at := f.LeadIn + f.Period
		if x[at] != 0 || x[at+1] <= 0 {
			t.Errorf("second period starts with %v, %v", x[at], x[at+1])
		}
	})
}

// An exponential chirp that rises by e in L seconds has, by stationary phase,
// the amplitude spectrum |X(f)| = Peak/2 sqrt(L/f) (A. Farina, AES 108th
// Convention, 2000). At the ends of the band the envelope takes some off, and
// ripples remain.
func TestChirpSpectrum(t *testing.T) {
	forRates(t, func(t *testing.T, c Chirp) {
		f := c.Frame()
		lines := fourier.NewFFT(f.Period).Coefficients(nil, c.Samples()[f.LeadIn:f.LeadIn+f.Period])
		spacing := float64(c.Rate()) / float64(f.Period)
		for k, v := range lines {
			hz := float64(k) * spacing
			if hz < f.LowHz || hz > f.HighHz {
				continue
			}
			least, most := -0.5, 0.5 // dB
			if hz < 2*f.LowHz {
				least, most = -4, 1.5
			}
			ideal := c.Peak / 2 * math.Sqrt(c.Rise()/hz) * float64(c.Rate())
			if off := 20 * math.Log10(cmplx.Abs(v)/ideal); off < least || off > most {
				t.Errorf("line at %.3f Hz is %.2f dB off the envelope, want within %g to %g dB", hz, off, least, most)
			}
		}
	})
}

// drawOptions draws options of which most can be met.
func drawOptions(t *rapid.T) ChirpOptions {
	logRange := func(lo, hi float64) *rapid.Generator[float64] {
		return rapid.Map(rapid.Float64Range(math.Log(lo), math.Log(hi)), math.Exp)
	}
	o := ChirpOptions{
		RateHz:        rapid.SampledFrom([]int{0, 8000, 44100, 48000, 96000}).Draw(t, "rate"),
		LowHz:         logRange(2, 2000).Draw(t, "low"),
		Peak:          rapid.Float64Range(1e-6, 1).Draw(t, "peak"),
		PeriodSeconds: logRange(0.1, 3).Draw(t, "seconds"),
		Periods:       rapid.SampledFrom([]int{0, 2, 3, 4, 8}).Draw(t, "periods"),
	}
	o.HighHz = o.LowHz * logRange(2, 1000).Draw(t, "span")
	return o
}

// Whatever the options, a chirp keeps its promises or says what it cannot.
func TestNewChirpAnyOptions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawOptions(t)
		c, err := NewChirp(o)
		if err != nil {
			if strings.HasPrefix(err.Error(), "chirp") {
				t.Fatalf("error blames the law, not an option: %v", err)
			}
			_, hint, found := strings.Cut(err.Error(), "raise the low end to ")
			if !found {
				return
			}
			if _, err := fmt.Sscanf(hint, "%f", &o.LowHz); err != nil {
				t.Fatal(err)
			}
			// A band of hardly an octave may have to move up twice.
			if _, err := NewChirp(o); o.HighHz >= 4*o.LowHz && err != nil {
				t.Fatalf("following the advice of %g Hz: %v", o.LowHz, err)
			}
			return
		}
		f := c.Frame()
		if f.LowHz != o.LowHz || f.HighHz != o.HighHz || c.Peak != o.Peak {
			t.Fatalf("got %+v for %+v", c, o)
		}
		if c.StartHz > o.LowHz || c.StopHz < o.HighHz || c.StopHz >= float64(c.RateHz)/2 {
			t.Fatalf("sweep from %g to %g Hz for a band from %g to %g Hz", c.StartHz, c.StopHz, o.LowHz, o.HighHz)
		}
		for _, hz := range []float64{c.StartHz, c.StopHz} {
			if n := hz * c.Rise(); math.Abs(n-math.Round(n)) > 1e-9*n {
				t.Fatalf("%g Hz times %g s is %v, want a whole number", hz, c.Rise(), n)
			}
		}
		// Every line of the band is there: a measurement divides by it.
		lines := fourier.NewFFT(f.Period).Coefficients(nil, c.Samples()[f.LeadIn:f.LeadIn+f.Period])
		spacing := float64(c.Rate()) / float64(f.Period)
		for k := int(math.Ceil(o.LowHz / spacing)); float64(k)*spacing <= o.HighHz; k++ {
			hz := float64(k) * spacing
			ideal := c.Peak / 2 * math.Sqrt(c.Rise()/hz) * float64(c.Rate())
			if off := 20 * math.Log10(cmplx.Abs(lines[k])/ideal); math.Abs(off) > 6 {
				t.Fatalf("line at %.3f Hz is %.2f dB off the envelope", hz, off)
			}
		}
	})
}

func TestChirpJSONRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, err := NewChirp(drawOptions(t))
		if err != nil {
			t.Skip(err)
		}
		law, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode(law)
		if err != nil {
			t.Fatal(err)
		}
		if back != Signal(c) {
			t.Fatalf("%s\nbecame %+v,\nwant %+v", law, back, c)
		}
	})
}

func TestDecodedSamplesAreIdentical(t *testing.T) {
	forRates(t, func(t *testing.T, c Chirp) {
		law, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode(law)
		if err != nil {
			t.Fatal(err)
		}
		got, want := back.Samples(), c.Samples()
		if back.Rate() != c.Rate() || len(got) != len(want) {
			t.Fatalf("%d samples at %d Hz, want %d at %d Hz", len(got), back.Rate(), len(want), c.Rate())
		}
		for i := range want {
			if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
				t.Fatalf("sample %d is %v, want %v", i, got[i], want[i])
			}
		}
	})
}

// The keys are part of the record's format.
func TestChirpJSONKeys(t *testing.T) {
	law, err := json.Marshal(mustChirp(t, ChirpOptions{}))
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(law, &got); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"kind", "rate_hz", "low_hz", "high_hz", "peak", "start_hz", "stop_hz", "lead_in", "period", "periods", "tail", "fade"} {
		if _, ok := got[key]; !ok {
			t.Errorf("key %q is missing", key)
		}
		delete(got, key)
	}
	if len(got) != 0 {
		t.Errorf("unexpected keys: %v", got)
	}
}

func TestNewChirpErrors(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name string
		o    ChirpOptions
		want string
	}{
		{"low rate", ChirpOptions{RateHz: 7999}, "sample rate 7999 Hz is outside 8000 to 768000 Hz"},
		{"high rate", ChirpOptions{RateHz: 768001}, "sample rate 768001 Hz"},
		{"short period", ChirpOptions{PeriodSeconds: 0.05}, "period of 0.05 s is outside 0.1 to 120 s"},
		{"long period", ChirpOptions{PeriodSeconds: 121}, "period of 121 s"},
		{"period NaN", ChirpOptions{PeriodSeconds: nan}, "period of NaN s"},
		{"one period", ChirpOptions{Periods: 1}, "1 periods: at least two are needed"},
		{"negative periods", ChirpOptions{Periods: -2}, "-2 periods"},
		{"seven periods", ChirpOptions{Periods: 7}, "no prime factor above 5"},
		{"peak", ChirpOptions{Peak: 1.01}, "peak 1.01 of full scale is outside 0 to 1"},
		{"negative peak", ChirpOptions{Peak: -0.5}, "peak -0.5"},
		{"peak NaN", ChirpOptions{Peak: nan}, "peak NaN"},
		{"negative band", ChirpOptions{LowHz: -10}, "band from -10 to 20000 Hz must start above 0"},
		{"narrow band", ChirpOptions{LowHz: 100, HighHz: 199}, "span at least an octave"},
		{"band NaN", ChirpOptions{HighHz: nan}, "band from 10 to NaN Hz"},
		{"band infinite", ChirpOptions{HighHz: math.Inf(1)}, "band up to +Inf Hz does not fit"},
		{"band beyond the rate", ChirpOptions{RateHz: 32000}, "band up to 20000 Hz does not fit a sample rate of 32000 Hz, which carries up to 14933 Hz"},
		{"band too low for the period", ChirpOptions{LowHz: 1}, "band from 1 Hz needs a period longer than 5.46 s; raise the low end to 3.2 Hz or more"},
		{"too long in all", ChirpOptions{PeriodSeconds: 120, Periods: 6}, "longer than 600 s"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := NewChirp(c.o); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got error %v, want one with %q", err, c.want)
			}
		})
	}
}

func TestDecodeRefusesLawsOfNoOption(t *testing.T) {
	var good map[string]any
	law, err := json.Marshal(mustChirp(t, ChirpOptions{}))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(law, &good); err != nil {
		t.Fatal(err)
	}
	start, stop := good["start_hz"].(float64), good["stop_hz"].(float64)
	for _, c := range []struct {
		name string
		set  map[string]any
		want string
	}{
		{"no rate", map[string]any{"rate_hz": 0}, "sample rate 0 Hz"},
		{"rate beyond int", map[string]any{"rate_hz": 1e300}, "chirp law: "},
		{"part of a sample", map[string]any{"period": 262144.5}, "chirp law: "},
		{"no peak", map[string]any{"peak": 0}, "peak 0 of full scale"},
		{"loud", map[string]any{"peak": 1.5}, "peak 1.5 of full scale"},
		{"one period", map[string]any{"periods": 1}, "at least two counted periods"},
		{"odd factor", map[string]any{"period": 262145}, "no prime factor above 5"},
		{"whole mains cycles", map[string]any{"period": 240000}, "whole number of mains cycles"}, // 5 s
		{"odd length", map[string]any{"period": 243 * 1125}, "is odd"},
		{"too long", map[string]any{"periods": 1 << 20}, "longer than 600 s"},
		{"overflow", map[string]any{"lead_in": math.MaxInt, "tail": math.MaxInt}, "longer than 600 s"},
		{"fade", map[string]any{"fade": 28801}, "fade of 28801 samples"},
		{"band below the sweep", map[string]any{"low_hz": start - 0.1}, "must enclose its band"},
		{"band above the sweep", map[string]any{"high_hz": stop + 1}, "must enclose its band"},
		{"negative start", map[string]any{"start_hz": -start}, "must enclose its band"},
		{"beyond half the rate", map[string]any{"stop_hz": 24000}, "stay below 24000 Hz"},
		{"start of no whole cycles", map[string]any{"start_hz": start + 0.01}, "must be whole numbers"},
		{"stop of no whole cycles", map[string]any{"stop_hz": stop + 0.01}, "must be whole numbers"},
		{"key that is not known", map[string]any{"window": "none"}, `key "window" is unknown`},
	} {
		t.Run(c.name, func(t *testing.T) {
			spoiled := maps.Clone(good)
			maps.Copy(spoiled, c.set)
			law, err := json.Marshal(spoiled)
			if err != nil {
				t.Fatal(err)
			}
			s, err := Decode(law)
			if err == nil || !strings.Contains(err.Error(), c.want) || s != nil {
				t.Errorf("got %v and error %v, want an error with %q", s, err, c.want)
			}
		})
	}
}

func BenchmarkChirpSamples(b *testing.B) {
	c := mustChirp(b, ChirpOptions{})
	for b.Loop() {
		c.Samples()
	}
}
