package portaudio

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"tapload/measure/card"
)

func mustStream(t *testing.T, c *Card, ctx context.Context, l card.Loop) card.Stream {
	t.Helper()
	s, err := c.Stream(ctx, l)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The loop is heard without a gap from the rise on, for longer than the ring is,
// whatever the blocks; what Read gives is what the inputs heard.
func TestStreamRecordsEverySample(t *testing.T) {
	for _, blocks := range [][]int{{1024}, {64, 500, 3}} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(t)
			f.blocks = blocks
			c := mustOpen(t, f, Options{})
			defer mustClose(t, c)
			l := card.Loop{RateHz: 8000, Period: noise(1, 1001)}
			s := mustStream(t, c, t.Context(), l)
			v1, v2 := make([]float64, 900), make([]float64, 900)
			late := int64(-1)
			for at := int64(0); at < 40*8000; at += 900 {
				if err := s.Wait(t.Context(), at+900); err != nil {
					t.Fatal(err)
				}
				if err := s.Read(at, v1, v2); err != nil {
					t.Fatal(err)
				}
				for i := range v1 {
					if late < 0 {
						if v1[i] == 0 {
							continue
						}
						late = at + int64(i) // of the first sample, which is not 0
					}
					n := at + int64(i) - late
					want := float64(float32(l.Period[n%1001]) * float32(card.FadeInGain(n, 8000)))
					if v1[i] != want || v2[i] != float64(float32(want)/2) {
						t.Fatalf("frame %d: %g and %g, want %g", at+int64(i), v1[i], v2[i], want)
					}
				}
			}
			if late > int64(slices.Max(blocks)) {
				t.Errorf("first heard in frame %d", late)
			}
			if p := s.Peaks(); p[0] < 0.5 || math.Abs(p[0]/p[1]-2) > 1e-6 {
				t.Errorf("peaks %v", p)
			}
			if err := s.Read(0, v1, v2); err == nil {
				t.Error("frames of 40 s ago were read")
			}
			if err := s.Read(s.Frames()-899, v1, v2); err == nil {
				t.Error("frames that are not there yet were read")
			}
			if rec := s.About(); rec.RateHz != 8000 || rec.Source != c.in.String() || rec.Inputs != [2]int{1, 2} || rec.V1 != nil {
				t.Errorf("about %+v", rec)
			}
			if _, err := c.Play(t.Context(), card.Output{RateHz: 8000, Channels: [][]float64{l.Period}}); !errors.As(err, new(*card.Fault)) {
				t.Errorf("played beside a stream: %v", err)
			}
			if err := errors.Join(s.Close(), s.Close()); err != nil {
				t.Error(err)
			}
			if _, err := c.Play(t.Context(), card.Output{RateHz: 8000, Channels: [][]float64{l.Period}}); err != nil {
				t.Errorf("played after a stream: %v", err)
			}
		})
	}
}

// At the end of its context and when it is closed the sound fades out, and is 0
// before the stream is stopped.
func TestStreamFadesOut(t *testing.T) {
	why := errors.New("somebody pressed Ctrl-C")
	for _, closed := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(t)
			c := mustOpen(t, f, Options{})
			defer mustClose(t, c)
			ctx, cancel := context.WithCancelCause(t.Context())
			defer cancel(nil)
			ones := slices.Repeat([]float64{0.5}, 500)
			s := mustStream(t, c, ctx, card.Loop{RateHz: 48000, Period: ones})
			if err := s.Wait(t.Context(), 48000); err != nil {
				t.Fatal(err)
			}
			if !closed {
				time.AfterFunc(time.Second, func() { cancel(why) })
				began := time.Now()
				if err := s.Wait(t.Context(), 1e9); err != why || time.Since(began) > 1100*time.Millisecond {
					t.Errorf("waited %v: %v", time.Since(began), err)
				}
				time.Sleep(100 * time.Millisecond)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			top := slices.Index(f.heard, 0.5)
			from := top + slices.IndexFunc(f.heard[top:], func(v float32) bool { return v != 0.5 })
			for i, got := range f.heard[from:] {
				want := 0.0
				if k := float64(i / 2); k < 2400 {
					want = 0.5 * math.Pow(math.Cos(math.Pi*(k+0.5)/4800), 2)
				}
				if math.Abs(float64(got)-want) > 1e-7 { // float32
					t.Fatalf("frame %d of the fade is %g, want %g", i/2, got, want)
				}
			}
			least := 2400
			if !closed {
				least = 4800 - 1024 // it began within a block of the end
			}
			if got := (len(f.heard) - from) / 2; got < least {
				t.Errorf("stopped %d frames after the fade began, want %d", got, least)
			}
		})
	}
}

// Flags carry their frames: from 0.3 s before the block, about which nothing is told
// before, to 0.6 s behind it.
func TestStreamFlags(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.status = map[int]status{100: {inputOverflow: true}, 101: {outputUnderflow: true}}
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		s := mustStream(t, c, t.Context(), card.Loop{RateHz: 48000, Period: noise(1, 4800)})
		defer s.Close()
		// The 38 blocks before the signal last 0.8 s.
		first := int64(100-38) * 1024
		for at := int64(1024); at < 200*1024; at += 1024 {
			if err := s.Wait(t.Context(), at); err != nil {
				t.Fatal(err)
			}
			whole, blocks := s.BadAt()
			if blocks == 0 && s.Frames() > first-14400+2048 {
				t.Fatalf("no flag at frame %d, which a block at %d may have spoilt", s.Frames(), first)
			}
			if blocks == 2 && whole != first+2*1024+28800 {
				t.Fatalf("whole from %d on, want %d", whole, first+2*1024+28800)
			}
		}
		if _, blocks := s.BadAt(); blocks != 2 {
			t.Errorf("%d blocks", blocks)
		}
	})
}

func TestStreamOfACardThatDies(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.deadAfter = 200
		c := mustOpen(t, f, Options{})
		s := mustStream(t, c, t.Context(), card.Loop{RateHz: 48000, Period: noise(1, 4800)})
		began := time.Now()
		err := s.Wait(t.Context(), 1e9)
		wantFault(t, err, card.Stopped, "stopped after 3.5 s", "has not answered for 3s")
		if took := time.Since(began); took > 8*time.Second {
			t.Errorf("waited %v", took)
		}
		if err := errors.Join(s.Close(), c.Close()); err != nil {
			t.Error(err)
		}
	})
}

func TestStreamThatCannotBegin(t *testing.T) {
	l := card.Loop{RateHz: 48000, Period: noise(1, 480)}
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.sleeps = []int{3}
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		if err := mustStream(t, c, t.Context(), l).Close(); err != nil { // at the second time
			t.Error(err)
		}
		f.startErr = errBusy
		_, err := c.Stream(t.Context(), l)
		wantFault(t, err, card.Busy)
		l.Period = []float64{2}
		if _, err := c.Stream(t.Context(), l); err == nil {
			t.Error("sound beyond full scale was played")
		}
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(300*time.Millisecond, cancel)
		l.Period = []float64{0.5}
		if _, err := c.Stream(ctx, l); err != context.Canceled {
			t.Errorf("cancelled while it waited: %v", err)
		}
	})
}

func TestStreamCallbackDoesNotAllocate(t *testing.T) {
	e := newEndless(setup{inputs: 2, outputs: 2, rateHz: 48000}, card.Loop{RateHz: 48000, Period: make([]float64, 1000)}, [2]int{1, 2})
	in, out := make([]float32, 2048), make([]float32, 2048)
	if n := testing.AllocsPerRun(100, func() { e.callback(in, out, status{inputOverflow: true}) }); n > 0 {
		t.Errorf("%g allocations a block", n)
	}
}
