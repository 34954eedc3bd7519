package ratio

import (
	"math"
	"testing"

	"tapload/measure/signal"
)

// liveTone is what a live view plays, four periods of it.
func liveTone(t testing.TB) signal.Multitone {
	return multitone(t, signal.MultitoneOptions{PeriodSeconds: 0.7, Periods: 4})
}

func newWindow(t testing.TB, sig signal.Periodic) *Window {
	t.Helper()
	w, err := NewWindow(sig, 2)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// Wherever it begins, a window of a signal in steady state has the exact ratio,
// and with noise one inside what it states.
func TestWindowIsExactWhereverItBegins(t *testing.T) {
	sig, truth := liveTone(t), divider(10, cabinet)
	w := newWindow(t, sig)
	clean := synthetic{sig: sig, g: truth}.record(t)
	noisy := synthetic{sig: sig, g: truth, noise: 1e-4, seed: 3}.record(t)
	inside, parts := 0, 0
	for _, at := range []int{sig.Frame().LeadIn, 40000, 51237, 62001} {
		r, err := w.Ratio(t.Context(), clean.V1[at:at+w.Len()], clean.V2[at:at+w.Len()])
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Points) != len(sig.Lines()) {
			t.Fatalf("%d points of %d lines", len(r.Points), len(sig.Lines()))
		}
		// What the lead-in left of the load's ringing: 100 Hz at Q = 6 falls by
		// exp(-31) in half a second.
		if e := worstRelative(r, truth, 5); e > 1e-9 {
			t.Errorf("from sample %d: largest relative error %.2g", at, e)
		}
		if r, err = w.Ratio(t.Context(), noisy.V1[at:at+w.Len()], noisy.V2[at:at+w.Len()]); err != nil {
			t.Fatal(err)
		}
		worst, in, of := agreement(r, truth)
		if worst > 5 {
			t.Errorf("from sample %d: %.1f standard uncertainties off", at, worst)
		}
		inside, parts = inside+in, parts+of
	}
	if share := float64(inside) / float64(parts); share < 0.93 || share > 0.97 {
		t.Errorf("%.1f %% of %d parts inside their 95 %% intervals", 100*share, parts)
	}
}

// A window with hum is inside what it states, too.
func TestWindowTakesHumOut(t *testing.T) {
	sig, truth := liveTone(t), divider(10, cabinet)
	w := newWindow(t, sig)
	rec := synthetic{sig: sig, g: truth, noise: 1e-5}.record(t)
	addTone(rec, 50.03, 0.4, 3e-3, 2e-3)
	addTone(rec, 150.09, 1.4, 1e-3, 1e-3)
	r, err := w.Ratio(t.Context(), rec.V1[45000:45000+w.Len()], rec.V2[45000:45000+w.Len()])
	if err != nil {
		t.Fatal(err)
	}
	if worst, _, _ := agreement(r, truth); worst > 5 {
		t.Errorf("%.1f standard uncertainties off", worst)
	}
	if len(r.Seen.Mains) < 2 {
		t.Errorf("found %v", r.Seen.Mains)
	}
}

// A load that changes stands out in the blocks, but for a change in the middle of
// the window, where all blocks differ, and far more than noise.
func TestRepeatedShowsAChange(t *testing.T) {
	sig := liveTone(t)
	w := newWindow(t, sig)
	const noise = 1e-4
	a := synthetic{sig: sig, g: divider(10, cabinet), noise: noise, seed: 1}.record(t)
	b := synthetic{sig: sig, g: divider(10, func(hz float64) complex128 { return 1.1 * cabinet(hz) }), noise: noise, seed: 2}.record(t)
	const at = 40000
	if r := w.Repeated(a.V2[at : at+w.Len()]); r.Most > 3*r.Usual || math.Abs(r.Usual/(2*noise*noise)-1) > 0.2 {
		t.Errorf("steady: usual %.3g, want %.3g, most %.3g", r.Usual, 2*noise*noise, r.Most)
	}
	for _, part := range []float64{0.002, 0.1, 0.36, 0.5, 0.64, 0.9, 0.998} {
		v := append([]float64(nil), a.V2[at:at+w.Len()]...)
		from := int(part * float64(len(v)))
		copy(v[from:], b.V2[at+from:])
		r := w.Repeated(v)
		if stands := r.Most > 30*r.Usual; stands == (part == 0.5) {
			t.Errorf("changed at %g of the window: most %.3g, usual %.3g", part, r.Most, r.Usual)
		}
		if r.Most < 30*2*noise*noise {
			t.Errorf("changed at %g of the window: most %.3g beside noise of %.3g", part, r.Most, 2*noise*noise)
		}
	}
}

func BenchmarkWindow(b *testing.B) {
	sig := liveTone(b)
	w := newWindow(b, sig)
	rec := synthetic{sig: sig, g: divider(10, cabinet), noise: 1e-5}.record(b)
	addTone(rec, 50.03, 0.4, 3e-4, 2e-4)
	for b.Loop() {
		if _, err := w.Ratio(b.Context(), rec.V1[40000:40000+w.Len()], rec.V2[40000:40000+w.Len()]); err != nil {
			b.Fatal(err)
		}
	}
}
