package card

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// WAV is the sound in a WAVE file.
//
// PCM of b bits has full scale 2^(b-1): a code c is the sample c/2^(b-1), so
// that the range is -1 to 1-2^(1-b) and every code is an exact float64.
type WAV struct {
	RateHz  int
	Bits    int         // PCM: valid bits of a sample, 8 to 32; float: 32 or 64
	Float   bool        // IEEE 754 samples instead of PCM
	Samples [][]float64 // one slice a channel, equally long; full scale is +-1

	// Truncated is set when the file ends before the samples that its header
	// states; StatedFrames is how many those are. Where a recorder could not
	// know the length when it wrote the header, the file's end is its length,
	// StatedFrames is 0 and a last frame that is not whole is left out.
	Truncated    bool
	StatedFrames int
}

// Frames returns the number of sample frames of w.
func (w WAV) Frames() int {
	if len(w.Samples) == 0 {
		return 0
	}
	return len(w.Samples[0])
}

const (
	tagPCM        = 1
	tagFloat      = 3
	tagExtensible = 0xFFFE

	// Recorders that write to a pipe put a size near 2 GiB or of 2^32-1 where
	// they cannot know it.
	streamedSize = 0x7FFF0000

	// Frames are taken from the header's word only up to this many samples in
	// all; beyond it memory grows with what the file really holds.
	trustedSamples = 1 << 21

	wavBuffer = 1 << 16 // bytes
)

// guidTail is what follows the 16-bit format code in the sub-format GUID of
// an EXTENSIBLE file.
var guidTail = []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}

// wavFormat is a checked "fmt " chunk.
type wavFormat struct {
	rateHz, channels int
	width            int // bytes of one sample
	bits             int
	float            bool
}

func (f wavFormat) block() int { return f.channels * f.width }

// wavHead is what stands before the samples.
type wavHead struct {
	wavFormat
	at       int64  // of the first sample, bytes from the start of the file
	size     uint32 // of the samples, bytes, as stated
	streamed bool   // nobody knew the size
}

// holds returns how many frames there are in so many bytes from the first sample
// on, how many are stated, 0 where that says nothing, and whether some are missing.
func (h wavHead) holds(bytes int64) (frames, stated int, truncated bool) {
	if h.streamed {
		return int(bytes / int64(h.block())), 0, false
	}
	stated = int(h.size / uint32(h.block()))
	if frames = int(min(bytes, int64(h.size)) / int64(h.block())); frames == stated {
		return frames, stated, false
	}
	// A size near 2 GiB may be a streaming recorder's; whether it is shows only
	// at the file's end.
	if h.size >= streamedSize {
		return frames, 0, false
	}
	return frames, stated, true
}

// ReadWAV reads a WAVE file of 16, 24 or 32-bit PCM or 32 or 64-bit float,
// plain or EXTENSIBLE, with any number of channels. It fails on everything
// else, and on a float sample that is not a finite number. Memory grows with
// what the file holds, not with what its header states.
func ReadWAV(r io.Reader) (WAV, error) {
	br := bufio.NewReaderSize(r, wavBuffer)
	h, err := readHead(br)
	if err != nil {
		return WAV{}, err
	}
	return h.read(br)
}

// readHead reads up to the first sample.
func readHead(br io.Reader) (wavHead, error) {
	var head [12]byte
	if n, err := io.ReadFull(br, head[:]); err != nil {
		if !ended(err) {
			return wavHead{}, fmt.Errorf("cannot read the header: %w", err)
		}
		return wavHead{}, fmt.Errorf("not a WAVE file: it ends after %d bytes", n)
	}
	switch id := string(head[:4]); {
	case id == "RF64" || id == "BW64":
		return wavHead{}, fmt.Errorf("WAVE file is of the 64-bit form %s, which is not read; save it as a plain RIFF WAVE file below 4 GiB", id)
	case id == "RIFX":
		return wavHead{}, errors.New("WAVE file is of the big-endian form RIFX, which is not read; save it as a plain RIFF WAVE file")
	case id != "RIFF" || string(head[8:]) != "WAVE":
		return wavHead{}, fmt.Errorf("not a WAVE file: it starts with %q instead of RIFF and WAVE", head[:])
	}
	riffSize := binary.LittleEndian.Uint32(head[4:])

	var format *wavFormat
	at := uint64(4) // offset of the next chunk, counted as the RIFF size counts
	for {
		var h [8]byte
		if _, err := io.ReadFull(br, h[:]); err != nil {
			if !ended(err) {
				return wavHead{}, fmt.Errorf("cannot read a chunk header: %w", err)
			}
			return wavHead{}, errors.New("WAVE file ends before its samples: there is no whole data chunk header")
		}
		id, size := string(h[:4]), binary.LittleEndian.Uint32(h[4:])
		at += 8
		if id == "data" {
			if format == nil {
				return wavHead{}, errors.New("WAVE file has its data chunk before its fmt chunk, so the samples cannot be told apart")
			}
			finished := riffSize < streamedSize && uint64(riffSize) > at
			h := wavHead{*format, int64(at) + 8, size, size == 0 && !finished}
			if !h.streamed && size%uint32(h.block()) != 0 && size < streamedSize {
				return wavHead{}, fmt.Errorf("data chunk of %d bytes is not a whole number of frames of %d bytes", size, h.block())
			}
			return h, nil
		}
		padded := int64(size) + int64(size&1)
		at += uint64(padded)
		if id == "fmt " {
			if format != nil {
				return wavHead{}, errors.New("WAVE file has two fmt chunks; only one can be right")
			}
			f, rest, err := readFormat(br, size)
			if err != nil {
				return wavHead{}, err
			}
			format, padded = &f, padded-rest
		}
		if _, err := io.CopyN(io.Discard, br, padded); err != nil {
			if !ended(err) {
				return wavHead{}, fmt.Errorf("cannot read chunk %q: %w", id, err)
			}
			return wavHead{}, fmt.Errorf("WAVE file ends inside chunk %q, which states %d bytes", id, size)
		}
	}
}

func ended(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
}

// readFormat reads the part of a fmt chunk that is understood and returns how
// many bytes that was.
func readFormat(r io.Reader, size uint32) (f wavFormat, used int64, err error) {
	if size < 16 {
		return f, 0, fmt.Errorf("fmt chunk of %d bytes is too short; it has at least 16", size)
	}
	var b [40]byte
	used = int64(min(size, uint32(len(b))))
	if n, err := io.ReadFull(r, b[:used]); err != nil {
		if !ended(err) {
			return f, 0, fmt.Errorf("cannot read the fmt chunk: %w", err)
		}
		return f, 0, fmt.Errorf("WAVE file ends inside its fmt chunk, after %d of %d bytes", n, size)
	}
	u16 := func(at int) int { return int(binary.LittleEndian.Uint16(b[at:])) }
	rate := binary.LittleEndian.Uint32(b[4:])
	tag, container := u16(0), u16(14)
	f.channels, f.bits = u16(2), container
	if tag == tagExtensible {
		if size < 40 || u16(16) < 22 {
			return f, 0, fmt.Errorf("fmt chunk of %d bytes with an extension of %d is too short for EXTENSIBLE, which has 40 and 22", size, u16(16))
		}
		if !bytes.Equal(b[26:40], guidTail) {
			return f, 0, fmt.Errorf("EXTENSIBLE sub-format % x is neither PCM nor float; save it as PCM or float", b[24:40])
		}
		tag, f.bits = u16(24), u16(18)
		if f.bits > container {
			return f, 0, fmt.Errorf("EXTENSIBLE format states %d valid bits in a container of %d; they must fit", f.bits, container)
		}
	}
	switch {
	case rate == 0 || rate > math.MaxInt32:
		return f, 0, fmt.Errorf("WAVE file states a sample rate of %d Hz, which no card has", rate)
	case f.channels == 0:
		return f, 0, errors.New("WAVE file states no channels")
	case tag == tagPCM && container == 8:
		return f, 0, errors.New("8-bit PCM is too coarse to measure with; record 16 bits or more, best 24")
	case tag == tagPCM && container != 16 && container != 24 && container != 32:
		return f, 0, fmt.Errorf("%d-bit PCM is not read; use 16, 24 or 32 bits", container)
	case tag == tagPCM && f.bits < 8:
		return f, 0, fmt.Errorf("PCM with %d valid bits is too coarse to measure with; record 16 bits or more, best 24", f.bits)
	case tag == tagFloat && container != 32 && container != 64:
		return f, 0, fmt.Errorf("%d-bit float is not read; use 32 or 64 bits", container)
	case tag == tagFloat && f.bits != container:
		return f, 0, fmt.Errorf("float format states %d valid bits of %d; a float uses them all", f.bits, container)
	case tag != tagPCM && tag != tagFloat:
		return f, 0, fmt.Errorf("WAVE format code %#04x is neither PCM (1) nor float (3); save it as PCM or float", tag)
	}
	f.rateHz, f.width, f.float = int(rate), container/8, tag == tagFloat
	if block := u16(12); block != f.block() {
		return f, 0, fmt.Errorf("WAVE file states frames of %d bytes, but %d channels of %d bits take %d", block, f.channels, container, f.block())
	}
	return f, used, nil
}

// read reads the samples; r stands at the first.
func (h wavHead) read(r io.Reader) (WAV, error) {
	w := WAV{RateHz: h.rateHz, Bits: h.bits, Float: h.float, Samples: make([][]float64, h.channels)}
	trusted := 0
	if !h.streamed {
		trusted = min(int(h.size/uint32(h.block())), trustedSamples/h.channels)
	}
	for c := range w.Samples {
		w.Samples[c] = make([]float64, 0, trusted)
	}
	read, err := h.pieces(context.Background(), r, func(piece [][]float64) error {
		for c, x := range piece {
			w.Samples[c] = append(w.Samples[c], x...)
		}
		return nil
	})
	if err != nil {
		return WAV{}, err
	}
	_, w.StatedFrames, w.Truncated = h.holds(read)
	return w, nil
}

// pieces calls take for one piece of the samples after the other, all channels
// equally long, and returns how many bytes they were; r stands at the first. An error
// may be that of ctx or of take.
func (h wavHead) pieces(ctx context.Context, r io.Reader, take func(piece [][]float64) error) (read int64, err error) {
	block := h.block()
	left := int64(h.size)
	if h.streamed {
		left = math.MaxInt64
	}
	buf := make([]byte, max(1, wavBuffer/block)*block)
	piece := make([][]float64, h.channels)
	for c := range piece {
		piece[c] = make([]float64, len(buf)/block)
	}
	decode := decoderOf(h.wavFormat)
	for done := 0; left > 0; {
		if err := ctx.Err(); err != nil {
			return read, err
		}
		n, err := io.ReadFull(r, buf[:min(left, int64(len(buf)))])
		if err != nil && !ended(err) {
			return read, fmt.Errorf("cannot read the samples after frame %d: %w", done, err)
		}
		frames := n / block
		bad, badChannel, value := frames, 0, 0.0
		for c := range piece {
			piece[c] = piece[c][:frames]
			if frames == 0 {
				continue
			}
			if i := decode(piece[c], buf[c*h.width:n], block); i < bad {
				bad, badChannel, value = i, c, piece[c][i]
			}
		}
		if bad < frames {
			return read, fmt.Errorf("sample %v at frame %d of channel %d is not a finite number", value, done+bad, badChannel+1)
		}
		if err := take(piece); err != nil {
			return read, err
		}
		done, read = done+frames, read+int64(n)
		if left -= int64(n); err != nil {
			break
		}
	}
	return read, nil
}

// A decoder fills dst from every stride-th byte of src and returns the index
// of the first sample that is not a finite number, or len(dst).
type decoder func(dst []float64, src []byte, stride int) int

func decoderOf(f wavFormat) decoder {
	switch {
	case f.float && f.width == 4:
		return decodeFloat32
	case f.float:
		return decodeFloat64
	case f.width == 2:
		return decodePCM16
	case f.width == 3:
		return decodePCM24
	default:
		return decodePCM32
	}
}

func decodePCM16(dst []float64, src []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int16(binary.LittleEndian.Uint16(src[i*stride:]))) * 0x1p-15
	}
	return len(dst)
}

func decodePCM24(dst []float64, src []byte, stride int) int {
	for i := range dst {
		b := src[i*stride:][:3]
		dst[i] = float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) * 0x1p-31
	}
	return len(dst)
}

func decodePCM32(dst []float64, src []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int32(binary.LittleEndian.Uint32(src[i*stride:]))) * 0x1p-31
	}
	return len(dst)
}

func decodeFloat32(dst []float64, src []byte, stride int) int {
	bad := len(dst)
	for i := range dst {
		v := float64(math.Float32frombits(binary.LittleEndian.Uint32(src[i*stride:])))
		dst[i] = v
		if v-v != 0 && i < bad {
			bad = i
		}
	}
	return bad
}

func decodeFloat64(dst []float64, src []byte, stride int) int {
	bad := len(dst)
	for i := range dst {
		v := math.Float64frombits(binary.LittleEndian.Uint64(src[i*stride:]))
		dst[i] = v
		if v-v != 0 && i < bad {
			bad = i
		}
	}
	return bad
}

// format returns how w is laid out in a file, or an error that names what
// keeps it from being written.
func (w WAV) format() (wavFormat, error) {
	f := wavFormat{rateHz: w.RateHz, channels: len(w.Samples), bits: w.Bits, float: w.Float}
	switch {
	case w.RateHz <= 0 || w.RateHz > math.MaxInt32:
		return f, fmt.Errorf("sample rate %d Hz cannot be written to a WAVE file", w.RateHz)
	case w.Float && w.Bits != 32 && w.Bits != 64:
		return f, fmt.Errorf("%d-bit float cannot be written; use 32 or 64 bits", w.Bits)
	case !w.Float && (w.Bits < 8 || w.Bits > 32):
		return f, fmt.Errorf("%d-bit PCM cannot be written; use 16, 24 or 32 bits", w.Bits)
	}
	f.width = max(2, (w.Bits+7)/8)
	if f.channels == 0 || f.block() > math.MaxUint16 {
		return f, fmt.Errorf("%d channels of %d bits cannot be written to a WAVE file, whose frames have 1 to %d bytes", f.channels, w.Bits, math.MaxUint16)
	}
	for c, s := range w.Samples {
		if len(s) != w.Frames() {
			return f, fmt.Errorf("channel %d has %d samples and channel 1 has %d; they must be equally long", c+1, len(s), w.Frames())
		}
	}
	if int64(w.Frames())*int64(f.block()) > math.MaxUint32-100 {
		return f, fmt.Errorf("%d frames of %d bytes are more than the 4 GiB that a WAVE file holds", w.Frames(), f.block())
	}
	return f, nil
}

// header returns the bytes before the samples.
func (f wavFormat) header(frames int) []byte {
	le := binary.LittleEndian
	tag, container := uint16(tagPCM), f.width*8
	if f.float {
		tag = tagFloat
	}
	chunk := le.AppendUint16(nil, tag)
	chunk = le.AppendUint16(chunk, uint16(f.channels))
	chunk = le.AppendUint32(chunk, uint32(f.rateHz))
	chunk = le.AppendUint32(chunk, uint32(f.rateHz*f.block()))
	chunk = le.AppendUint16(chunk, uint16(f.block()))
	chunk = le.AppendUint16(chunk, uint16(container))
	switch {
	case f.bits != container:
		le.PutUint16(chunk, tagExtensible)
		chunk = le.AppendUint16(chunk, 22)
		chunk = le.AppendUint16(chunk, uint16(f.bits))
		chunk = le.AppendUint32(chunk, 0) // no loudspeaker positions
		chunk = le.AppendUint16(chunk, tag)
		chunk = append(chunk, guidTail...)
	case f.float:
		chunk = le.AppendUint16(chunk, 0)
	}

	data := frames * f.block()
	h := append([]byte("RIFF\x00\x00\x00\x00WAVEfmt "), le.AppendUint32(nil, uint32(len(chunk)))...)
	h = append(h, chunk...)
	if f.float {
		h = append(h, "fact\x04\x00\x00\x00"...)
		h = le.AppendUint32(h, uint32(frames))
	}
	h = append(h, "data"...)
	h = le.AppendUint32(h, uint32(data))
	le.PutUint32(h[4:], uint32(len(h)-8+data+data&1))
	return h
}

// WriteWAV writes w as a WAVE file, in the format of its Bits and Float.
//
// PCM rounds to the nearest code; a tie goes to the even one. A sample beyond
// full scale is an error that names it, never a silent clip; only what lies
// between the largest code and +1.0, that included, becomes the largest code.
// There is no dither: every written sample must follow from the law of the
// signal alone, and be the same each time.
func WriteWAV(dst io.Writer, w WAV) error {
	f, err := w.format()
	if err != nil {
		return err
	}
	block := f.block()
	buf := append(make([]byte, 0, wavBuffer+block), f.header(w.Frames())...)
	for i := range w.Frames() {
		for c, s := range w.Samples {
			if buf, err = f.append(buf, s[i]); err != nil {
				return fmt.Errorf("frame %d of channel %d: %w", i, c+1, err)
			}
		}
		if len(buf) >= wavBuffer {
			if _, err := dst.Write(buf); err != nil {
				return err
			}
			buf = buf[:0]
		}
	}
	if w.Frames()*block%2 != 0 {
		buf = append(buf, 0)
	}
	_, err = dst.Write(buf)
	return err
}

// append appends one sample to b.
func (f wavFormat) append(b []byte, x float64) ([]byte, error) {
	le := binary.LittleEndian
	if f.float {
		v := x
		if f.width == 4 {
			v = float64(float32(x))
		}
		if v-v != 0 {
			return b, fmt.Errorf("sample %v is not a finite number of %d-bit float", x, f.bits)
		}
		if f.width == 4 {
			return le.AppendUint32(b, math.Float32bits(float32(x))), nil
		}
		return le.AppendUint64(b, math.Float64bits(x)), nil
	}
	if !(x >= -1 && x <= 1) {
		return b, fmt.Errorf("sample %v is beyond full scale (-1 to 1) of %d-bit PCM", x, f.bits)
	}
	full := float64(int64(1) << (f.bits - 1))
	code := uint32(int32(min(math.RoundToEven(x*full), full-1))) << (8*f.width - f.bits)
	switch f.width {
	case 2:
		return le.AppendUint16(b, uint16(code)), nil
	case 3:
		return append(b, byte(code), byte(code>>8), byte(code>>16)), nil
	default:
		return le.AppendUint32(b, code), nil
	}
}
