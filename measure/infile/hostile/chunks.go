package hostile

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math/rand/v2"
	"slices"
)

// WAV makes malformed WAVE files.
func WAV(r *rand.Rand, sound []string) string {
	return container(r, sound, riff, []string{"RIFF", "RIFX", "RF64", "BW64", "WAVE", "fmt ", "data", "fact", "LIST", "ds64", "JUNK", "bext", "id3 ", "\x00\x00\x00\x00"})
}

// PNG makes malformed PNG pictures, whose checksums are right for the most part.
func PNG(r *rand.Rand, sound []string) string {
	return container(r, sound, png, []string{"IHDR", "IDAT", "IEND", "PLTE", "tRNS", "tEXt", "\x00\x00\x00\x00"})
}

// form is how a file is made of chunks behind a head.
type form struct {
	head  int
	order interface {
		binary.ByteOrder
		binary.AppendByteOrder
	}
	png bool // length before the name and a checksum behind the data
}

var (
	riff = form{head: 12, order: binary.LittleEndian}
	png  = form{head: 8, order: binary.BigEndian, png: true}
)

type chunk struct {
	name   string
	data   []byte
	stated uint32 // length
	sum    uint32 // what the checksum is wrong by
}

// split takes a sound file apart.
func (f form) split(text string) (head []byte, chunks []chunk) {
	rest := []byte(text)
	head, rest = slices.Clone(rest[:f.head]), rest[f.head:]
	for len(rest) >= 8 {
		n, name := f.order.Uint32(rest[4:]), string(rest[:4])
		if f.png {
			n, name = f.order.Uint32(rest), string(rest[4:8])
		}
		chunks = append(chunks, chunk{name: name, data: slices.Clone(rest[8 : 8+n]), stated: n})
		after := 8 + n
		if f.png {
			after += 4
		} else {
			after += n % 2
		}
		rest = rest[min(int(after), len(rest)):]
	}
	return head, chunks
}

func (f form) join(head []byte, chunks []chunk) string {
	b := bytes.NewBuffer(head)
	for _, c := range chunks {
		length := f.order.AppendUint32(nil, c.stated)
		if f.png {
			b.Write(length)
			b.WriteString(c.name)
			b.Write(c.data)
			b.Write(f.order.AppendUint32(nil, c.sum+crc32.ChecksumIEEE(append([]byte(c.name), c.data...))))
			continue
		}
		b.WriteString(c.name)
		b.Write(length)
		b.Write(c.data)
		if len(c.data)%2 == 1 {
			b.WriteByte(0)
		}
	}
	return b.String()
}

var sizes = []uint32{0, 1, 2, 3, 4, 7, 8, 12, 15, 16, 17, 18, 24, 32, 39, 40, 41, 64, 255, 256, 65534, 65535, 65536, 44100, 48000, 1 << 20, 1 << 24, 1<<31 - 1, 1 << 31, 0x7FFF0000, 0xFFFFFFF0, 0xFFFFFFFE, 0xFFFFFFFF}

func container(r *rand.Rand, sound []string, f form, names []string) string {
	head, chunks := f.split(pick(r, sound))
	textAlone := r.IntN(6) == 0
	for range geometric(r) {
		if textAlone || len(chunks) == 0 {
			break
		}
		at := r.IntN(len(chunks))
		c := &chunks[at]
		switch r.IntN(16) {
		case 0:
			chunks = slices.Delete(chunks, at, at+1)
		case 1:
			again := *c
			again.data = slices.Clone(c.data)
			chunks = slices.Insert(chunks, r.IntN(len(chunks)+1), again)
		case 2:
			other := r.IntN(len(chunks))
			chunks[at], chunks[other] = chunks[other], chunks[at]
		case 3:
			c.name = pick(r, names)
		case 4, 5:
			c.stated = pick(r, []uint32{pick(r, sizes), c.stated + 1, c.stated - 1, c.stated * 2, c.stated / 2, c.stated + 8})
		case 6:
			c.data = c.data[:r.IntN(len(c.data)+1)]
		case 7:
			c.data = c.data[:r.IntN(len(c.data)+1)]
			c.stated = uint32(len(c.data))
		case 8:
			extra := make([]byte, pick(r, []int{1, 2, 3, 7, 100}))
			chunks = slices.Insert(chunks, at, chunk{name: pick(r, names), data: extra, stated: uint32(len(extra))})
		case 9:
			c.sum = r.Uint32()
		case 10:
			field(r, f, head)
		default: // what the others are read by stands first
			field(r, f, chunks[r.IntN(min(len(chunks), 2))].data)
		}
	}
	text := f.join(head, chunks)
	if textAlone || r.IntN(6) == 0 {
		text = changeText(r, text, sound)
	}
	return text
}

// field changes one number in data.
func field(r *rand.Rand, f form, data []byte) {
	if len(data) == 0 {
		return
	}
	at := r.IntN(min(len(data), 40))
	value := f.order.AppendUint32(nil, pick(r, sizes))
	switch r.IntN(4) {
	case 0:
		data[at] ^= 1 << r.IntN(8)
	case 1:
		copy(data[at&^3:], value)
	case 2:
		copy(data[at&^1:], f.order.AppendUint16(nil, uint16(pick(r, sizes))))
	default:
		copy(data[at:], []byte{byte(pick(r, sizes))})
	}
}
