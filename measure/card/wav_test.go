package card

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"
)

// The files below are written out by hand after the layout of the WAVE format
// (tag 1 PCM, 3 float, 0xFFFE EXTENSIBLE; chunks padded to an even length).

// wave joins chunks to a RIFF file with the right size.
func wave(chunks ...string) string {
	body := "WAVE" + strings.Join(chunks, "")
	return "RIFF" + u32(uint32(len(body))) + body
}

func u32(n uint32) string { return string(binary.LittleEndian.AppendUint32(nil, n)) }

const (
	fmtPCM16Mono   = "fmt \x10\x00\x00\x00" + "\x01\x00\x01\x00" + "\x80\xbb\x00\x00" + "\x00\x77\x01\x00" + "\x02\x00\x10\x00" // 48000 Hz
	fmtPCM16Stereo = "fmt \x10\x00\x00\x00" + "\x01\x00\x02\x00" + "\x80\xbb\x00\x00" + "\x00\xee\x02\x00" + "\x04\x00\x10\x00"
	fmtPCM24Mono   = "fmt \x10\x00\x00\x00" + "\x01\x00\x01\x00" + "\x44\xac\x00\x00" + "\xcc\x04\x02\x00" + "\x03\x00\x18\x00" // 44100 Hz
	fmtPCM32Mono   = "fmt \x10\x00\x00\x00" + "\x01\x00\x01\x00" + "\x80\xbb\x00\x00" + "\x00\xee\x02\x00" + "\x04\x00\x20\x00"
	fmtFloat32Mono = "fmt \x12\x00\x00\x00" + "\x03\x00\x01\x00" + "\x80\xbb\x00\x00" + "\x00\xee\x02\x00" + "\x04\x00\x20\x00" + "\x00\x00"
	fmtFloat64Mono = "fmt \x12\x00\x00\x00" + "\x03\x00\x01\x00" + "\x80\xbb\x00\x00" + "\x00\xdc\x05\x00" + "\x08\x00\x40\x00" + "\x00\x00"

	// 20 valid bits in 24, two channels, loudspeaker positions left and right.
	fmtExtensible20 = "fmt \x28\x00\x00\x00" + "\xfe\xff\x02\x00" + "\x00\x77\x01\x00" + "\x00\xca\x08\x00" + "\x06\x00\x18\x00" +
		"\x16\x00\x14\x00" + "\x03\x00\x00\x00" + "\x01\x00\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71" // 96000 Hz
	fmtExtensibleFloat = "fmt \x28\x00\x00\x00" + "\xfe\xff\x01\x00" + "\x80\xbb\x00\x00" + "\x00\xee\x02\x00" + "\x04\x00\x20\x00" +
		"\x16\x00\x20\x00" + "\x00\x00\x00\x00" + "\x03\x00\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"

	bytesPCM16   = "\x00\x00\x01\x00\xff\xff\x00\x40\x00\x80\xff\x7f"
	bytesPCM24   = "\x00\x00\x00\x01\x00\x00\xff\xff\xff\x00\x00\x40\x00\x00\x80\xff\xff\x7f"
	bytesPCM32   = "\x00\x00\x00\x00\x01\x00\x00\x00\xff\xff\xff\xff\x00\x00\x00\x40\x00\x00\x00\x80\xff\xff\xff\x7f"
	bytesFloat32 = "\x00\x00\x00\x00\x00\x00\x00\x3f\x00\x00\x80\xbf\x00\x00\x20\x40"                                                                 // 0, 0.5, -1, 2.5
	bytesFloat64 = "\x00\x00\x00\x00\x00\x00\x00\x00\x9a\x99\x99\x99\x99\x99\xb9\x3f\x00\x00\x00\x00\x00\x00\xf0\xbf\x00\x00\x00\x00\x00\x00\x04\x40" // 0, 0.1, -1, 2.5
	data12       = "data\x0c\x00\x00\x00"
	data16       = "data\x10\x00\x00\x00"
)

func pcmSamples(bits int) []float64 {
	lsb := math.Ldexp(1, 1-bits)
	return []float64{0, lsb, -lsb, 0.5, -1, 1 - lsb}
}

// files are in the very form that WriteWAV writes, but for those marked other.
var files = []struct {
	name  string
	bytes string
	want  WAV
	other bool
}{
	{"16 bit", wave(fmtPCM16Mono, data12, bytesPCM16),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}, StatedFrames: 6}, false},
	{"16 bit stereo", wave(fmtPCM16Stereo, data12, bytesPCM16),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{{0, -0x1p-15, -1}, {0x1p-15, 0.5, 1 - 0x1p-15}}, StatedFrames: 3}, false},
	{"24 bit", wave(fmtPCM24Mono, "data\x12\x00\x00\x00", bytesPCM24),
		WAV{RateHz: 44100, Bits: 24, Samples: [][]float64{pcmSamples(24)}, StatedFrames: 6}, false},
	{"24 bit padded", wave(fmtPCM24Mono, "data\x03\x00\x00\x00", bytesPCM24[3:6], "\x00"),
		WAV{RateHz: 44100, Bits: 24, Samples: [][]float64{{0x1p-23}}, StatedFrames: 1}, false},
	{"32 bit", wave(fmtPCM32Mono, "data\x18\x00\x00\x00", bytesPCM32),
		WAV{RateHz: 48000, Bits: 32, Samples: [][]float64{pcmSamples(32)}, StatedFrames: 6}, false},
	{"32 bit float", wave(fmtFloat32Mono, "fact\x04\x00\x00\x00\x04\x00\x00\x00", data16, bytesFloat32),
		WAV{RateHz: 48000, Bits: 32, Float: true, Samples: [][]float64{{0, 0.5, -1, 2.5}}, StatedFrames: 4}, false},
	{"64 bit float", wave(fmtFloat64Mono, "fact\x04\x00\x00\x00\x04\x00\x00\x00", "data\x20\x00\x00\x00", bytesFloat64),
		WAV{RateHz: 48000, Bits: 64, Float: true, Samples: [][]float64{{0, 0.1, -1, 2.5}}, StatedFrames: 4}, false},
	{"no frames", wave(fmtPCM16Mono, "data\x00\x00\x00\x00"),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{{}}}, false},

	{"extensible, 20 of 24 bits", wave(fmtExtensible20, data12, "\x10\x00\x00\x00\x00\x40\xf0\xff\xff\x00\x00\x80"),
		WAV{RateHz: 96000, Bits: 20, Samples: [][]float64{{0x1p-19, -0x1p-19}, {0.5, -1}}, StatedFrames: 2}, true},
	{"extensible float", wave(fmtExtensibleFloat, data16, bytesFloat32),
		WAV{RateHz: 48000, Bits: 32, Float: true, Samples: [][]float64{{0, 0.5, -1, 2.5}}, StatedFrames: 4}, true},
	{"unknown chunks, one of odd length", wave("bext\x02\x00\x00\x00ab", fmtPCM16Mono, "LIST\x03\x00\x00\x00abc\x00", data12, bytesPCM16, "LIST\x02\x00\x00\x00zz"),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}, StatedFrames: 6}, true},
	{"long fmt chunk", wave(strings.Replace(fmtPCM16Mono, "\x10\x00\x00\x00", "\x33\x00\x00\x00", 1), strings.Repeat("\x00", 0x33-16+1), data12, bytesPCM16),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}, StatedFrames: 6}, true},
	{"streamed, sizes 2^32-1", "RIFF\xff\xff\xff\xffWAVE" + fmtPCM16Mono + "data\xff\xff\xff\xff" + bytesPCM16,
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}}, true},
	{"streamed, sizes near 2 GiB", "RIFF\x24\xf0\xff\x7fWAVE" + fmtPCM16Mono + "data\x00\xf0\xff\x7f" + bytesPCM16,
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}}, true},
	{"streamed, sizes 0", "RIFF\x00\x00\x00\x00WAVE" + fmtPCM16Mono + "data\x00\x00\x00\x00" + bytesPCM16,
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}}, true},
	{"streamed, sizes of an empty file", "RIFF\x24\x00\x00\x00WAVE" + fmtPCM16Mono + "data\x00\x00\x00\x00" + bytesPCM16,
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}}, true},
	{"streamed, last frame not whole", "RIFF\xff\xff\xff\xffWAVE" + fmtPCM16Mono + "data\xff\xff\xff\xff" + bytesPCM16 + "\x55",
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}}, true},
	{"empty data chunk of a finished file", wave(fmtPCM16Mono, "data\x00\x00\x00\x00", "LIST\x04\x00\x00\x00abcd"),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{{}}}, true},
	{"cut short", wave(fmtPCM16Mono, "data\x64\x00\x00\x00", bytesPCM16),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}, Truncated: true, StatedFrames: 50}, true},
	{"cut short inside a frame", wave(fmtPCM16Mono, "data\x64\x00\x00\x00", bytesPCM16, "\x55"),
		WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{pcmSamples(16)}, Truncated: true, StatedFrames: 50}, true},
}

func sameWAV(a, b WAV) bool {
	if a.RateHz != b.RateHz || a.Bits != b.Bits || a.Float != b.Float || a.Truncated != b.Truncated || a.StatedFrames != b.StatedFrames || len(a.Samples) != len(b.Samples) {
		return false
	}
	for c := range a.Samples {
		if len(a.Samples[c]) != len(b.Samples[c]) {
			return false
		}
		for i := range a.Samples[c] {
			if a.Samples[c][i] != b.Samples[c][i] {
				return false
			}
		}
	}
	return true
}

func TestReadWAV(t *testing.T) {
	for _, f := range files {
		t.Run(f.name, func(t *testing.T) {
			for _, r := range []io.Reader{strings.NewReader(f.bytes), iotest.OneByteReader(strings.NewReader(f.bytes)), iotest.DataErrReader(strings.NewReader(f.bytes))} {
				got, err := ReadWAV(r)
				if err != nil {
					t.Fatal(err)
				}
				if !sameWAV(got, f.want) {
					t.Errorf("got %+v, want %+v", got, f.want)
				}
			}
		})
	}
}

func TestWriteWAV(t *testing.T) {
	for _, f := range files {
		if f.other {
			continue
		}
		t.Run(f.name, func(t *testing.T) {
			var b bytes.Buffer
			if err := WriteWAV(&b, f.want); err != nil {
				t.Fatal(err)
			}
			if b.String() != f.bytes {
				t.Errorf("got  % x\nwant % x", b.String(), f.bytes)
			}
		})
	}
}

func TestReadWAVRefuses(t *testing.T) {
	patch := func(s string, at int, with string) string { return s[:at] + with + s[at+len(with):] }
	const tag, channels, rate, block, bits, validBits, guid = 8, 10, 12, 20, 22, 26, 32
	for _, c := range []struct{ name, bytes, want string }{
		{"nothing", "", "not a WAVE file: it ends after 0 bytes"},
		{"another file", "fLaC\x00\x00\x00\x22\x10\x00\x10\x00", `not a WAVE file: it starts with "fLaC`},
		{"another RIFF", "RIFF\x04\x00\x00\x00AVI ", "not a WAVE file"},
		{"RF64", "RF64\xff\xff\xff\xffWAVE", "64-bit form RF64"},
		{"BW64", "BW64\xff\xff\xff\xffWAVE", "64-bit form BW64"},
		{"RIFX", "RIFX\x00\x00\x00\x04WAVE", "big-endian"},
		{"no data", wave(fmtPCM16Mono), "no whole data chunk"},
		{"no fmt", wave(data12, bytesPCM16), "data chunk before its fmt chunk"},
		{"two fmt", wave(fmtPCM16Mono, fmtPCM16Stereo, data12, bytesPCM16), "two fmt chunks"},
		{"short fmt", wave("fmt \x0e\x00\x00\x00" + fmtPCM16Mono[8:22]), "fmt chunk of 14 bytes is too short"},
		{"cut in fmt", wave(fmtPCM16Mono[:20]), "inside its fmt chunk, after 12 of 16 bytes"},
		{"cut in a chunk", wave("LIST\xff\xff\xff\xffabc"), `inside chunk "LIST", which states 4294967295 bytes`},
		{"8 bit", wave(patch(patch(fmtPCM16Mono, bits, "\x08\x00"), block, "\x01\x00"), data12, bytesPCM16), "8-bit PCM is too coarse to measure with; record 16 bits or more"},
		{"12 bit", wave(patch(fmtPCM16Mono, bits, "\x0c\x00"), data12, bytesPCM16), "12-bit PCM is not read; use 16, 24 or 32 bits"},
		{"64 bit PCM", wave(patch(fmtFloat64Mono, tag, "\x01\x00"), data16, bytesFloat64), "64-bit PCM is not read"},
		{"16 bit float", wave(patch(fmtPCM16Mono, tag, "\x03\x00"), data12, bytesPCM16), "16-bit float is not read; use 32 or 64 bits"},
		{"compressed", wave(patch(fmtPCM16Mono, tag, "\x55\x00"), data12, bytesPCM16), "format code 0x0055"},
		{"no channels", wave(patch(fmtPCM16Mono, channels, "\x00\x00"), data12, bytesPCM16), "states no channels"},
		{"no rate", wave(patch(fmtPCM16Mono, rate, "\x00\x00\x00\x00"), data12, bytesPCM16), "sample rate of 0 Hz"},
		{"mad rate", wave(patch(fmtPCM16Mono, rate, "\xff\xff\xff\xff"), data12, bytesPCM16), "sample rate of 4294967295 Hz"},
		{"wrong block", wave(patch(fmtPCM16Mono, block, "\x04\x00"), data12, bytesPCM16), "frames of 4 bytes, but 1 channels of 16 bits take 2"},
		{"part of a frame", wave(fmtPCM16Mono, "data\x0b\x00\x00\x00", bytesPCM16), "data chunk of 11 bytes is not a whole number of frames of 2 bytes"},
		{"short extensible", wave(patch(fmtPCM16Mono, tag, "\xfe\xff"), data12, bytesPCM16), "too short for EXTENSIBLE"},
		{"too many valid bits", wave(patch(fmtExtensible20, validBits, "\x19\x00"), data12, bytesPCM16), "25 valid bits in a container of 24"},
		{"few valid bits", wave(patch(fmtExtensible20, validBits, "\x07\x00"), data12, bytesPCM16), "7 valid bits is too coarse"},
		{"float of few bits", wave(patch(fmtExtensibleFloat, validBits, "\x18\x00"), data16, bytesFloat32), "24 valid bits of 32"},
		{"other sub-format", wave(patch(fmtExtensible20, guid+4, "\x01"), data12, bytesPCM16), "neither PCM nor float"},
		{"compressed sub-format", wave(patch(fmtExtensible20, guid, "\x02"), data12, bytesPCM16), "format code 0x0002"},
		{"NaN", wave(fmtFloat32Mono, data16, bytesFloat32[:8], "\x00\x00\xc0\x7f", bytesFloat32[:4]), "sample NaN at frame 2 of channel 1 is not a finite number"},
		{"infinite", wave(fmtFloat64Mono, data16, bytesFloat64[:8], "\x00\x00\x00\x00\x00\x00\xf0\xff"), "sample -Inf at frame 1 of channel 1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w, err := ReadWAV(strings.NewReader(c.bytes))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got error %v, want one with %q", err, c.want)
			}
			if len(w.Samples) != 0 {
				t.Errorf("samples came with error %v", err)
			}
		})
	}
}

// The first bad frame is named, not the first bad channel, and it may lie
// beyond the first piece that is read.
func TestReadWAVNamesBadSample(t *testing.T) {
	const frames = 100_000
	v1, v2 := make([]float64, frames), make([]float64, frames)
	var b bytes.Buffer
	if err := WriteWAV(&b, WAV{RateHz: 48000, Bits: 32, Float: true, Samples: [][]float64{v1, v2}}); err != nil {
		t.Fatal(err)
	}
	file := b.Bytes()
	samples := file[len(file)-frames*8:]
	nan := math.Float32bits(float32(math.NaN()))
	binary.LittleEndian.PutUint32(samples[70_001*8:], nan)
	binary.LittleEndian.PutUint32(samples[70_000*8+4:], nan)
	_, err := ReadWAV(bytes.NewReader(file))
	if err == nil || !strings.Contains(err.Error(), "frame 70000 of channel 2") {
		t.Errorf("got error %v, want one that names frame 70000 of channel 2", err)
	}
}

func TestReadWAVPassesReadErrorsOn(t *testing.T) {
	broken := errors.New("disk on fire")
	whole := wave("LIST\x02\x00\x00\x00ab", fmtPCM16Mono, data12, bytesPCM16)
	for n := range len(whole) - 1 {
		_, err := ReadWAV(io.MultiReader(strings.NewReader(whole[:n]), iotest.ErrReader(broken)))
		if !errors.Is(err, broken) {
			t.Errorf("after %d bytes: got error %v, want it to wrap %q", n, err, broken)
		}
	}
}

func TestReadWAVTrustsNoHeader(t *testing.T) {
	for _, c := range []struct{ name, bytes string }{
		{"2 GiB of mono", wave(fmtPCM16Mono, "data\x00\x00\xfe\x7f", bytesPCM16)},
		{"4 GiB of mono", wave(fmtPCM16Mono, "data\xfe\xff\xff\xff", bytesPCM16)},
		{"32767 channels", wave("fmt \x10\x00\x00\x00"+"\x01\x00\xff\x7f"+"\x80\xbb\x00\x00"+"\x00\x77\x01\x00"+"\xfe\xff\x10\x00", "data\xfc\xff\xff\x7f", bytesPCM16)},
	} {
		t.Run(c.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			if _, err := ReadWAV(strings.NewReader(c.bytes)); err != nil {
				t.Fatal(err)
			}
			runtime.ReadMemStats(&after)
			if mib := float64(after.TotalAlloc-before.TotalAlloc) / (1 << 20); mib > 32 {
				t.Errorf("a file of %d bytes took %.0f MiB", len(c.bytes), mib)
			}
		})
	}
}

func TestWriteWAVRefuses(t *testing.T) {
	one := [][]float64{{0.5}}
	for _, c := range []struct {
		name string
		wav  WAV
		want string
	}{
		{"rate", WAV{Bits: 16, Samples: one}, "sample rate 0 Hz"},
		{"bits", WAV{RateHz: 48000, Bits: 33, Samples: one}, "33-bit PCM cannot be written; use 16, 24 or 32 bits"},
		{"float bits", WAV{RateHz: 48000, Bits: 16, Float: true, Samples: one}, "16-bit float cannot be written; use 32 or 64 bits"},
		{"no channels", WAV{RateHz: 48000, Bits: 16}, "0 channels"},
		{"too many channels", WAV{RateHz: 48000, Bits: 16, Samples: make([][]float64, 32768)}, "32768 channels"},
		{"unequal", WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{{0, 0}, {0}}}, "channel 2 has 1 samples and channel 1 has 2"},
		{"above full scale", WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{{0, 0}, {0, math.Nextafter(1, 2)}}}, "frame 1 of channel 2: sample 1.0000000000000002 is beyond full scale"},
		{"below full scale", WAV{RateHz: 48000, Bits: 24, Samples: [][]float64{{-1.5}}}, "frame 0 of channel 1: sample -1.5 is beyond full scale"},
		{"NaN as PCM", WAV{RateHz: 48000, Bits: 24, Samples: [][]float64{{math.NaN()}}}, "sample NaN"},
		{"NaN as float", WAV{RateHz: 48000, Bits: 64, Float: true, Samples: [][]float64{{math.NaN()}}}, "sample NaN is not a finite number of 64-bit float"},
		{"beyond float32", WAV{RateHz: 48000, Bits: 32, Float: true, Samples: [][]float64{{1e39}}}, "sample 1e+39 is not a finite number of 32-bit float"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := WriteWAV(io.Discard, c.wav)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got error %v, want one with %q", err, c.want)
			}
		})
	}
}

func TestWriteWAVRounds(t *testing.T) {
	const lsb = 0x1p-15
	in := []float64{1, 1 - 0.4*lsb, 0.4 * lsb, 0.6 * lsb, 0.5 * lsb, 1.5 * lsb, -0.5 * lsb, -1.5 * lsb, -1}
	want := []float64{1 - lsb, 1 - lsb, 0, lsb, 0, 2 * lsb, 0, -2 * lsb, -1}
	var b bytes.Buffer
	if err := WriteWAV(&b, WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{in}}); err != nil {
		t.Fatal(err)
	}
	got, err := ReadWAV(&b)
	if err != nil {
		t.Fatal(err)
	}
	for i := range want {
		if got.Samples[0][i] != want[i] {
			t.Errorf("%v lsb became %v lsb, want %v", in[i]/lsb, got.Samples[0][i]/lsb, want[i]/lsb)
		}
	}
}

func TestWriteWAVPassesWriteErrorsOn(t *testing.T) {
	broken := errors.New("disk full")
	for _, frames := range []int{1, 100_000} {
		err := WriteWAV(failingWriter{broken}, WAV{RateHz: 48000, Bits: 16, Samples: [][]float64{make([]float64, frames)}})
		if !errors.Is(err, broken) {
			t.Errorf("%d frames: got error %v, want %q", frames, err, broken)
		}
	}
}

type failingWriter struct{ err error }

func (w failingWriter) Write([]byte) (int, error) { return 0, w.err }

// drawWAV draws a sound whose samples its format holds exactly.
func drawWAV(t *rapid.T) WAV {
	w := WAV{
		RateHz: rapid.IntRange(1, math.MaxInt32).Draw(t, "rate"),
		Float:  rapid.Bool().Draw(t, "float"),
	}
	var sample *rapid.Generator[float64]
	if w.Float {
		w.Bits = rapid.SampledFrom([]int{32, 64}).Draw(t, "bits")
		sample = rapid.Map(rapid.Float32(), func(v float32) float64 { return float64(v) })
		if w.Bits == 64 {
			sample = rapid.Float64()
		}
	} else {
		w.Bits = rapid.OneOf(rapid.SampledFrom([]int{16, 24, 32}), rapid.IntRange(8, 32)).Draw(t, "bits")
		full := int64(1) << (w.Bits - 1)
		sample = rapid.Map(rapid.Int64Range(-full, full-1), func(c int64) float64 { return float64(c) / float64(full) })
	}
	w.StatedFrames = rapid.IntRange(0, 40).Draw(t, "frames")
	for range rapid.IntRange(1, 9).Draw(t, "channels") {
		w.Samples = append(w.Samples, rapid.SliceOfN(sample, w.StatedFrames, w.StatedFrames).Draw(t, "samples"))
	}
	return w
}

func TestWAVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawWAV(t)
		var b bytes.Buffer
		if err := WriteWAV(&b, want); err != nil {
			t.Fatal(err)
		}
		if size := binary.LittleEndian.Uint32(b.Bytes()[4:]); int(size) != b.Len()-8 || b.Len()%2 != 0 {
			t.Fatalf("RIFF size is %d in a file of %d bytes", size, b.Len())
		}
		got, err := ReadWAV(&b)
		if err != nil {
			t.Fatal(err)
		}
		if !sameWAV(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

// A file cut anywhere is an error or is flagged, and never gives other samples.
func TestReadWAVCutAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := drawWAV(t)
		var b bytes.Buffer
		if err := WriteWAV(&b, whole); err != nil {
			t.Fatal(err)
		}
		data := whole.StatedFrames * len(whole.Samples) * max(2, (whole.Bits+7)/8)
		end := b.Len() - data - data%2 // of the header
		cut := rapid.IntRange(0, b.Len()-1-data%2).Draw(t, "cut")
		got, err := ReadWAV(bytes.NewReader(b.Bytes()[:cut]))
		if err != nil {
			if cut >= end {
				t.Fatal(err)
			}
			return
		}
		if !got.Truncated || got.StatedFrames != whole.StatedFrames || got.Frames() != whole.StatedFrames*(cut-end)/data {
			t.Fatalf("cut after %d of %d bytes: truncated %v, %d of %d frames", cut, b.Len(), got.Truncated, got.Frames(), got.StatedFrames)
		}
		for c := range got.Samples {
			whole.Samples[c] = whole.Samples[c][:got.Frames()]
		}
		if whole.Truncated = true; !sameWAV(got, whole) {
			t.Fatalf("got %+v, want %+v", got, whole)
		}
	})
}

// benchWAV returns 10 s of stereo at 48 kHz and 24 bits.
func benchWAV() WAV {
	w := WAV{RateHz: 48000, Bits: 24, Samples: [][]float64{sine(48000, 100, 0.5, 0, 10), sine(48000, 100, 0.3, 1, 10)}}
	for _, s := range w.Samples {
		quantise(s, w.Bits)
	}
	return w
}

// 2026-11, 2 busy cores: 2.7 ms.
func BenchmarkReadWAV(b *testing.B) {
	var file bytes.Buffer
	if err := WriteWAV(&file, benchWAV()); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(file.Len()))
	for b.Loop() {
		if _, err := ReadWAV(bytes.NewReader(file.Bytes())); err != nil {
			b.Fatal(err)
		}
	}
}

// 2026-11, 2 busy cores: 7.5 ms.
func BenchmarkWriteWAV(b *testing.B) {
	w := benchWAV()
	for b.Loop() {
		if err := WriteWAV(io.Discard, w); err != nil {
			b.Fatal(err)
		}
	}
}
