package ratio

import (
	"math"
	"testing"

	"tapload/measure/signal"
)

// An input without noise rounds every period to the same codes, as through the
// mixer of a desktop: the lines between show nothing of the error, which is that
// of the codes all the same, and neither tones nor a bend. (A signal of five codes
// is another matter: for it the steps of the converter are a bend.)
func TestRoundingAlone(t *testing.T) {
	const code = 0x1p-15
	short := func(float64) complex128 { return 0.12 }
	for _, c := range []struct {
		name string
		z    func(float64) complex128
		peak float64
	}{
		{"cabinet", cabinet, 0.1},
		{"cabinet, quiet", cabinet, 0.01},
		{"short", short, 0.1},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := synthetic{sig: chirp(t, signal.ChirpOptions{LowHz: 20, PeriodSeconds: 1, Peak: c.peak}), after: 9600, g: divider(15, c.z)}
			rec := y.record(t)
			for i := range rec.V1 {
				rec.V1[i] = code * math.Round(rec.V1[i]/code)
				rec.V2[i] = code * math.Round(rec.V2[i]/code)
			}
			r, err := Of(t.Context(), rec, y.sig)
			if err != nil {
				t.Fatal(err)
			}
			worst, inside, parts := agreement(r, y.g)
			t.Logf("worst %.1f u, %d of %d inside, %+v", worst, inside, parts, r.Seen)
			if share := float64(inside) / float64(parts); worst > 6 || share < 0.93 {
				t.Errorf("off by up to %.1f u, %.1f %% inside 95 %%", worst, 100*share)
			}
			if r.Seen.Bending != nil || len(r.Seen.OnLines) > 0 {
				t.Errorf("seen: bending %+v, tones on lines %v", r.Seen.Bending, r.Seen.OnLines)
			}
		})
	}
}
