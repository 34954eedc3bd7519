package card

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapload/measure/signal"
)

// recording returns a recording of x at input 1 and of half of it at input 2.
func recording(rateHz, bits int, x []float64) Recording {
	half := make([]float64, len(x))
	for i, v := range x {
		half[i] = v / 2
	}
	return Recording{RateHz: rateHz, V1: x, V2: quantise(half, bits), Bits: bits, Inputs: [2]int{1, 2}}
}

// quantise rounds x in place to codes of the given word length.
func quantise(x []float64, bits int) []float64 {
	if bits == 0 {
		return x
	}
	full := math.Ldexp(1, bits-1)
	for i, v := range x {
		x[i] = math.Max(-full, math.Min(full-1, math.RoundToEven(v*full))) / full
	}
	return x
}

// whiteNoise is drawn once, since drawing takes most of the tests' time.
var whiteNoise = func() []float64 {
	rng := rand.New(rand.NewPCG(1, 1))
	x := make([]float64, 1<<18)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}()

func addNoise(x []float64, rms float64, seed uint64) {
	at := int(seed % uint64(len(whiteNoise)))
	for i := range x {
		x[i] += rms * whiteNoise[at]
		if at++; at == len(whiteNoise) {
			at = 0
		}
	}
}

// sine returns a seconds long sine with the given peak.
func sine(rateHz int, hz, peak, phase, seconds float64) []float64 {
	x := make([]float64, int(seconds*float64(rateHz)))
	for i := range x {
		x[i] = peak * math.Sin(2*math.Pi*hz*float64(i)/float64(rateHz)+phase)
	}
	return x
}

func clip(x []float64, lo, hi float64) {
	for i, v := range x {
		x[i] = max(lo, min(hi, v))
	}
}

func TestCheckFaults(t *testing.T) {
	clean := func() Recording { return recording(48000, 24, quantise(sine(48000, 100, 0.5, 0, 0.5), 24)) }
	for _, c := range []struct {
		name  string
		spoil func(*Recording)
		cause Cause
		words []string
	}{
		{"rate", func(r *Recording) { r.RateHz = 0 }, WrongRate, []string{"0 Hz"}},
		{"empty", func(r *Recording) { r.V1, r.V2 = nil, nil }, TooShort, []string{"no samples"}},
		{"unequal", func(r *Recording) { r.V2 = r.V2[:23999] }, Dropout, []string{"input 1 has 24000", "input 2 has 23999"}},
		{"NaN", func(r *Recording) { r.V2[12000] = math.NaN() }, Dropout, []string{"input 2", "NaN", "0.2500 s"}},
		{"NaN first", func(r *Recording) { r.V1[0] = math.NaN() }, Dropout, []string{"input 1", "NaN", "0.0000 s"}},
		{"infinite", func(r *Recording) { r.V1[23999] = math.Inf(-1) }, Dropout, []string{"input 1", "-Inf"}},
		{"flat", func(r *Recording) { clear(r.V2) }, NoSignal, []string{"input 2", "never moves", "24000"}},
		{"flat at an offset", func(r *Recording) { clear(r.V1); clip(r.V1, 0.25, 1) }, NoSignal, []string{"input 1", "0.25 "}},
		{"named inputs", func(r *Recording) { r.Inputs = [2]int{5, 7}; clear(r.V2) }, NoSignal, []string{"input 7"}},
		{"unnamed inputs", func(r *Recording) { r.Inputs = [2]int{}; clear(r.V2) }, NoSignal, []string{"input 2"}},
		{"two in a row at full scale", func(r *Recording) { r.V1[4800], r.V1[4801] = 1, 1 }, Clipped, []string{"input 1", "2 samples", "full scale", "0.1000 s"}},
		{"three apart at full scale", func(r *Recording) { r.V2[4800], r.V2[4810], r.V2[9600] = -1, 0.99995, -1 }, Clipped, []string{"input 2", "3 samples", "0.1000 s"}},
		{"largest code of 12 bits", func(r *Recording) { r.Bits = 12; r.V1[4800], r.V1[4801] = 2047./2048, 2047./2048 }, Clipped, []string{"input 1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := clean()
			if err := r.Check(t.Context()); err != nil {
				t.Fatalf("clean recording: %v", err)
			}
			c.spoil(&r)
			wantFault(t, r.Check(t.Context()), c.cause, c.words...)
		})
	}
}

// pieced is a Sound that comes in pieces of any length.
type pieced struct {
	Recording
	length func() int
}

func (p pieced) Pieces(ctx context.Context, take func(v1, v2 []float64) error) error {
	for from := 0; from < len(p.V1); {
		to := min(len(p.V1), from+p.length())
		if err := take(p.V1[from:to], p.V2[from:to]); err != nil {
			return err
		}
		from = to
	}
	return nil
}

// Sound that does not lie in memory is judged as what does, to the word.
func TestCheckInPieces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, rate, peak, rms, seed := drawChirp(t, -75)
		if rapid.Bool().Draw(t, "clipped") {
			level := peak * (1 - rapid.Float64Range(0.01, 0.7).Draw(t, "by"))
			clip(x, -level, level)
		}
		addNoise(x, rms, seed)
		bits := drawBits(t)
		r := recording(rate, bits, quantise(x, bits))
		r.Bits = claim(t, bits)
		if rapid.Bool().Draw(t, "second") {
			r.V1, r.V2 = r.V2, r.V1
		}
		r.V1[0] = rapid.SampledFrom([]float64{0, 0, 0, 1, math.NaN()}).Draw(t, "first sample")
		pieces := rapid.SampledFrom([]int{1, 40, 4000, 1 << 20}).Draw(t, "longest piece")
		random := rand.New(rand.NewPCG(seed, 5))
		got := Check(t.Context(), pieced{r, func() int { return 1 + random.IntN(pieces) }})
		if want := r.Check(t.Context()); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Fatalf("%v, in memory %v", got, want)
		}
	})
}

func TestPeakMayTouchFullScale(t *testing.T) {
	r := recording(48000, 24, quantise(sine(48000, 100, 0.5, 0, 0.5), 24))
	r.V1[4800], r.V1[4900] = -1, 1-0x1p-23
	if err := r.Check(t.Context()); err != nil {
		t.Errorf("two single peaks at full scale: %v", err)
	}
	r.Bits = 12
	r.V1[4800], r.V1[4900] = 2046./2048, 2046./2048
	r.V1[4801] = 2046. / 2048
	if err := r.Check(t.Context()); err != nil {
		t.Errorf("one code below the largest: %v", err)
	}
}

// drawBits draws a word length; 0 is float64 samples.
func drawBits(t *rapid.T) int { return rapid.SampledFrom([]int{0, 16, 24}).Draw(t, "bits") }

func drawRate(t *rapid.T) int {
	return rapid.SampledFrom([]int{44100, 48000, 88200, 96000, 192000}).Draw(t, "rate")
}

// claim draws the word length that a driver states for samples of the given
// one: a 16-bit card that delivers float32 counts as 24.
func claim(t *rapid.T, bits int) int {
	return rapid.SampledFrom([]int{bits, 24, 0}).Draw(t, "stated bits")
}

func TestCleanSinePasses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate, bits := drawRate(t), drawBits(t)
		// Frequencies that are a simple fraction of the rate repeat the same few
		// samples, so that the top is the same code again and again.
		hz := rapid.OneOf(
			rapid.Map(rapid.Float64Range(math.Log(5), math.Log(0.49*44100)), math.Exp),
			rapid.Map(rapid.IntRange(3, 4000), func(n int) float64 { return float64(rate) / float64(n) }),
		).Draw(t, "hz")
		dB := rapid.Float64Range(-100, -0.01).Draw(t, "peak dB")
		peak := math.Pow(10, dB/20)
		x := sine(rate, hz, peak, rapid.Float64Range(0, 7).Draw(t, "phase"), max(0.25, 20/hz))
		offset := rapid.Float64Range(-1, 1).Draw(t, "offset") * min(0.9*peak, 0.998-peak)
		for i := range x {
			x[i] += offset
		}
		x = quantise(x, bits)
		lo, hi, _ := extremes(t.Context(), x)
		if lo == hi {
			t.Skip("below one code")
		}
		tops := newTopCheck(inputCheck{rec: Recording{Bits: claim(t, bits)}, lo: lo, hi: hi}, step(x))
		if tops.add(t.Context(), x, true); tops.tops != 0 {
			t.Fatalf("%d flat tops", tops.tops)
		}
	})
}

// chirps are made once: the property tests only scale, clip and spoil them.
var chirps = map[string][]float64{}

func chirp(t interface{ Fatal(...any) }, rateHz int, lowHz float64) []float64 {
	key := fmt.Sprint(rateHz, lowHz)
	if chirps[key] == nil {
		c, err := signal.NewChirp(signal.ChirpOptions{RateHz: rateHz, LowHz: lowHz, Peak: 1, PeriodSeconds: 1})
		if err != nil {
			t.Fatal(err)
		}
		chirps[key] = c.Samples()
	}
	return slices.Clone(chirps[key])
}

// drawChirp draws a chirp, its peak, and the rms of the noise to add to it.
func drawChirp(t *rapid.T, noisiest float64) (x []float64, rateHz int, peak, rms float64, seed uint64) {
	rateHz = rapid.SampledFrom([]int{44100, 48000, 96000}).Draw(t, "rate") // more would only take longer
	x = chirp(t, rateHz, rapid.SampledFrom([]float64{20, 40, 100}).Draw(t, "low"))
	peak = math.Pow(10, rapid.Float64Range(-26, -0.5).Draw(t, "peak dB")/20)
	for i := range x {
		x[i] *= peak
	}
	rms = peak * math.Pow(10, rapid.Float64Range(-120, noisiest).Draw(t, "noise dB below peak")/20)
	return x, rateHz, peak, rms, rapid.Uint64().Draw(t, "seed")
}

func TestCleanChirpPasses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, rate, peak, rms, seed := drawChirp(t, 0)
		// A resonant load shapes the envelope.
		f := rapid.Map(rapid.Float64Range(math.Log(20), math.Log(5000)), math.Exp).Draw(t, "resonance")
		resonate(x, f/float64(rate), rapid.Float64Range(0.5, 12).Draw(t, "q"))
		scale := min(1, 0.9/(peak+5*rms))
		addNoise(x, rms, seed)
		for i := range x {
			x[i] *= scale
		}
		bits := drawBits(t)
		r := recording(rate, bits, quantise(x, bits))
		r.Bits = claim(t, bits)
		if err := r.Check(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
}

// resonate passes x through a band-pass of unit gain at f cycles a sample
// mixed half and half with x itself, so that the peak stays within x's.
func resonate(x []float64, f, q float64) {
	alpha := math.Sin(2*math.Pi*f) / (2 * q)
	b0, a0, a1, a2 := alpha, 1+alpha, -2*math.Cos(2*math.Pi*f), 1-alpha
	var x1, x2, y1, y2 float64
	for i, v := range x {
		y := (b0*(v-x2) - a1*y1 - a2*y2) / a0
		x2, x1 = x1, v
		y2, y1 = y1, y
		x[i] = (v + y) / 2
	}
}

func TestClippedChirpFails(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, rate, peak, rms, seed := drawChirp(t, -75)
		level := peak * (1 - rapid.Float64Range(0.01, 0.7).Draw(t, "clipped by"))
		lo, hi := -level, level
		switch rapid.SampledFrom([]string{"both", "above", "below"}).Draw(t, "polarity") {
		case "above":
			lo = -1
		case "below":
			hi = 1
		}
		clip(x, lo, hi)
		addNoise(x, rms, seed)
		bits := drawBits(t)
		r := recording(rate, bits, quantise(x, bits))
		r.Bits = claim(t, bits)
		err := r.Check(t.Context())
		if err == nil {
			t.Fatal("clipping went unnoticed")
		}
		if f, ok := err.(*Fault); !ok || f.Cause != Clipped || !strings.Contains(f.Text, "input 1 is clipped before") {
			t.Fatalf("unexpected fault: %v", err)
		}
	})
}

// A resonance that overloads the input clips in a few cycles only.
func TestClippedResonanceFails(t *testing.T) {
	c, err := signal.NewChirp(signal.ChirpOptions{})
	if err != nil {
		t.Fatal(err)
	}
	x := c.Samples()
	resonate(x, 60./48000, 4)
	peak := slices.Max(x)
	for i := range x {
		x[i] *= 0.5 / peak
	}
	clip(x, -0.45, 0.45)
	r := recording(48000, 24, quantise(x, 24))
	wantFault(t, r.Check(t.Context()), Clipped, "input 1", "flat tops", "0.45 of full scale", "-6.9 dB")
}

func TestCheckAllocatesNothing(t *testing.T) {
	r := recording(48000, 24, quantise(sine(48000, 100, 0.5, 0, 0.5), 24))
	if n := testing.AllocsPerRun(10, func() { _ = r.Check(t.Context()) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// 2026-11, 2 cores: 3.7 ms; 5.5 ms when others keep them busy.
func BenchmarkCheck(b *testing.B) {
	c, err := signal.NewChirp(signal.ChirpOptions{})
	if err != nil {
		b.Fatal(err)
	}
	x := c.Samples()
	addNoise(x, 1e-4, 1)
	r := recording(48000, 24, quantise(x, 24))
	b.ReportAllocs()
	for b.Loop() {
		if err := r.Check(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
}

func TestLost(t *testing.T) {
	r := recording(48000, 24, make([]float64, 96000))
	r.Flags = []Flag{
		{Lapse: InputUnderflow, Blocks: 1, From: 0, To: 4800},
		{Lapse: InputOverflow, Blocks: 3, From: 24000, To: 48000},
		{Lapse: OutputUnderflow, Blocks: 1, From: 72000, To: 100000},
	}
	for _, c := range []struct {
		from, to int
		words    []string // nil where none is lost
	}{
		{4800, 24000, nil},
		{48000, 72000, nil},
		{0, 1, []string{"input underflow, once between 0.00 and 0.10 s", "not one that counts", "larger buffer"}},
		{4799, 24000, []string{"input underflow, once"}},
		{4800, 24001, []string{"input overflow, 3 times between 0.50 and 1.00 s"}},
		{47999, 72001, []string{"input overflow and output underflow, 4 times between 0.50 and 2.00 s"}},
		{0, 96000, []string{"input overflow and input underflow and output underflow, 5 times between 0.00 and 2.00 s"}},
	} {
		err := r.Lost(c.from, c.to)
		if c.words == nil {
			if err != nil {
				t.Errorf("frames %d to %d: %v, want none lost", c.from, c.to, err)
			}
			continue
		}
		wantFault(t, err, LostBlocks, c.words...)
	}
	r.Flags = nil
	if err := r.Lost(0, 96000); err != nil {
		t.Errorf("without a flag: %v", err)
	}
}

func TestCode(t *testing.T) {
	for _, c := range []struct {
		name string
		x    []float64
		want float64
	}{
		{"silence", []float64{0, 0}, 1},
		{"16 bits", quantise(sine(48000, 100, 0.5, 0, 0.5), 16), 0x1p-15},
		{"16 bits in steps of two codes", []float64{0, 0x1p-14, -0x1p-13}, 0x1p-14},
		{"24 bits", quantise(sine(48000, 100, 0.5, 0, 0.5), 24), 0x1p-23},
		{"scaled", []float64{0, 0.1, 0.3}, 0},
		{"not a number", []float64{math.NaN()}, 0},
	} {
		if got := Code(c.x); got != c.want {
			t.Errorf("%s: %g, want %g", c.name, got, c.want)
		}
	}
}
