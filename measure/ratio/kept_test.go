package ratio

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"tapload/measure/card"
	"tapload/measure/signal"
)

// codes returns so many samples that are codes of 24 bits.
func codes(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 24))
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Round(0.2*r.NormFloat64()*(1<<23)) / (1 << 23)
	}
	return x
}

// What was in the memory of the spectrum comes back to the last bit, and the
// spectrum stays.
func TestSamplesComeBack(t *testing.T) {
	f := chirp(t, quick).Frame()
	total := f.Period * f.Periods
	v := [2][]float64{codes(total+2, 1), codes(total+2, 2)}
	s, err := spectrumOf(t.Context(), [2][]float64{slices.Clone(v[0]), slices.Clone(v[1])}, f, 48000)
	if err != nil {
		t.Fatal(err)
	}
	x1, x2 := slices.Clone(s.x1), slices.Clone(s.x2)
	k, err := s.samplesAgain(t.Context(), [2]float64{card.Code(v[0]), card.Code(v[1])})
	if err != nil {
		t.Fatal(err)
	}
	got1, got2 := make([]float64, total), make([]float64, total)
	if err := k.fetch(t.Context(), got1, got2); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got1, v[0][1:total+1]) || !slices.Equal(got2, v[1][1:total+1]) {
		t.Error("other samples")
	}
	if !slices.Equal(s.x1, x1) || !slices.Equal(s.x2, x2) {
		t.Error("other lines")
	}
	if k.wide[0] != nil {
		t.Error("codes of 24 bits were kept in full width")
	}
}

// Samples are interpolated from half the width as they are from the whole.
func TestKeptWidthMakesNoDifference(t *testing.T) {
	v1, v2 := codes(20000, 3), codes(20000, 4)
	clock := &onClock{newKernel(48000, 20000), 100, 40e-6}
	narrow := keep(t.Context(), v1, v2, clock)
	wide := &kept{wide: [2][]float64{v1, v2}, clock: clock}
	var got [2][2][]float64
	for i, k := range []*kept{narrow, wide} {
		got[i] = [2][]float64{make([]float64, 19000), make([]float64, 19000)}
		if err := k.fetch(t.Context(), got[i][0], got[i][1]); err != nil {
			t.Fatal(err)
		}
	}
	if narrow.narrow[0] == nil || !slices.Equal(got[0][0], got[1][0]) || !slices.Equal(got[0][1], got[1][1]) {
		t.Error("it does")
	}
	if !slices.Equal(narrow.piece(1, 500, 700), v2[500:700]) {
		t.Error("a piece is not what was recorded")
	}
	third := slices.Clone(v2)
	third[7] = 1.0 / 3
	if k := keep(t.Context(), v1, third, nil); !slices.Equal(k.piece(1, 0, 20), third[:20]) {
		t.Error("digits are lost")
	}
}

// Take works in the memory of the recording, which Of leaves alone, and needs
// nothing but the samples that count.
func TestTakeNeedsNothingBesideWhatCounts(t *testing.T) {
	sig := chirp(t, quick)
	f := sig.Frame()
	rec := synthetic{sig: sig, before: 3000, after: 3000, g: divider(10, cabinet), noise: 1e-4}.record(t)
	before := slices.Clone(rec.V1)
	want, err := Of(t.Context(), rec, sig)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(rec.V1, before) {
		t.Error("Of changes the recording")
	}
	from := int(math.Round(want.Seen.StartSeconds * 48000))
	rec.V1, rec.V2 = rec.V1[from:from+f.Period*f.Periods], rec.V2[from:from+f.Period*f.Periods]
	got, err := Take(t.Context(), &rec, sig)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Points, want.Points) {
		t.Error("other points")
	}
	if rec.V1 != nil || rec.V2 != nil {
		t.Error("the recording still has samples")
	}
}

// Nothing of a recording that was not all looked at is an answer, be it right.
func TestNoAnswerAfterTheContext(t *testing.T) {
	sig := chirp(t, quick)
	m, err := signal.NewMultitone(t.Context(), signal.MultitoneOptions{PeriodSeconds: 0.6, LowHz: 40})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, s := range []signal.Signal{sig, m, tones(t, signal.TonesOptions{PerOctave: 3})} {
		rec := card.Recording{RateHz: 48000, V1: s.Samples(), V2: s.Samples(), Inputs: [2]int{1, 2}}
		if _, err := Of(ctx, rec, s); !errors.Is(err, context.Canceled) {
			t.Errorf("%T: error %v", s, err)
		}
	}
	rec := card.Recording{RateHz: 48000, V1: sig.Samples(), V2: sig.Samples()}
	if _, err := harmonicsAlone(ctx, rec, sig); !errors.Is(err, context.Canceled) {
		t.Errorf("harmonics: error %v", err)
	}
}
