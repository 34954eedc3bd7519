package card

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tapload/measure/infile/hostile"
)

// soundWAV are short sounds in every form that is read.
func soundWAV(t testing.TB) []string {
	var all []string
	for _, w := range []WAV{
		{RateHz: 48000, Bits: 16}, {RateHz: 44100, Bits: 24}, {RateHz: 96000, Bits: 32}, {RateHz: 48000, Bits: 20}, {RateHz: 48000, Bits: 32, Float: true}, {RateHz: 8000, Bits: 64, Float: true},
	} {
		w.Samples = [][]float64{{0, 0.5, -0.25, 0.125, -1}, {0, 0.25, 0.5, -0.5, 0}}
		var b bytes.Buffer
		if err := WriteWAV(&b, w); err != nil {
			t.Fatal(err)
		}
		all = append(all, b.String())
	}
	return all
}

// readWAV holds a sound that reads to be no more than its file has, to be finite,
// and to be written and read as the same.
func readWAV(t testing.TB, text string) error {
	w, err := ReadWAV(strings.NewReader(text))
	if err != nil {
		if len(w.Samples) != 0 {
			t.Errorf("samples came with error %v", err)
		}
		return err
	}
	if w.Frames()*len(w.Samples) > len(text) {
		t.Errorf("%d frames of %d channels from %d bytes", w.Frames(), len(w.Samples), len(text))
	}
	for c, s := range w.Samples {
		if len(s) != w.Frames() {
			t.Errorf("channel %d has %d samples, channel 1 has %d", c+1, len(s), w.Frames())
		}
		for i, x := range s {
			if math.IsNaN(x) || math.IsInf(x, 0) || !w.Float && math.Abs(x) > 1 {
				t.Errorf("channel %d, frame %d: sample %v", c+1, i, x)
			}
		}
	}
	var b bytes.Buffer
	if err := WriteWAV(&b, w); err != nil {
		t.Fatal(err)
	}
	again, err := ReadWAV(&b)
	if err != nil || again.RateHz != w.RateHz || again.Bits != w.Bits || again.Frames() != w.Frames() || len(again.Samples) != len(w.Samples) {
		t.Fatalf("read %+v, then %+v, %v", w, again, err)
	}
	most := 0. // but that bits below the stated ones are lost
	if !w.Float {
		most = math.Ldexp(1, 1-w.Bits)
	}
	for c, s := range w.Samples {
		for i, x := range s {
			if y := again.Samples[c][i]; math.Abs(x-y) > most {
				t.Errorf("channel %d, frame %d: %v, then %v", c+1, i, x, y)
			}
		}
	}
	return nil
}

// No reader of sound was held to what readers owe a bad file.
func TestMalformedWAV(t *testing.T) { hostile.Test(t, hostile.WAV, soundWAV(t), readWAV) }

func FuzzReadWAV(f *testing.F) {
	for _, file := range files {
		f.Add(file.bytes)
	}
	hostile.Fuzz(f, hostile.WAV, soundWAV(f), readWAV)
}

// A recording is read from its file in another way than a sound as a whole, and
// must come to the same.
func TestMalformedRecordings(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	hostile.Test(t, hostile.WAV, soundWAV(t), func(t testing.TB, text string) error {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		r, err := OpenReplay(path, [2]int{1, 2})
		if err != nil {
			return withoutPath(err, path)
		}
		rec, err := r.Recording(context.Background(), r.RateHz())
		if err != nil {
			return withoutPath(err, path)
		}
		w, err := ReadWAV(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if rec.RateHz != w.RateHz || !slices.Equal(rec.V1, w.Samples[0]) || !slices.Equal(rec.V2, w.Samples[1]) {
			t.Errorf("recorded %+v, in the file there is %+v", rec, w)
		}
		return nil
	})
}

// withoutPath is an error without the path of the test's file, which is longer than
// most.
func withoutPath(err error, path string) error {
	return errors.New(strings.ReplaceAll(err.Error(), path, "a.wav"))
}
