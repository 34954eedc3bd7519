package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/signal"
	"tapload/measure/transform"
)

// quotient is V2/V1 of a chirp over the lines of its period and over time.
type quotient struct {
	s             spectrum
	c             signal.Chirp
	hz            float64 // between lines of a period
	fullHz, topHz float64
	rise          float64 // L, s
	step          float64 // s, between values of time
	lines         []complex128
	time          []float64
	bands         []bendBand
	slots         []int // orders that have room, in the end all above them together if those have
	last          float64

	// between is the least power that the lines between have at each gate of a
	// slot, by band; nil before they are listened to.
	between map[int][][]float64

	fft  *transform.Real // of time
	room []float64
}

// bendBand is a band in which an order is looked for.
type bendBand struct {
	lowHz, highHz float64
	noise         float64 // mean |N2 - G N1|^2/|V1|^2 of a line
	g             complex128
	v1            float64 // mean |V1| sqrt(f), as the amplitude of a chirp
	heard         bool
}

func (b bendBand) middle() float64 { return math.Sqrt(b.lowHz * b.highHz) }

// newQuotient returns the quotient up to topHz, its last part from fullHz on
// faded out, with the given ratios in the place of what lines hold, or nil where
// no order has room. What is made of it means nothing once ctx has ended.
func newQuotient(ctx context.Context, s spectrum, c signal.Chirp, topHz, fullHz float64, instead map[int]complex128) *quotient {
	q := &quotient{s: s, c: c, hz: s.stepHz * float64(s.periods), rise: c.Rise(), fullHz: fullHz, topHz: topHz}
	octaves := math.Log(c.StopHz / c.StartHz) // T/L
	q.last = min(mostOrder, math.Exp(octaves-leastRing)/aftOrders)
	for n := 2; n <= lastOrder && float64(n)+orderRise <= q.last; n++ {
		q.slots = append(q.slots, n)
	}
	if len(q.slots) == 0 {
		return nil
	}
	if q.last > lastOrder+2 {
		q.slots = append(q.slots, above)
	} else {
		q.last = float64(q.slots[len(q.slots)-1]) + orderRise
	}
	top := min((s.x1.Len()-1)/s.periods, int(topHz/q.hz))
	n := signal.SmoothLength(2*top + 2)
	q.step = 1 / q.hz / float64(n)
	low := math.Sqrt(c.StartHz * s.frame.LowHz) // where the chirp has risen
	q.lines = make([]complex128, n/2+1)
	q.divide(ctx, low, instead)
	q.continueDown(low)
	q.fft, q.room = transform.New(n), make([]float64, n)
	q.time = q.overTime(ctx, slices.Clone(q.lines))
	return q
}

// overTime returns the response over time that lines make, in their memory.
func (q *quotient) overTime(ctx context.Context, lines []complex128) []float64 {
	x := q.fft.Values(lines)
	if q.fft.Backward(ctx, lines, q.room) != nil {
		return x
	}
	for i := range x {
		x[i] /= float64(len(x))
	}
	return x
}

// listenBetween works out what the lines between hold at the gates, (V2 - G V1)/X
// with X the chirp's own spectrum there (chirpBetween). Harmonics repeat with the
// period and have no part in it; a voice in one period has the same part in all
// lines, at the same time, and a tone is in some of them more than in others.
func (q *quotient) listenBetween(ctx context.Context) {
	s := q.s
	from, to := max(1, int(math.Ceil(s.frame.LowHz/q.hz))), min(len(q.lines), (s.x1.Len()-1)/s.periods)
	q.between = map[int][][]float64{}
	lines := make([]complex128, len(q.lines))
	for m := 1; m < s.periods; m++ {
		clear(lines)
		for k := from; k < to; k++ {
			if k%often == 0 && ctx.Err() != nil {
				return
			}
			line := k * s.periods
			x := s.chirpBetween(k, m)
			if q.lines[k] == 0 || x == 0 {
				continue
			}
			g := s.x2.At(line) / s.x1.At(line)
			lines[k] = complex(q.fade(k), 0) * (s.x2.At(line+m) - g*s.x1.At(line+m)) / x
		}
		time := q.overTime(ctx, lines)
		for _, slot := range q.slots {
			gates := q.gatesOf(slot)
			if q.between[slot] == nil {
				q.between[slot] = make([][]float64, len(gates))
			}
			for at, g := range gates {
				p := q.cut(ctx, time, g)
				if q.between[slot][at] == nil {
					q.between[slot][at] = slices.Repeat([]float64{math.Inf(1)}, len(q.bands))
				}
				for i, b := range q.bands {
					q.between[slot][at][i] = min(q.between[slot][at][i], p.power(b))
				}
			}
		}
	}
}

// alike returns the least power in a band that the lines between have at a gate,
// 0 before they are listened to.
func (q *quotient) alike(slot, gate, band int) float64 {
	if q.between == nil {
		return 0
	}
	return q.between[slot][gate][band]
}

// fade is the weight of a line. The chirp fades out at the top and its harmonics
// do not, so that their quotient rises there as the chirp falls: the square ends
// softly all the same.
func (q *quotient) fade(k int) float64 {
	w := blend((q.topHz - float64(k)*q.hz) / (q.topHz - q.fullHz))
	return w * w
}

// divide fills in the lines from low on, and the bands.
func (q *quotient) divide(ctx context.Context, low float64, instead map[int]complex128) {
	s, full, top := q.s, q.fullHz, q.topHz
	width := math.Exp2(1.0 / bandsPerOctave)
	for from := low; from < full && ctx.Err() == nil; from *= width {
		b := bendBand{lowHz: from, highHz: from * width}
		if b.highHz >= full {
			b.highHz = top
		}
		lo, hi := int(math.Ceil(b.lowHz/q.hz)), min(int(math.Ceil(b.highHz/q.hz))-1, len(q.lines)-1)
		if hi < lo {
			continue
		}
		n := s.noiseAbout(&cell{lo: lo, hi: hi})
		var p1 float64
		var p12 complex128
		for k := lo; k <= hi; k++ {
			v1, v2 := s.x1.At(k*s.periods), s.x2.At(k*s.periods)
			if g, ok := instead[k]; ok {
				v2 = g * v1
			}
			p1 += abs2(v1)
			p12 += cmplx.Conj(v1) * v2
			// Where V1 sinks into the noise its inverse would be noise alone.
			q.lines[k] = complex(q.fade(k)/(abs2(v1)+leastSignalOverNoise*n.p1), 0) * cmplx.Conj(v1) * v2
			if v1 == 0 {
				q.lines[k] = 0
			}
			b.v1 += cmplx.Abs(v1) * math.Sqrt(float64(k)*q.hz)
		}
		count := float64(hi - lo + 1)
		if b.heard = p1 > leastSignalOverNoise*count*n.p1; b.heard {
			b.g = p12 / complex(p1, 0)
			b.noise = n.residual(b.g) * count / p1
			b.v1 /= count
		}
		q.bands = append(q.bands, b)
	}
}

// continueDown continues the lines below low, and lets what continues them fade
// into what was measured over an octave.
func (q *quotient) continueDown(low float64) {
	const degree = 5
	from := int(math.Ceil(low / q.hz))
	to := min(2*from, len(q.lines)-1)
	var even, odd [degree/2 + 1][]float64
	var re, im []float64
	for k := from; k <= to; k++ {
		x, p := float64(k)/float64(to), 1.0
		for d := range even {
			even[d] = append(even[d], p)
			odd[d] = append(odd[d], p*x)
			p *= x * x
		}
		re, im = append(re, real(q.lines[k])), append(im, imag(q.lines[k]))
	}
	a, b := leastSquares(even[:], re), leastSquares(odd[:], im)
	for k := 0; k <= to; k++ {
		x, p := float64(k)/float64(to), 1.0
		var z complex128
		for d := range a {
			z += complex(a[d]*p, b[d]*p*x)
			p *= x * x
		}
		w := 0.0
		if k >= from {
			w = blend(float64(k-from) / float64(to-from))
		}
		q.lines[k] = complex(w, 0)*q.lines[k] + complex(1-w, 0)*z
	}
}

// arrival is a part of the response, such as that in which an order arrives, as a
// spectrum.
type arrival struct {
	at   int     // of its first value, counted back from time 0 as the transform does
	part float64 // of the noise that comes with it

	fft  *transform.Real // over at least twice as many values as it has
	spec []complex128
	hz   float64 // between lines of spec
}

// gatesOf returns where an order is looked for: its whole gate, and the core of
// it unless it is many orders.
func (q *quotient) gatesOf(slot int) []gate {
	gates := []gate{q.gateOf(slot)}
	if n := float64(slot); slot != above {
		gates = append(gates, gate{n * math.Exp(coreHalf), n * math.Exp(2*coreHalf), n * math.Exp(-coreHalf), n * math.Exp(-2*coreHalf)})
	}
	return gates
}

// gateOf returns the gate of a slot.
func (q *quotient) gateOf(slot int) gate {
	o := float64(slot)
	g := gate{o + orderRise - orderBlend, o + orderRise, o - orderFall, o - orderFall - orderBlend}
	if slot == above {
		g.to, g.toBlend = lastOrder+orderRise, lastOrder+orderRise-orderBlend
		g.from, g.fromBlend = 0.9*q.last, q.last
	}
	return g
}

// arrival cuts g out of the response.
func (q *quotient) arrival(ctx context.Context, g gate) arrival { return q.cut(ctx, q.time, g) }

// cut cuts g out of a response over time.
func (q *quotient) cut(ctx context.Context, time []float64, g gate) (p arrival) {
	n := len(time)
	p.at = int(math.Floor(-q.rise * math.Log(g.fromBlend) / q.step))
	end := int(math.Ceil(-q.rise * math.Log(g.toBlend) / q.step))
	p.fft = transform.New(signal.SmoothLength(2 * (end - p.at + 1)))
	p.spec = make([]complex128, p.fft.Len()/2+1)
	p.hz = 1 / q.step / float64(p.fft.Len())
	x := p.fft.Values(p.spec)
	for i := range end - p.at + 1 {
		if i%often == 0 && ctx.Err() != nil {
			return p
		}
		w := g.of(math.Exp(-float64(p.at+i) * q.step / q.rise))
		x[i] = w * time[((p.at+i)%n+n)%n]
		p.part += w * w / float64(n)
	}
	if p.fft.Len() > len(q.room) {
		q.room = make([]float64, p.fft.Len())
	}
	if p.fft.Forward(ctx, p.spec, q.room) != nil {
		clear(p.spec)
	}
	return p
}

// power returns the mean power of a line of p in a band.
func (p arrival) power(b bendBand) float64 {
	var sum, n float64
	for k := int(math.Ceil(b.lowHz / p.hz)); k < len(p.spec) && float64(k)*p.hz < b.highHz; k++ {
		sum += abs2(p.spec[k])
		n++
	}
	if n == 0 {
		return abs2(p.spec[min(len(p.spec)-1, int(math.Round(b.middle()/p.hz)))])
	}
	return sum / n
}

// fore is the piece in which nothing arrives but tails: of the fundamental ahead
// of time 0, of the second harmonic behind its place.
func (q *quotient) fore(ctx context.Context) arrival {
	return q.arrival(ctx, gate{foreEarly, foreEarly + 0.05, foreLate, foreLate - 0.05})
}

// band returns the one that holds a frequency, if the signal is heard there.
func (q *quotient) band(hz float64) (int, bool) {
	for i, b := range q.bands {
		if hz >= b.lowHz && hz < b.highHz {
			return i, b.heard && b.g != 0
		}
	}
	return 0, false
}
