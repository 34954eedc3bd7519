package ratio

import (
	"math"
	"testing"
)

// An input that bends by a cube makes the ratio hang on how loud it is: the loud
// windows of music differ from the others, by what the whole may differ from a
// small signal.
func TestMusicTellsABend(t *testing.T) {
	plainOnly(t)
	sig := music(t, 20)
	truth := divider(10, cabinet)
	for _, third := range []float64{0, 1e-3} { // 3rd harmonic of a sine of the peak
		rec := slowly{sig: sig, load: cabinet, noise: 1e-5}.record(t)
		var peak float64
		for _, v := range rec.V2 {
			peak = max(peak, math.Abs(v))
		}
		b := 4 * third / (peak * peak)
		for i, v := range rec.V2 {
			rec.V2[i] = v - b*v*v*v
		}
		r, err := Of(t.Context(), rec, sig)
		if err != nil {
			t.Fatal(err)
		}
		if said := len(r.Seen.Moved) > 0; said != (third > 0) {
			t.Errorf("3rd harmonic of %g: %+v", third, r.Seen.Moved)
		}
		worst, _, _ := agreement(r, truth)
		if worst > 6 {
			t.Errorf("3rd harmonic of %g: largest error %.1f standard uncertainties", third, worst)
		}
	}
}
