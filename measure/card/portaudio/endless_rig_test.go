//go:build linux

package portaudio

import (
	"context"
	"math/cmplx"
	"os"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"tapload/measure/card"
	"tapload/measure/card/portaudio/rig"
	"tapload/measure/processor"
	"tapload/measure/ratio"
	"tapload/measure/signal"
)

// followed is what came of a live view: a window of two periods each 0.1 s.
type followed struct {
	Windows, Late int
	G             []complex128 // of the first window
	Hz            []float64
	Change        float64 // largest of any window from the first, relative
	Skipped       int     // steps that were not looked at

	Open, First, Stop time.Duration // until sound plays, until the first window, of Close
	Work, WorkMost    time.Duration // per window, the median and the 95th percentile
	CPU               float64       // seconds of processor time for a second of sound
	Heap              [2]int64      // bytes after a collection, a quarter of the way on and at the end
	Goroutines        int           // more than before, at the end
}

func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// follow plays a multitone without end and takes the ratio of window after window.
func follow(c *Card, j job) (f followed, err error) {
	sig, err := signal.NewMultitone(context.Background(), signal.MultitoneOptions{RateHz: j.Output.RateHz, PeriodSeconds: 0.7})
	if err != nil {
		return f, err
	}
	cycle, err := sig.Cycle(context.Background())
	if err != nil {
		return f, err
	}
	w, err := ratio.NewWindow(sig, 2)
	if err != nil {
		return f, err
	}
	goroutines := runtime.NumGoroutine()
	began := time.Now()
	s, err := c.Stream(context.Background(), card.Loop{RateHz: sig.RateHz, Period: cycle})
	if err != nil {
		return f, err
	}
	f.Open = time.Since(began)
	v1, v2 := make([]float64, w.Len()), make([]float64, w.Len())
	step, last := int64(sig.RateHz/10), int64(j.Follow.Seconds()*float64(sig.RateHz))
	var work []time.Duration
	cpu := processor.Time().Seconds()
	// The first window begins when the load has come to rest.
	for at := int64(sig.RateHz); ; at += step {
		end := at + int64(w.Len())
		if end > last {
			break
		}
		if err := s.Wait(context.Background(), end); err != nil {
			return f, err
		}
		if behind := (s.Frames() - end) / step; behind > 0 {
			f.Skipped += int(behind)
			at += behind * step
		}
		before := time.Now()
		if err := s.Read(at, v1, v2); err != nil {
			return f, err
		}
		r, err := w.Ratio(context.Background(), v1, v2)
		if err != nil {
			return f, err
		}
		work = append(work, time.Since(before))
		if f.Windows++; f.Windows == 1 {
			f.First = time.Since(began)
		}
		for i, p := range r.Points {
			if f.Windows == 1 {
				f.G, f.Hz = append(f.G, p.G), append(f.Hz, p.Hz)
			}
			f.Change = max(f.Change, cmplx.Abs(p.G/f.G[i]-1))
		}
		if f.Heap[0] == 0 && at > last/4 {
			f.Heap[0] = heap()
		}
	}
	f.CPU = (processor.Time().Seconds() - cpu) / (float64(last) / float64(sig.RateHz))
	f.Heap[1] = heap()
	_, f.Late = s.BadAt()
	began = time.Now()
	err = s.Close()
	f.Stop = time.Since(began)
	for range 100 { // one that has done its work takes a moment to be gone
		if f.Goroutines = runtime.NumGoroutine() - goroutines; f.Goroutines <= 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	slices.Sort(work)
	if len(work) > 0 {
		f.Work, f.WorkMost = work[len(work)/2], work[len(work)*95/100]
	}
	return f, err
}

// followOnRig has a live view run for so long.
func followOnRig(t testing.TB, seconds int) followed {
	t.Helper()
	r := rig.Start(t, rig.Options{Chains: load.Circuit(48000).Chains(), RealTime: true})
	o := do(t, r, job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000}, Follow: time.Duration(seconds) * time.Second})
	if o.Failed != "" {
		t.Fatal(o.Failed)
	}
	return o.Followed
}

// Every window of a stream has the ratio of the first, which is that of the
// simulated circuit to the rounding of its samples; the sound ends cleanly and
// leaves nothing behind. In the rig a late block costs no sample.
func TestRigStream(t *testing.T) {
	f := followOnRig(t, 4)
	if f.Windows < 3 || f.Change > 1e-9 {
		t.Errorf("%d windows, in which the ratio changed by %.2g", f.Windows, f.Change)
	}
	circuit := load.Circuit(48000)
	for i, g := range f.G {
		if want := circuit.V2.At(f.Hz[i], 48000) / circuit.V1.At(f.Hz[i], 48000); cmplx.Abs(g/want-1) > 1e-6 {
			t.Fatalf("%g Hz: %v, want %v", f.Hz[i], g, want)
		}
	}
	// The sound system's own thread counts as one since it first called back.
	if f.Goroutines > 1 {
		t.Errorf("%d goroutines are left", f.Goroutines)
	}
	if f.Stop > 2*time.Second {
		t.Errorf("closed after %v", f.Stop)
	}
}

// BenchmarkRigStream runs a live view for minutes, of TAPLOAD_LIVE_SECONDS, for
// testdata/figures/live.txt.
func BenchmarkRigStream(b *testing.B) {
	seconds := 60
	if s := os.Getenv("TAPLOAD_LIVE_SECONDS"); s != "" {
		var err error
		if seconds, err = strconv.Atoi(s); err != nil {
			b.Fatal(err)
		}
	}
	for range b.N {
		f := followOnRig(b, seconds)
		b.ReportMetric(float64(f.Windows), "windows")
		b.ReportMetric(float64(f.Skipped), "skipped")
		b.ReportMetric(float64(f.Late), "late-blocks")
		b.ReportMetric(1e12*f.Change, "change-of-G-1e-12")
		b.ReportMetric(100*f.CPU, "cpu-%")
		b.ReportMetric(1e3*f.Work.Seconds(), "ms/window")
		b.ReportMetric(1e3*f.WorkMost.Seconds(), "ms/window-p95")
		b.ReportMetric(f.Open.Seconds(), "open-s")
		b.ReportMetric(f.First.Seconds(), "first-s")
		b.ReportMetric(f.Stop.Seconds(), "stop-s")
		b.ReportMetric(float64(f.Heap[0])/(1<<20), "heap-early-MiB")
		b.ReportMetric(float64(f.Heap[1])/(1<<20), "heap-end-MiB")
	}
}
