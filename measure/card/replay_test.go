package card

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

var _ Card = (*Replay)(nil)

// keep writes a file and returns its path.
func keep(t *testing.T, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "rec.wav")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func keepWAV(t *testing.T, w WAV) string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteWAV(&b, w); err != nil {
		t.Fatal(err)
	}
	return keep(t, b.Bytes())
}

func fourChannels() WAV {
	return WAV{RateHz: 96000, Bits: 16, Samples: [][]float64{{0, 0.25}, {0.5, 0}, {-0.5, 0}, {-1, 0.75}}}
}

func TestReplay(t *testing.T) {
	path := keepWAV(t, fourChannels())
	r, err := OpenReplay(path, [2]int{4, 2})
	if err != nil {
		t.Fatal(err)
	}
	if r.RateHz() != 96000 {
		t.Errorf("rate is %d Hz, want 96000", r.RateHz())
	}
	rec, err := r.Play(t.Context(), Output{RateHz: 96000, Channels: [][]float64{{0, 0, 0}}})
	if err != nil {
		t.Fatal(err)
	}
	want := Recording{RateHz: 96000, V1: []float64{-1, 0.75}, V2: []float64{0.5, 0}, Bits: 16, Source: path, Inputs: [2]int{4, 2}}
	if !sameRecording(rec, want) {
		t.Errorf("got %+v, want %+v", rec, want)
	}
}

func sameRecording(a, b Recording) bool {
	return a.RateHz == b.RateHz && a.Bits == b.Bits && slices.Equal(a.Flags, b.Flags) && a.Source == b.Source && a.Inputs == b.Inputs &&
		sameWAV(WAV{Samples: [][]float64{a.V1, a.V2}}, WAV{Samples: [][]float64{b.V1, b.V2}})
}

func TestReplayWordLength(t *testing.T) {
	for _, c := range []struct {
		bits  int
		float bool
		want  int
	}{{16, false, 16}, {20, false, 20}, {24, false, 24}, {32, false, 32}, {32, true, 24}, {64, true, 0}} {
		path := keepWAV(t, WAV{RateHz: 48000, Bits: c.bits, Float: c.float, Samples: [][]float64{{0.5}, {0.25}}})
		r, err := OpenReplay(path, [2]int{1, 2})
		if err != nil {
			t.Fatal(err)
		}
		rec, err := r.Play(t.Context(), Output{RateHz: 48000, Channels: [][]float64{{0}}})
		if err != nil {
			t.Fatal(err)
		}
		if rec.Bits != c.want {
			t.Errorf("%d bits, float %v: recording has %d bits, want %d", c.bits, c.float, rec.Bits, c.want)
		}
	}
}

func TestOpenReplayFaults(t *testing.T) {
	mono := WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{{0, 0.5}}}
	cut := []byte(wave(fmtPCM16Stereo, "data\x64\x00\x00\x00", bytesPCM16))
	for _, c := range []struct {
		name   string
		path   string
		inputs [2]int
		words  []string
	}{
		{"mono", keepWAV(t, mono), [2]int{1, 2}, []string{"has one channel", "two channels"}},
		{"input 0", keepWAV(t, fourChannels()), [2]int{0, 1}, []string{"no channel 0", "has 4 channels", "1 to 4"}},
		{"input 5", keepWAV(t, fourChannels()), [2]int{1, 5}, []string{"no channel 5", "has 4 channels"}},
		{"same inputs", keepWAV(t, fourChannels()), [2]int{2, 2}, []string{"channel 2 twice"}},
		{"cut short", keep(t, cut), [2]int{1, 2}, []string{"cut short", "3 of the 25 frames"}},
		{"no samples", keepWAV(t, WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{{}, {}}}), [2]int{1, 2}, []string{"no samples"}},
		{"not a WAVE file", keep(t, []byte("hello, this is no sound")), [2]int{1, 2}, []string{"cannot be used", "not a WAVE file"}},
		{"a folder", t.TempDir(), [2]int{1, 2}, []string{"cannot be opened", "it is a folder"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := OpenReplay(c.path, c.inputs)
			wantFault(t, err, BadFile, append(c.words, c.path)...)
		})
	}
}

func TestOpenReplayAbsentFile(t *testing.T) {
	_, err := OpenReplay(filepath.Join(t.TempDir(), "none.wav"), [2]int{1, 2})
	wantFault(t, err, BadFile, `none.wav" cannot be opened: no such file`, "name one that is there")
	if !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v does not wrap fs.ErrNotExist", err)
	}
}

func TestReplayPlayErrors(t *testing.T) {
	r, err := OpenReplay(keepWAV(t, fourChannels()), [2]int{1, 2})
	if err != nil {
		t.Fatal(err)
	}
	_, err = r.Play(t.Context(), Output{RateHz: 48000, Channels: [][]float64{{0}}})
	wantFault(t, err, WrongRate, "96000 Hz", "48000 Hz", "rec.wav", "record again at 48000 Hz")

	if _, err := r.Play(t.Context(), Output{RateHz: 96000}); err == nil {
		t.Error("nothing to play is no error")
	}

	why := errors.New("the user went home")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(why)
	if _, err := r.Play(ctx, Output{RateHz: 96000, Channels: [][]float64{{0}}}); !errors.Is(err, why) {
		t.Errorf("got error %v, want the cause of the context's end", err)
	}
}

// Each recording has samples of its own, and a file that has changed meanwhile is
// none.
func TestReplayReadsEachTime(t *testing.T) {
	path := keepWAV(t, fourChannels())
	r, err := OpenReplay(path, [2]int{3, 1})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		rec, err := r.Recording(t.Context(), 96000)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(rec.V1, []float64{-0.5, 0}) || !slices.Equal(rec.V2, []float64{0, 0.25}) {
			t.Errorf("got %v and %v", rec.V1, rec.V2)
		}
		if cap(rec.V1) != 2 {
			t.Errorf("room for %d samples is taken, for 2", cap(rec.V1))
		}
		clear(rec.V1)
	}
	if err := os.Truncate(path, 48); err != nil {
		t.Fatal(err)
	}
	_, err = r.Recording(t.Context(), 96000)
	wantFault(t, err, BadFile, "rec.wav", "not as long as it was")
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	_, err = r.Recording(t.Context(), 96000)
	wantFault(t, err, BadFile, "cannot be opened")
}

// A sample that is no number is a fault in whatever channel it is.
func TestReplayOfNoNumber(t *testing.T) {
	path := keepWAV(t, WAV{RateHz: 48000, Bits: 32, Float: true, Samples: [][]float64{{0, 0.5}, {0, 0.5}, {0, 0.5}}})
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	copy(data[len(data)-4:], []byte{0, 0, 0xC0, 0x7F}) // the last sample of channel 3
	r, err := OpenReplay(keep(t, data), [2]int{1, 2})
	if err != nil {
		t.Fatal(err)
	}
	_, err = r.Recording(t.Context(), 48000)
	wantFault(t, err, BadFile, "NaN", "frame 1 of channel 3")
}

// A kept recording replays to the very same numbers.
func TestWriteRecordingRoundTrip(t *testing.T) {
	dir := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		want := Recording{
			RateHz: drawRate(t),
			Bits:   rapid.SampledFrom([]int{0, 16, 20, 24, 32}).Draw(t, "bits"),
			Source: filepath.Join(dir, "rec.wav"),
			Inputs: [2]int{1, 2},
		}
		var sample *rapid.Generator[float64]
		switch {
		case want.Bits == 0:
			sample = rapid.Float64Range(-2, 2)
		case want.Bits == 24 && rapid.Bool().Draw(t, "float card"):
			sample = rapid.Map(rapid.Float32Range(-2, 2), func(v float32) float64 { return float64(v) })
		default:
			full := math.Ldexp(1, want.Bits-1)
			sample = rapid.Map(rapid.Int64Range(-int64(full), int64(full)-1), func(c int64) float64 { return float64(c) / full })
		}
		frames := rapid.IntRange(1, 40).Draw(t, "frames")
		want.V1 = rapid.SliceOfN(sample, frames, frames).Draw(t, "v1")
		want.V2 = rapid.SliceOfN(sample, frames, frames).Draw(t, "v2")

		var b bytes.Buffer
		if err := WriteRecording(&b, want); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(want.Source, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := OpenReplay(want.Source, want.Inputs)
		if err != nil {
			t.Fatal(err)
		}
		got, err := r.Play(context.Background(), Output{RateHz: want.RateHz, Channels: [][]float64{{0}}})
		if err != nil {
			t.Fatal(err)
		}
		if !sameRecording(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

func TestRecordingWAVFormat(t *testing.T) {
	for _, c := range []struct {
		name  string
		bits  int
		v     float64
		want  int
		float bool
	}{
		{"codes of 16 bits", 16, -0x1p-15, 16, false},
		{"codes of 24 bits", 24, 1 - 0x1p-23, 24, false},
		{"the lowest code", 24, -1, 24, false},
		{"full scale is no code", 24, 1, 32, true},
		{"float card", 24, 0x1p-30, 32, true},
		{"beyond full scale", 24, 1.5, 32, true},
		{"unknown word length", 0, 0.5, 64, true},
		{"not what it says", 24, 0.1, 64, true},
		{"too long for float32's word", 32, 0x1p-40, 64, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := Recording{RateHz: 48000, Bits: c.bits, V1: []float64{0}, V2: []float64{c.v}}.WAV()
			if w.Bits != c.want || w.Float != c.float {
				t.Errorf("got %d bits, float %v; want %d, %v", w.Bits, w.Float, c.want, c.float)
			}
		})
	}
}

// Samples are read from anywhere as they are from the beginning, of every format, and
// both inputs or one.
func TestReplayReadsAnywhere(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	r := Recording{RateHz: 48000, Bits: 24, V1: make([]float64, 100_000), V2: make([]float64, 100_000)}
	for i := range r.V1 {
		r.V1[i], r.V2[i] = float64(random.IntN(1<<15))/(1<<15), -float64(random.IntN(1<<15))/(1<<15)
	}
	for _, w := range []WAV{
		{RateHz: 48000, Bits: 16, Samples: [][]float64{r.V2, r.V1, r.V2}}, {RateHz: 48000, Bits: 24, Samples: [][]float64{r.V2, r.V1}},
		{RateHz: 48000, Bits: 32, Float: true, Samples: [][]float64{r.V2, r.V1}}, {RateHz: 48000, Bits: 64, Float: true, Samples: [][]float64{r.V2, r.V1}},
	} {
		var file bytes.Buffer
		if err := WriteWAV(&file, w); err != nil {
			t.Fatal(err)
		}
		replay, err := OpenReplay(keep(t, file.Bytes()), [2]int{2, 1})
		if err != nil {
			t.Fatal(err)
		}
		for range 40 {
			from, step := random.IntN(len(r.V1)), 1+random.IntN(3)*random.IntN(300)
			most := (len(r.V1)-1-from)/step + 1
			v1, v2 := make([]float64, random.IntN(most+1)), make([]float64, random.IntN(most+1))
			want1, want2 := make([]float64, len(v1)), make([]float64, len(v2))
			if err := cmp.Or(replay.ReadAt(t.Context(), v1, v2, from, step), r.ReadAt(t.Context(), want1, want2, from, step)); err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(v1, want1) || !slices.Equal(v2, want2) || len(v1) > 1 && v1[1] != r.V1[from+step] {
				t.Fatalf("%d bits from frame %d by %d: other samples", w.Bits, from, step)
			}
		}
		if err := os.Truncate(replay.path, int64(file.Len()-1)); err != nil {
			t.Fatal(err)
		}
		wantFault(t, replay.ReadAt(t.Context(), make([]float64, 10), nil, len(r.V1)-10, 1), BadFile, "not as long as it was")
	}
}
