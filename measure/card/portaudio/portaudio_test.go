package portaudio

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tapload/measure/card"
)

// At 48 kHz: frames of silence before the signal and after it, and blocks of
// 1024 frames before the recording begins.
const (
	leadFrames   = 4800
	extraFrames  = 48000
	waitedBlocks = 38
)

// noise returns n samples that float32 holds exactly.
func noise(seed uint64, n int) []float64 {
	r := rand.New(rand.NewPCG(seed, 0))
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(float32(2*r.Float64() - 1))
	}
	return x
}

func mustOpen(t *testing.T, f *fake, o Options) *Card {
	t.Helper()
	c, err := open(f, new(strings.Builder), o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func mustClose(t *testing.T, c *Card) {
	t.Helper()
	if err := c.Close(); err != nil {
		t.Error(err)
	}
}

// Whatever the sizes of the blocks and the channels of the card, the recording
// is the signal as the circuit passes it, one block late, and as long as
// promised.
func TestPlayRecordsEverySample(t *testing.T) {
	for _, test := range []struct {
		name            string
		blocks          []int
		inputs, outputs int
		options         Options
		channels        int // of the signal
	}{
		{name: "mono", blocks: []int{1024}, inputs: 2, outputs: 2, channels: 1},
		{name: "stereo", blocks: []int{1024}, inputs: 2, outputs: 2, channels: 2},
		{name: "one output", blocks: []int{1024}, inputs: 2, outputs: 1, channels: 1},
		{name: "inputs 3 and 4 of 4", blocks: []int{480}, inputs: 4, outputs: 6, options: Options{Inputs: [2]int{3, 4}}, channels: 1},
		{name: "inputs 2 and 1", blocks: []int{256}, inputs: 2, outputs: 2, options: Options{Inputs: [2]int{2, 1}}, channels: 1},
		{name: "blocks of any size", blocks: []int{64, 1024, 3, 1, 700}, inputs: 2, outputs: 2, channels: 2},
		{name: "longer extra", blocks: []int{1024}, inputs: 2, outputs: 2, options: Options{Extra: 2 * time.Second}, channels: 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				f.blocks = test.blocks
				f.devices = []device{{name: "Bench Box", api: "Fake", inputs: test.inputs, outputs: test.outputs, defaultIn: true, defaultOut: true}}
				c := mustOpen(t, f, test.options)
				defer mustClose(t, c)

				out := card.Output{RateHz: 48000}
				for ch := range test.channels {
					out.Channels = append(out.Channels, noise(uint64(ch), 20000))
				}
				rec, err := c.Play(t.Context(), out)
				if err != nil {
					t.Fatal(err)
				}

				want := test.options.Inputs
				if want == ([2]int{}) {
					want = [2]int{1, 2}
				}
				extra := test.options.Extra
				if extra == 0 {
					extra = time.Second
				}
				length := leadFrames + 20000 + int(extra.Seconds()*48000)
				if rec.Inputs != want || rec.RateHz != 48000 || rec.Bits != 24 || rec.Source != "Fake: Bench Box" || len(rec.Flags) > 0 {
					t.Errorf("recording says inputs %v, %d Hz, %d bits, source %q, flags %v", rec.Inputs, rec.RateHz, rec.Bits, rec.Source, rec.Flags)
				}
				for ch, v := range [][]float64{rec.V1, rec.V2} {
					if len(v) != length {
						t.Fatalf("V%d has %d samples, want %d", ch+1, len(v), length)
					}
					input := want[ch] - 1
					played := out.Channels[input%min(2, test.outputs)%test.channels]
					for i, got := range v {
						expect := 0.0
						if at := i - leadFrames - f.delay(); at >= 0 && at < len(played) {
							expect = float64(float32(played[at]) / float32(input+1))
						}
						if got != expect {
							t.Fatalf("V%d[%d] = %g, want %g", ch+1, i, got, expect)
						}
					}
				}
			})
		})
	}
}

func TestSetup(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.devices = []device{{index: 3, name: "Bench Box", inputs: 8, outputs: 8, defaultIn: true, defaultOut: true}}
		c := mustOpen(t, f, Options{Inputs: [2]int{1, 4}})
		defer mustClose(t, c)
		if _, err := c.Play(t.Context(), card.Output{RateHz: 44100, Channels: [][]float64{{0}}}); err != nil {
			t.Fatal(err)
		}
		if want := (setup{in: f.devices[0], out: f.devices[0], inputs: 4, outputs: 2, rateHz: 44100, latency: 300 * time.Millisecond}); f.setup != want {
			t.Errorf("stream opened with\n%+v, want\n%+v", f.setup, want)
		}
	})
}

// A flag says which frames of the recording may be spoilt: from one latency
// before its block to two behind it.
func TestFlagsCarryTheirFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		at := func(block int) int { return waitedBlocks + block } // of the recording
		f.status = map[int]status{
			at(0): {inputUnderflow: true}, at(2): {outputOverflow: true},
			at(60): {inputOverflow: true, outputUnderflow: true}, at(61): {inputOverflow: true},
			at(165): {outputOverflow: true}, at(166): {outputOverflow: true}, at(167): {outputOverflow: true},
		}
		f.noInput = []int{at(62)}
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		x := noise(1, 120000)
		rec, err := c.Play(t.Context(), card.Output{RateHz: 48000, Channels: [][]float64{x}})
		if err != nil {
			t.Fatal(err)
		}
		const early, late = 14400, 28800
		want := []card.Flag{
			{Lapse: card.InputUnderflow | card.OutputOverflow, Blocks: 2, From: 0, To: 3*1024 + late},
			{Lapse: card.InputOverflow | card.OutputUnderflow | card.InputUnderflow, Blocks: 3, From: 60*1024 - early, To: 63*1024 + late},
			// The recording ends in block 168.
			{Lapse: card.OutputOverflow, Blocks: 3, From: 165*1024 - early, To: leadFrames + 120000 + extraFrames},
		}
		if !slices.Equal(rec.Flags, want) {
			t.Errorf("flags %+v, want\n%+v (a block without input is an underflow too)", rec.Flags, want)
		}
		if got := rec.V1[62*1024 : 63*1024]; slices.ContainsFunc(got, func(v float64) bool { return v != 0 }) {
			t.Error("a block without input is not recorded as silence")
		}
		if got, want := rec.V1[63*1024], x[62*1024-leadFrames]; got != want {
			t.Errorf("after the block without input %g is recorded, want %g", got, want)
		}
	})
}

// However often a driver complains, no flag is lost.
func TestFlagsAreBounded(t *testing.T) {
	const n = 100
	tk := newTake(setup{inputs: 1, outputs: 1, rateHz: 48000}, [][]float64{make([]float64, 1000*n)}, [2]int{1, 1}, timing{})
	tk.settle = 0
	block := make([]float32, 100)
	for i := range 10 * n {
		tk.callback(block, block, status{inputOverflow: i%10 == 0})
	}
	if len(tk.flags) != mostFlags {
		t.Fatalf("%d flags, want %d", len(tk.flags), mostFlags)
	}
	blocks := 0
	for _, f := range tk.flags {
		blocks += f.Blocks
	}
	if last := tk.flags[mostFlags-1]; blocks != n || last.From != 1000*(mostFlags-1) || last.To != 1000*(n-1)+100 {
		t.Errorf("%d blocks in all, the last flag is %+v", blocks, last)
	}
}

// The signal begins after half a second without a flag, and nothing of it is
// touched by what was before.
func TestSignalWaitsForTheCard(t *testing.T) {
	const block = 4800 // 0.1 s
	for _, test := range []struct {
		name    string
		flagged []int // blocks
		stalls  map[int]time.Duration
		begins  int // block of the stream with which the recording begins
	}{
		{name: "at once", begins: 8},
		{name: "one block", flagged: []int{0}, begins: 9},
		{name: "again and again", flagged: []int{0, 4, 8}, begins: 17},
		{name: "1 s", flagged: upTo(10), begins: 18},
		{name: "5 s", flagged: upTo(50), begins: 58},
		{name: "first block after 4 s", stalls: map[int]time.Duration{0: 4 * time.Second}, begins: 8},
		{name: "first block after 4.8 s, then flags", stalls: map[int]time.Duration{0: 4800 * time.Millisecond}, flagged: upTo(40), begins: 48},
		{name: "stall of 1.5 s after three flags", stalls: map[int]time.Duration{3: 1500 * time.Millisecond}, flagged: upTo(5), begins: 13},
		{name: "stall of 1.5 s without a flag", stalls: map[int]time.Duration{3: 1500 * time.Millisecond}, begins: 8},
		{name: "stall of 4.5 s", stalls: map[int]time.Duration{1: 4500 * time.Millisecond}, begins: 8},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				f.blocks = []int{block}
				f.stalls = test.stalls
				f.status = map[int]status{}
				for _, b := range test.flagged {
					f.status[b] = status{inputUnderflow: true}
				}
				c := mustOpen(t, f, Options{})
				defer mustClose(t, c)
				x := noise(1, 20000)
				var all []card.Progress
				rec, err := c.Play(t.Context(), card.Output{RateHz: 48000, Channels: [][]float64{x}, Progress: func(p card.Progress) { all = append(all, p) }})
				if err != nil {
					t.Fatal(err)
				}
				first := slices.IndexFunc(f.heard, func(v float32) bool { return v != 0 }) / 2
				if want := test.begins*block + leadFrames; first != want {
					t.Errorf("the signal begins at frame %d of the stream, want %d", first, want)
				}
				if len(rec.Flags) > 0 || len(rec.V1) != leadFrames+len(x)+extraFrames {
					t.Errorf("recording has flags %v and %d samples", rec.Flags, len(rec.V1))
				}
				for i, v := range x {
					if got := rec.V1[leadFrames+block+i]; got != v {
						t.Fatalf("sample %d of the signal is recorded as %g, want %g", i, got, v)
					}
				}
				for i, p := range all {
					if i > 0 && p.Done < all[i-1].Done {
						t.Errorf("progress goes back from %v to %v", all[i-1].Done, p.Done)
					}
				}
			})
		})
	}
}

func upTo(n int) (blocks []int) {
	for i := range n {
		blocks = append(blocks, i)
	}
	return blocks
}

// A card that never runs is given up, in silence, and can be used again.
func TestSignalNeverBegins(t *testing.T) {
	for _, test := range []struct {
		name  string
		block int
		flag  status
		every int
		cause card.Cause
		says  []string
	}{
		{"all flagged", 4800, status{inputUnderflow: true}, 1, card.LostBlocks, []string{"never ran for 500ms without losing sound", "(input underflow)", "nothing was played"}},
		{"every fifth flagged", 4800, status{inputOverflow: true, outputUnderflow: true}, 5, card.LostBlocks, []string{"of 5", " blocks (input overflow and output underflow)"}},
		{"a twentieth of the rate", 240, status{}, 1, card.Stopped, []string{"hardly runs", "in 5.8s it brought less than 500ms of sound"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				f.blocks = []int{test.block}
				f.slower = 4800 / test.block
				f.always = func(block int) status {
					if block%test.every == 0 {
						return test.flag
					}
					return status{}
				}
				c := mustOpen(t, f, Options{})
				defer mustClose(t, c)
				out := card.Output{RateHz: 48000, Channels: [][]float64{noise(1, 20000)}}
				began := time.Now()
				for range 2 {
					rec, err := c.Play(t.Context(), out)
					wantFault(t, err, test.cause, append(test.says, `"Fake: Bench Box"`)...)
					if rec.V1 != nil {
						t.Error("a recording came with the error")
					}
				}
				// 0.1 s to the first block, 5.8 s, and a block until the stream stops.
				if took := time.Since(began) / 2; took < 5890*time.Millisecond || took > 6100*time.Millisecond {
					t.Errorf("given up after %v", took)
				}
				if slices.ContainsFunc(f.heard, func(v float32) bool { return v != 0 }) {
					t.Error("something was heard")
				}
			})
		})
	}
}

// At the end of ctx the sound follows a raised cosine to 0 within 50 ms and
// stays there until the stream is stopped.
func TestCancelFadesOut(t *testing.T) {
	var why = errors.New("somebody pressed Ctrl-C")
	for _, block := range []int{64, 1024, 4096} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(t)
			f.blocks = []int{block}
			c := mustOpen(t, f, Options{})
			defer mustClose(t, c)
			x := make([]float64, 3*48000)
			for i := range x {
				x[i] = 0.5
			}
			ctx, cancel := context.WithCancelCause(t.Context())
			began := time.Now()
			time.AfterFunc(2*time.Second, func() { cancel(why) })
			rec, err := c.Play(ctx, card.Output{RateHz: 48000, Channels: [][]float64{x}})
			if err != why {
				t.Fatalf("error %v, want the cause of the end of ctx itself", err)
			}
			if rec.V1 != nil || rec.V2 != nil {
				t.Error("a recording came with the error")
			}
			late := time.Duration(block) * time.Second / 48000
			if took, most := time.Since(began), 2050*time.Millisecond+2*late+pollEvery; took > most {
				t.Errorf("Play returned after %v, want %v at most", took, most)
			}

			first := slices.Index(f.heard, 0.5)
			from := first + slices.IndexFunc(f.heard[first:], func(v float32) bool { return v != 0.5 })
			if from%(2*block) != 0 || from/2 < 96000-block || from/2 > 96000+block {
				t.Errorf("the fade starts at frame %d, want the first block after 96000", from/2)
			}
			if len(f.heard) < from+2*2400 {
				t.Fatalf("the stream was stopped %d frames into the fade", (len(f.heard)-from)/2)
			}
			for i, got := range f.heard[from:] {
				want := 0.0
				if k := float64(i / 2); k < 2400 {
					want = 0.5 * math.Pow(math.Cos(math.Pi*(k+0.5)/4800), 2)
				}
				if math.Abs(float64(got)-want) > 1e-7 { // float32
					t.Fatalf("frame %d of the fade is %g, want %g", i/2, got, want)
				}
			}
		})
	}
}

func TestCancelBeforeAndAfterTheSound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		out := card.Output{RateHz: 48000, Channels: [][]float64{make([]float64, 4800)}}

		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := c.Play(ctx, out); err != context.Canceled {
			t.Errorf("with ctx at its end already: %v", err)
		}
		if f.opened != 0 {
			t.Error("a stream was opened although ctx had ended")
		}

		// In the last 50 ms the recording is complete before the fade is.
		ctx, cancel = context.WithCancel(t.Context())
		defer cancel()
		time.AfterFunc(2*time.Second, cancel)
		if _, err := c.Play(ctx, out); err != context.Canceled {
			t.Errorf("with the end of ctx in the last block: %v", err)
		}
	})
}

func TestProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		x := make([]float64, 48000)
		x[30000] = -0.75 // heard after 35824 frames of the recording, 0.75 s
		var all []card.Progress
		_, err := c.Play(t.Context(), card.Output{RateHz: 48000, Channels: [][]float64{x}, Progress: func(p card.Progress) { all = append(all, p) }})
		if err != nil {
			t.Fatal(err)
		}
		if len(all) < 29 || len(all) > 31 {
			t.Errorf("%d reports in 2.9 s, want one every 0.1 s", len(all))
		}
		loud := 0
		for i, p := range all {
			if p.Total != 2100*time.Millisecond || p.Done > p.Total || i > 0 && p.Done < all[i-1].Done {
				t.Errorf("report %d: %v of %v", i, p.Done, p.Total)
			}
			if p.Peak == [2]float64{0.75, 0.375} {
				loud++
				if p.Done < 746*time.Millisecond || p.Done > 900*time.Millisecond {
					t.Errorf("the peak is reported after %v", p.Done)
				}
			} else if p.Peak != [2]float64{} {
				t.Errorf("report %d: peak %v", i, p.Peak)
			}
		}
		if loud != 1 {
			t.Errorf("the one peak was reported %d times", loud)
		}
		if last := all[len(all)-1]; last.Done != last.Total {
			t.Errorf("last report: %v of %v", last.Done, last.Total)
		}
	})
}

// wantFault checks the class of an error and that its text names things.
func wantFault(t *testing.T, err error, cause card.Cause, says ...string) {
	t.Helper()
	var fault *card.Fault
	if !errors.As(err, &fault) {
		t.Fatalf("error %v (%T), want a fault", err, err)
	}
	if fault.Cause != cause {
		t.Errorf("cause %v, want %v (%v)", fault.Cause, cause, err)
	}
	for _, s := range says {
		if !strings.Contains(err.Error(), s) {
			t.Errorf("%q does not say %q", err, s)
		}
	}
	// A list of cards has a line each, which begins with two spaces.
	if strings.Contains(strings.ReplaceAll(err.Error(), "\n  \"", ""), "\n") || strings.HasSuffix(err.Error(), ".") {
		t.Errorf("%q is not one sentence without a full stop", err)
	}
}

func TestPlayFaults(t *testing.T) {
	mono := [][]float64{make([]float64, 9600)}
	for _, test := range []struct {
		name  string
		plan  func(*fake)
		out   card.Output
		cause card.Cause
		says  []string
	}{
		{"wrong rate", func(f *fake) { f.openErr = errRate; f.supported = []int{44100, 96000} }, card.Output{RateHz: 48000, Channels: mono},
			card.WrongRate, []string{`"Fake: Bench Box"`, "48000 Hz", "ask for 44100, 96000 Hz"}},
		{"no common rate", func(f *fake) { f.openErr = errRate; f.supported = []int{} }, card.Output{RateHz: 48000, Channels: mono},
			card.WrongRate, []string{`"Fake: Bench Box"`, "48000 Hz", "sound server"}},
		{"another rate than asked for", func(f *fake) { f.runsAt = 44100 }, card.Output{RateHz: 48000, Channels: mono},
			card.WrongRate, []string{`"Fake: Bench Box"`, "48000 Hz", "44100 Hz"}},
		{"busy", func(f *fake) { f.openErr = errBusy }, card.Output{RateHz: 48000, Channels: mono},
			card.Busy, []string{`"Fake: Bench Box"`, "in use", "close the program"}},
		{"busy when started", func(f *fake) { f.startErr = errBusy }, card.Output{RateHz: 48000, Channels: mono},
			card.Busy, []string{`"Fake: Bench Box"`}},
		{"channels", func(f *fake) { f.openErr = errChannels }, card.Output{RateHz: 48000, Channels: mono},
			card.Absent, []string{`"Fake: Bench Box"`, "2 inputs and 2 outputs"}},
		{"unplugged", func(f *fake) { f.openErr = errGone }, card.Output{RateHz: 48000, Channels: mono},
			card.Absent, []string{`"Fake: Bench Box"`, "gone"}},
		{"anything else", func(f *fake) { f.openErr = errPlanned }, card.Output{RateHz: 48000, Channels: mono},
			card.Unknown, []string{`"Fake: Bench Box"`, "as planned"}},
		{"start and stop", func(f *fake) { f.startErr = errBusy; f.stopErr = errPlanned }, card.Output{RateHz: 48000, Channels: mono},
			card.Busy, []string{`"Fake: Bench Box"`, "as planned"}},
		{"stop", func(f *fake) { f.stopErr = errPlanned }, card.Output{RateHz: 48000, Channels: mono},
			card.Unknown, []string{`"Fake: Bench Box"`, "as planned"}},
		{"stereo on one output", func(f *fake) {
			f.devices = []device{{name: "Mono", inputs: 2, outputs: 1, defaultIn: true, defaultOut: true}}
		},
			card.Output{RateHz: 48000, Channels: [][]float64{{0}, {0}}}, card.Absent, []string{"1 output", "stereo"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				test.plan(f)
				c := mustOpen(t, f, Options{})
				defer mustClose(t, c)
				rec, err := c.Play(t.Context(), test.out)
				wantFault(t, err, test.cause, test.says...)
				if rec.V1 != nil {
					t.Error("a recording came with the error")
				}
			})
		})
	}
}

func TestCardPlaysAgainAfterAFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.openErr = errBusy
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		out := card.Output{RateHz: 48000, Channels: [][]float64{make([]float64, 100)}}
		_, err := c.Play(t.Context(), out)
		wantFault(t, err, card.Busy)
		if _, err := c.Play(t.Context(), out); err != nil {
			t.Error(err)
		}
	})
}

func TestOutputThatCannotBePlayed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		for _, test := range []struct {
			out  card.Output
			says string
		}{
			{card.Output{RateHz: 48000}, "0"},
			{card.Output{Channels: [][]float64{{0}}}, "0 Hz"},
			{card.Output{RateHz: 48000, Channels: [][]float64{{0, 0, 1.01}}}, "sample 2: 1.01"},
			{card.Output{RateHz: 48000, Channels: [][]float64{{0}, {math.NaN()}}}, "channel 2"},
		} {
			if _, err := c.Play(t.Context(), test.out); err == nil || !strings.Contains(err.Error(), test.says) {
				t.Errorf("%v: error %v, want one that says %q", test.out.Channels, err, test.says)
			}
		}
		if f.opened > 0 {
			t.Error("a stream was opened for it")
		}
	})
}

// A sound system that went silent must not be touched again: the fake
// complains if it is.
func TestWatchdog(t *testing.T) {
	for _, test := range []struct {
		name      string
		deadAfter int // blocks
		options   Options
		takes     time.Duration
		says      string
	}{
		{"in the middle", 60, Options{}, 4280 * time.Millisecond, "stopped after 0.5 of 3.1 s and has not answered for 3s"},
		{"short watchdog", 60, Options{Watchdog: 200 * time.Millisecond}, 1480 * time.Millisecond, "has not answered for 200ms"},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				f.deadAfter = test.deadAfter
				c := mustOpen(t, f, test.options)
				out := card.Output{RateHz: 48000, Channels: [][]float64{make([]float64, 2*48000)}}
				began := time.Now()
				_, err := c.Play(t.Context(), out)
				wantFault(t, err, card.Stopped, `"Fake: Bench Box"`, test.says, "would hang")
				if took := time.Since(began); took != test.takes {
					t.Errorf("noticed after %v, want %v", took, test.takes)
				}
				if _, again := c.Play(t.Context(), out); again != err {
					t.Errorf("played again: %v, want the same fault", again)
				}
				mustClose(t, c)
			})
		})
	}
}

// A card that does not come up is tried twice, with nothing left of the first
// attempt.
func TestCardThatDoesNotComeUp(t *testing.T) {
	for _, test := range []struct {
		name    string
		plan    func(*fake)
		streams int
		takes   time.Duration // 0 for a recording
		says    string
	}{
		{"no block, once", func(f *fake) { f.sleeps = []int{0} }, 2, 0, ""},
		{"a few blocks, once", func(f *fake) { f.sleeps = []int{10} }, 2, 0, ""},
		{"start that times out, once", func(f *fake) { f.startErr = errSlow }, 2, 0, ""},
		{"no block, twice", func(f *fake) { f.sleeps = []int{0, 0} }, 2, 10 * time.Second, "does not run: no sound came within 5s of its start"},
		{"a few blocks, then none", func(f *fake) { f.sleeps = []int{10, 0} }, 2, 10220 * time.Millisecond, "does not run"},
		{"a few blocks, twice", func(f *fake) { f.sleeps = []int{0, 10} }, 2, 10220 * time.Millisecond, "stopped before the signal began and has not answered for 5s"},
		{"start that times out, then no block", func(f *fake) { f.startErr, f.sleeps = errSlow, []int{0} }, 2, 5 * time.Second, "does not run"},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				test.plan(f)
				c := mustOpen(t, f, Options{Watchdog: 200 * time.Millisecond})
				defer mustClose(t, c)
				out := card.Output{RateHz: 48000, Channels: [][]float64{noise(1, 9600)}}
				began := time.Now()
				rec, err := c.Play(t.Context(), out)
				if f.opened != test.streams {
					t.Errorf("%d streams were opened, want %d", f.opened, test.streams)
				}
				if test.takes == 0 {
					if err != nil || len(rec.V1) == 0 {
						t.Errorf("recording of %d samples, error %v", len(rec.V1), err)
					}
					return
				}
				wantFault(t, err, card.Stopped, `"Fake: Bench Box"`, test.says, "start the program again")
				if took := time.Since(began); took != test.takes {
					t.Errorf("given up after %v, want %v", took, test.takes)
				}
				if _, err := c.Play(t.Context(), out); err != nil {
					t.Errorf("played again: %v", err)
				}
			})
		})
	}
}

// One whose stream cannot be stopped either is dead.
func TestCardThatDiesBeforeTheSignal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.sleeps = []int{0}
		f.hangs = "stop"
		c := mustOpen(t, f, Options{})
		out := card.Output{RateHz: 48000, Channels: [][]float64{noise(1, 9600)}}
		_, err := c.Play(t.Context(), out)
		wantFault(t, err, card.Stopped, "no sound came within 5s", "did not stop within 5s")
		if _, err := c.Play(t.Context(), out); f.opened != 1 {
			t.Errorf("a stream was opened on a dead system: %v", err)
		}
		mustClose(t, c)
	})
}

func TestWatchdogGivesTimeToBegin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.blocks = []int{2 * 48000} // each takes 2 s
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		if _, err := c.Play(t.Context(), card.Output{RateHz: 48000, Channels: [][]float64{make([]float64, 48000)}}); err != nil {
			t.Error(err)
		}
	})
}

// A cancelled wait for the card ends with its next block, if there is one.
func TestCancelWhileWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.stalls = map[int]time.Duration{5: time.Second}
		c := mustOpen(t, f, Options{})
		defer mustClose(t, c)
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		began := time.Now()
		_, err := c.Play(ctx, card.Output{RateHz: 48000, Channels: [][]float64{noise(1, 9600)}})
		if took := time.Since(began); err != context.DeadlineExceeded || took < 1100*time.Millisecond || took > 1200*time.Millisecond {
			t.Errorf("%v after %v, want the end of ctx after 1.13 s", err, took)
		}
		if slices.ContainsFunc(f.heard, func(v float32) bool { return v != 0 }) {
			t.Error("something was heard")
		}
	})
}

func TestWatchdogWhileFading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		f.deadAfter = 50
		c := mustOpen(t, f, Options{})
		ctx, cancel := context.WithTimeout(t.Context(), 1200*time.Millisecond)
		defer cancel()
		_, err := c.Play(ctx, card.Output{RateHz: 48000, Channels: [][]float64{make([]float64, 2*48000)}})
		wantFault(t, err, card.Stopped)
	})
}

func TestCallsThatHang(t *testing.T) {
	for _, what := range []string{"open", "start", "stop", "close"} {
		t.Run(what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFake(t)
				f.hangs = what
				c := mustOpen(t, f, Options{})
				_, err := c.Play(t.Context(), card.Output{RateHz: 48000, Channels: [][]float64{make([]float64, 9600)}})
				if what == "close" {
					if err != nil {
						t.Error(err)
					}
					err = c.Close()
				}
				wantFault(t, err, card.Stopped, "did not "+what+" within "+map[bool]string{true: "10s", false: "5s"}[what == "open" || what == "start"])
				if err := c.Close(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

func TestOneAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake(t)
		c := mustOpen(t, f, Options{})
		out := card.Output{RateHz: 48000, Channels: [][]float64{make([]float64, 48000)}}
		first := make(chan error, 1)
		go func() {
			_, err := c.Play(t.Context(), out)
			first <- err
		}()
		time.Sleep(100 * time.Millisecond)
		_, err := c.Play(t.Context(), out)
		wantFault(t, err, card.Busy, "already playing")
		if err := <-first; err != nil {
			t.Error(err)
		}
		mustClose(t, c)
		mustClose(t, c)
		if _, err := c.Play(t.Context(), out); err == nil || !strings.Contains(err.Error(), "closed") {
			t.Errorf("played on a closed card: %v", err)
		}
	})
}

func TestListAndOpenFaults(t *testing.T) {
	f := newFake(t)
	f.devices = append([]device{{name: "Mouth", api: "Fake", inputs: 1, outputs: 0, rateHz: 16000}}, simple...)
	infos, err := list(f)
	if err != nil || len(infos) != 2 || infos[0].Name != "Mouth" || infos[0].RateHz() != 16000 || infos[0].Default ||
		infos[1].Name != "Bench Box" || infos[1].Best().Kind != Unknown || !infos[1].Default {
		t.Errorf("list: %+v, %v", infos, err)
	}

	f = newFake(t)
	f.listErr = errPlanned
	_, err = list(f)
	wantFault(t, err, card.Absent, "sound system", "as planned")

	f = newFake(t)
	f.listErr = errPlanned
	_, err = open(f, new(strings.Builder), Options{})
	wantFault(t, err, card.Absent, "as planned")

	f = newFake(t)
	f.closeErr = errPlanned
	_, err = open(f, new(strings.Builder), Options{Name: "nobody"})
	wantFault(t, err, card.Absent, "nobody", "as planned")

	f = newFake(t)
	for _, o := range []Options{{Inputs: [2]int{1, 1}}, {Inputs: [2]int{0, 2}}, {Extra: -1}, {Watchdog: -1}} {
		if _, err := open(f, new(strings.Builder), o); err == nil {
			t.Errorf("%+v opened", o)
		}
	}
}

// The system's thread must not be held up.
func TestCallbackDoesNotAllocate(t *testing.T) {
	s := setup{inputs: 2, outputs: 2, rateHz: 48000}
	in, out := make([]float32, 2048), make([]float32, 2048)
	for what, settle := range map[string]int{"waiting": 1, "playing": 0} {
		tk := newTake(s, [][]float64{make([]float64, 1<<20)}, [2]int{1, 2}, timing{after: 100})
		tk.settle = settle
		if n := testing.AllocsPerRun(100, func() { tk.callback(in, out, status{inputOverflow: true}) }); n > 0 {
			t.Errorf("%g allocations a block while %s", n, what)
		}
	}
}

func BenchmarkCallback(b *testing.B) {
	s := setup{inputs: 2, outputs: 2, rateHz: 48000}
	tk := newTake(s, [][]float64{noise(1, 1<<20)}, [2]int{1, 2}, timing{after: 100})
	tk.settle = 0
	in, out := make([]float32, 2048), make([]float32, 2048)
	for b.Loop() {
		if tk.complete() {
			tk.frames.Store(0)
		}
		tk.callback(in, out, status{})
	}
}
