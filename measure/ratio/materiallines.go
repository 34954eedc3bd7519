package ratio

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"

	"tapload/measure/hum"
	"tapload/measure/impedance"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

const (
	// endsFrom is how many independent lines a cell needs before what the ends of the
	// recording do is told from the rest.
	endsFrom = 7.0

	shapings = 3 // times that the cells are fitted, each time with the shape of the last
)

// whole is the transform of both inputs over the whole recording, or over a
// segment of it as if that was one.
//
// Of a sound that begins and ends in silence V2 = G V1 holds in each of its lines,
// whatever the load rings for and whenever notes begin and end. One that is cut off
// adds what rings on from before the beginning, and what is missing after the end:
//
//	a(f) + b(f) exp(-j 2 pi f T),
//
// with T the length of the recording, and a and b the smoother the shorter the load
// rings: constants over a cell (R. Pintelon, J. Schoukens, System Identification: A
// Frequency Domain Approach, 2nd ed. 2012, chapter 7, from memory). So is what leaks
// from tones far away, such as hum.
type whole struct {
	x1, x2  []complex128
	left    []bool // out
	lineHz  float64
	samples int // of the recording, which zeros follow
	rateHz  float64
}

// wholeOf transforms v1 and v2. An error is that of ctx.
func wholeOf(ctx context.Context, v1, v2 []float64, rateHz float64) (whole, error) {
	n := signal.SmoothLength(len(v1))
	w := whole{lineHz: rateHz / float64(n), rateHz: rateHz, samples: len(v1), left: make([]bool, n/2+1)}
	fft, room := transform.New(n), make([]float64, n)
	w.x1, w.x2 = fft.Lines(make([]float64, n+2)), fft.Lines(make([]float64, n+2))
	copy(fft.Values(w.x1), v1)
	copy(fft.Values(w.x2), v2)
	return w, cmp.Or(fft.Forward(ctx, w.x1, room), fft.Forward(ctx, w.x2, room))
}

// leave leaves out the lines from low to high hertz.
func (w whole) leave(low, high float64) {
	for k := max(0, int(math.Ceil(low/w.lineHz))); k < len(w.left) && float64(k)*w.lineHz <= high; k++ {
		w.left[k] = true
	}
}

// leaveHum leaves out the lines at hum and beside it, by the width of the longest
// windows' bins.
func (w whole) leaveHum(tones []hum.Tone, binHz float64) {
	for _, t := range tones {
		off := humSkip*binHz + humWander*t.Hz
		w.leave(t.Hz-off, t.Hz+off)
	}
}

// lined is a fit of a ratio to the lines of a cell.
type lined struct {
	mean   complex128         // the ratio, over the energy
	count  float64            // lines
	alone  float64            // independent numbers that they are
	used   float64            // numbers that were fitted
	p1     float64            // sum of |V1|^2 beside what the ends of the recording do
	rest   float64            // sum of |V2 - G V1|^2, likewise
	heavy  float64            // the same, each line by its part of p1
	moment [mostTerms]float64 // mean powers of the place in the cell over the energy, in widths from the middle
}

// inCell holds the lines of a cell: where they are, in its widths from the middle, the
// inputs, and what the ends of the recording add.
type inCell struct {
	x                  []float64
	v1, v2, begin, end []complex128
}

func (c *inCell) clear() {
	c.x = c.x[:0]
	c.v1, c.v2, c.begin, c.end = c.v1[:0], c.v2[:0], c.begin[:0], c.end[:0]
}

// fit fits the lines of h, which it writes to c, over which the ratio has its shape.
func (w whole) fit(h *heard, c *inCell) (l lined) {
	middleHz, widthHz := h.middleHz, h.widthHz
	from, to := int(math.Ceil((middleHz-widthHz/2)/w.lineHz)), int(math.Ceil((middleHz+widthHz/2)/w.lineHz))
	c.clear()
	end, turn := complex(1, 0), cmplx.Rect(1, -2*math.Pi*w.lineHz*float64(w.samples)/w.rateHz)
	for k := max(0, from); k < min(len(w.left), to); k++ {
		end *= turn
		if w.left[k] {
			continue
		}
		x := (float64(k)*w.lineHz - middleHz) / widthHz
		c.x = append(c.x, x)
		c.v1 = append(c.v1, w.x1[k])
		c.v2 = append(c.v2, w.x2[k]-h.shape.at(x)*w.x1[k])
		c.begin, c.end = append(c.begin, 1), append(c.end, end)
	}
	l.count, l.used = float64(len(c.v1)), 1
	l.alone = l.count * w.lineHz * float64(w.samples) / w.rateHz
	if l.alone >= endsFrom {
		l.used = 3
		without(c.end, c.begin)
		for _, e := range [2][]complex128{c.begin, c.end} {
			without(c.v1, e)
			without(c.v2, e)
		}
	}
	var p12 complex128
	for i, a := range c.v1 {
		p := abs2(a)
		l.p1 += p
		p12 += cmplx.Conj(a) * c.v2[i]
		for t := range l.moment {
			l.moment[t] += p
			p *= c.x[i]
		}
	}
	if l.p1 == 0 {
		return l
	}
	for t := range l.moment {
		l.moment[t] /= l.p1
	}
	l.mean = p12 / complex(l.p1, 0)
	for i, a := range c.v1 {
		rest, part := abs2(c.v2[i]-l.mean*a), abs2(a)/l.p1
		l.rest += rest
		if part < 1 {
			l.heavy += rest * part / ((1 - part) * (1 - part))
		}
	}
	return l
}

// without takes what is along u out of v.
func without(v, u []complex128) {
	var along complex128
	var norm float64
	for i := range u {
		along += cmplx.Conj(u[i]) * v[i]
		norm += abs2(u[i])
	}
	if norm > 0 {
		along /= complex(norm, 0)
	}
	for i := range u {
		v[i] -= along * u[i]
	}
}

// together returns the fit to the lines of all segments of a recording, of which
// the parts are fits, with the ratio's shape over the cell. By what the ratio of one
// differs from that of all, beside where in the cell its energy is, counts as what
// differs in its lines.
func together(parts []lined, s shape) (l lined) {
	l.used = 1
	for _, p := range parts {
		l.count += p.count
		l.alone += p.alone
		l.used += p.used - 1
		l.p1 += p.p1
		l.rest += p.rest
		l.mean += complex(p.p1, 0) * p.mean
		for t := range l.moment {
			l.moment[t] += p.p1 * p.moment[t]
		}
	}
	if l.p1 == 0 {
		return l
	}
	l.mean /= complex(l.p1, 0)
	for t := range l.moment {
		l.moment[t] /= l.p1
	}
	for _, p := range parts {
		off := p.mean - l.mean
		for t := 1; t < len(s); t++ {
			off -= s[t] * complex(p.moment[t]-l.moment[t], 0)
		}
		rest, part := abs2(off)*p.p1, p.p1/l.p1
		l.rest += rest
		l.heavy += part * (p.heavy + rest/max(1, p.count))
	}
	return l
}

// fitAll fits the ratios of all cells to their lines, of which lines gives the fit
// where the ratio has the shape that the cells about give it. An error is that of ctx.
func fitAll(ctx context.Context, cells []heard, lines func(i int) lined) error {
	for range shapings {
		for i := range cells {
			if err := ctx.Err(); err != nil {
				return err
			}
			cells[i].fit(lines(i))
		}
		shapes := make([]shape, len(cells))
		for i := range cells {
			if n, ok := about(cells, i, func(h heard) bool { return h.fitted }); ok {
				shapes[i] = n.shape()
			}
		}
		for i, s := range shapes {
			cells[i].shape = s
		}
	}
	return nil
}

// fit fits the ratio of h to its lines. What is left of V2 has Student's distribution,
// whose variance is wider. It counts line by line where it is larger at those that
// have the energy, as what a load adds that bends is: with the residuals of a fit that
// leaves the line out (J. G. MacKinnon, H. White, J. Econometrics 29, 305-325, 1985,
// from memory).
func (h *heard) fit(l lined) {
	h.lined = l
	h.averages = l.alone
	if h.fitted = h.averages >= leastAverages && h.mean != 0; !h.fitted {
		return
	}
	h.g = h.mean
	degrees := h.averages - h.used
	h.noisy = h.rest / h.count * h.averages / degrees
	each := max(h.noisy, h.heavy) * h.count / h.averages
	h.cov = impedance.Circular(each / h.p1 * degrees / (degrees - 1))
}
