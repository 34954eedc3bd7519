package ratio

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/card"
	"tapload/measure/record"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

const (
	lastOrder  = 8  // of those told apart; closer to each other than later ones ring
	mostOrder  = 64 // up to which the residual reaches, where the period has room
	orderWidth = 12 // points, and bands to average in, an octave

	// The response of order k lies from k + orderRise before to k - orderFall
	// after, in orders of which each has its arrival L ln k ahead. At either
	// end it gives way to its neighbour over orderBlend.
	orderRise, orderFall = 0.5, 0.5
	orderBlend           = 0.3

	// The fundamental is left to ring for mostRing L, or for what a narrow band
	// leaves beside the orders, which must be leastRing at least.
	mostRing, leastRing = 3.0, 0.7
	spare               = 0.1 // L
	leastSpan           = 16  // of the band that has room for that, with the chirp's ends beyond it

	// quietest is the least level in dB that is told. Below it lies rounding.
	quietest = -200.0
)

// Harmonic is the harmonics of a recording, or why there are none.
type Harmonic struct {
	record.Distortion
	Err error
}

// WithHarmonics is Of with the harmonics of the current in sound, the recording of
// c, out of one and the same spectrum, by order over the frequency of the fundamental, and what lies above them. The
// current is taken as V1 - V2: what a level against the fundamental is not
// concerned with is the sense resistor. Distortion of the source is in it with
// that of the load.
//
// The method is that of A. Farina, AES 108th Convention, 2000: the recording,
// divided by the spectrum of the chirp, is the impulse response, and ahead of
// it, by L ln k, the response by which the k-th harmonic came about. The chirp's
// spectrum is the closed form of a chirp without beginning and end (A. Novak, P.
// Lotton, L. Simon, J. Audio Eng. Soc. 63(10), 786-798, 2015),
//
//	X(f) = Peak/2 sqrt(L/f) exp(j 2 pi L (f - f ln(f/StartHz)) - j pi/4),
//
// which serves every order and has no fade to divide by. The residual goes the
// way back: what of the response lies ahead of the last order is turned into a
// signal again, and its rms taken in the time in which the chirp passes the
// band of the fundamental.
//
// A response of order k that rings for longer than L ln(k/(k-1)) blends into
// that of order k-1. The floor is the noise, from the lines between those of the
// signal, and what of the fundamental alone passes for the order.
func WithHarmonics(ctx context.Context, sound card.Sound, c signal.Chirp) (g Ratio, d Harmonic, err error) {
	g, err = of(ctx, sound, c, func(s spectrum) { d = s.harmonics(ctx, sound.About(), c) })
	return g, d, err
}

func (s spectrum) harmonics(ctx context.Context, rec card.Recording, c signal.Chirp) (d Harmonic) {
	ring, err := ringOf(c)
	if err != nil {
		return Harmonic{Err: err}
	}
	second := func(line int) complex128 { return s.x2.At(line) }
	d.Distortion, d.Err = newSeparation(ctx, s, c, second, ring).distortion(ctx, rec)
	if ctx.Err() != nil {
		d.Err = ctx.Err()
	}
	return d
}

// ringOf returns the L for which the fundamental of c may ring, or an error where
// that is too short.
func ringOf(c signal.Chirp) (float64, error) {
	ring := math.Log(c.StopHz/c.StartHz) - math.Log(lastOrder+orderRise) - spare
	if ring < leastRing {
		return 0, fmt.Errorf("a chirp from %g to %g Hz is too narrow to tell %d orders apart; let it reach from %g to %.0f Hz or more", c.Frame().LowHz, c.Frame().HighHz, lastOrder, c.Frame().LowHz, c.Frame().LowHz*leastSpan)
	}
	return min(mostRing, ring), nil
}

// separation is the response of the current to a chirp, before it is divided
// into orders.
type separation struct {
	s    spectrum
	c    signal.Chirp
	n    int     // values of a response over a period: as many as the lines up to the chirp's end ask for
	rate float64 // of those, Hz
	rise float64 // L, s
	ring float64 // L for which the fundamental is left to ring
	hz   float64 // between lines of a period
	fft  *transform.Real
	room []float64

	chirp    []complex128 // by line
	response []complex128 // by line, the fundamental's at time 0

	noises map[[2]int]float64 // by first and last line: orders and bands share them
}

// newSeparation returns that of V1 less the second voltage, given by line of s.
// What it, and what is made of it, says means nothing once ctx has ended.
func newSeparation(ctx context.Context, s spectrum, c signal.Chirp, second func(line int) complex128, ring float64) *separation {
	p := &separation{s: s, c: c, ring: ring, rise: c.Rise(), hz: s.stepHz * float64(s.periods)}
	p.n = min(c.Frame().Period, signal.SmoothLength(2*int(math.Ceil(c.StopHz/p.hz))))
	p.rate = float64(p.n) * p.hz
	p.noises = map[[2]int]float64{}
	p.fft, p.room = transform.New(p.n), make([]float64, p.n)
	p.chirp = make([]complex128, p.n/2+1)
	whole := complex(float64(s.periods), 0)
	v1 := make([]complex128, len(p.chirp))
	current := make([]complex128, len(p.chirp))
	low, high := c.StartHz/2, c.Frame().HighHz
	for k := range p.chirp {
		if k%often == 0 && ctx.Err() != nil {
			break
		}
		f := float64(k) * p.hz
		if f < low || f >= c.StopHz {
			continue
		}
		phase := 2*math.Pi*math.Mod(p.rise*(f-f*math.Log(f/c.StartHz)), 1) - math.Pi/4
		p.chirp[k] = cmplx.Rect(c.Peak*float64(c.RateHz)/2*math.Sqrt(p.rise/f), phase)
		w := complex(1, 0)
		if f > high {
			w = complex(blend((c.StopHz-f)/(c.StopHz-high)), 0)
		}
		v1[k] = w * s.x1.At(k*s.periods) / (whole * p.chirp[k])
		current[k] = v1[k] - w*second(k*s.periods)/(whole*p.chirp[k])
	}
	// A recording may begin anywhere in a period: V1 says where it did.
	arrival := p.overTime(ctx, v1)
	at := 0
	for i, x := range arrival {
		if math.Abs(x) > math.Abs(arrival[at]) {
			at = i
		}
	}
	delay(current, p.n, at)
	p.response = current
	p.withoutBeginning(ctx)
	return p
}

// withoutBeginning takes out of the response what a linear load makes of the
// chirp's beginning. That is less than a cycle long, holds frequencies above the
// chirp's own, and so seems to be harmonics, of up to -45 dB near the low end of
// the band. With a the played chirp's spectrum over X, and a' the part of it that
// is no such echo, the response is taken times a'/a.
func (p *separation) withoutBeginning(ctx context.Context) {
	f := p.c.Frame()
	cycle, err := p.c.Cycle(ctx)
	if err != nil {
		return
	}
	played, err := firstLines(ctx, cycle, len(p.chirp))
	if err != nil {
		return
	}
	for k := range played {
		if p.chirp[k] == 0 {
			played[k] = 0
			continue
		}
		played[k] /= p.chirp[k]
	}
	full := math.Sqrt(p.c.StartHz * f.LowHz) // where the chirp has risen
	early := p.orderGate(1)
	early.from, early.fromBlend = 1, p.orderGate(2).toBlend // no part of it in the second's
	clean, _ := p.through(ctx, played, early, 1)
	for k := range p.response {
		hz := float64(k) * p.hz
		if hz > full && hz <= f.HighHz {
			w := complex(blend(math.Log(hz/full)/math.Log(f.LowHz/full)), 0)
			p.response[k] *= 1 + w*(clean[k]/played[k]-1)
		}
	}
}

// delay moves the signal of a half spectrum ahead by whole samples of n.
func delay(spec []complex128, n, samples int) {
	for k := range spec {
		spec[k] *= cmplx.Rect(1, 2*math.Pi*float64(k*samples%n)/float64(n))
	}
}

// overTime returns the values of spec, in its memory.
func (p *separation) overTime(ctx context.Context, spec []complex128) []float64 {
	x := p.fft.Values(spec)
	if p.fft.Backward(ctx, spec, p.room) != nil {
		return x
	}
	for i := range x {
		x[i] /= float64(p.n)
	}
	return x
}

// blend rises from 0 to 1 as x does, as half a cosine.
func blend(x float64) float64 {
	return 0.5 - 0.5*math.Cos(math.Pi*max(0, min(1, x)))
}

// gate is a part of the response, in orders: order k arrives L ln k ahead of
// time 0. It holds all between from and to, of which from is the earlier in
// time, and nothing beyond fromBlend and toBlend.
type gate struct{ from, fromBlend, to, toBlend float64 }

// of returns the weight of a time, in orders.
func (g gate) of(order float64) float64 {
	return blend((order-g.toBlend)/(g.to-g.toBlend)) * blend((g.fromBlend-order)/(g.fromBlend-g.from))
}

// orderGate is that of order k. Neighbours add up to 1.
func (p *separation) orderGate(k int) gate {
	o := float64(k)
	g := gate{o + orderRise - orderBlend, o + orderRise, o - orderFall, o - orderFall - orderBlend}
	if k == 1 {
		g.to, g.toBlend = math.Exp(-p.ring*5/6), math.Exp(-p.ring)
	}
	return g
}

// through returns what of the response lies in g, as a spectrum, and the part of
// the noise that comes with it.
//
// The lowest order in g has nothing below its multiple of the band's low end,
// where the chirp's beginning, an edge in the fundamental's spectrum, rings far
// ahead of it: that is taken out first.
func (p *separation) through(ctx context.Context, response []complex128, g gate, lowest float64) (spec []complex128, part float64) {
	spec = slices.Clone(response)
	if lowest > 1 {
		start := lowest * p.c.Frame().LowHz
		for k := 0; float64(k)*p.hz < start; k++ {
			spec[k] *= complex(blend(1+math.Log2(float64(k)*p.hz/start)), 0)
		}
	}
	x := p.overTime(ctx, spec)
	latest := p.rise * p.ring // the rest of the period is ahead of time 0
	for i := range x {
		if i%often == 0 && ctx.Err() != nil {
			break
		}
		t := float64(i) / p.rate
		if t > latest {
			t -= float64(p.n) / p.rate
		}
		w := g.of(math.Exp(-t / p.rise))
		x[i] *= w
		part += w * w / float64(p.n)
	}
	if p.fft.Forward(ctx, spec, p.room) != nil {
		clear(spec)
	}
	return spec, part
}

// lines returns the lines in the band of a point about f.
func (p *separation) lines(f float64) (from, to int) {
	half := math.Exp2(0.5 / orderWidth)
	from = max(1, int(math.Round(f/half/p.hz)))
	return from, max(from, int(math.Round(f*half/p.hz)))
}

// power returns the mean power of spec about f.
func (p *separation) power(spec []complex128, f float64) float64 {
	from, to := p.lines(f)
	var sum float64
	for k := from; k <= to; k++ {
		sum += abs2(spec[k])
	}
	return sum / float64(to-from+1)
}

// noise returns the power of the noise in a line of a period's current about f.
func (p *separation) noise(f float64) float64 {
	from, to := p.lines(f)
	about := [2]int{from, to}
	n, known := p.noises[about]
	if !known {
		n = p.s.noiseAbout(&cell{lo: from, hi: to}).residual(1) / float64(p.s.periods*p.s.periods)
		p.noises[about] = n
	}
	return n
}

func (p *separation) distortion(ctx context.Context, rec card.Recording) (record.Distortion, error) {
	f := p.c.Frame()
	edge := math.Exp2(0.5 / orderWidth) // half a band
	var d record.Distortion
	for i := 0; ; i++ {
		hz := f.LowHz * math.Exp2(1.0/3) * math.Exp2(float64(i)/orderWidth)
		if 2*hz*edge > f.HighHz {
			break
		}
		d.Hz = append(d.Hz, hz)
	}
	first, _ := p.through(ctx, p.response, p.orderGate(1), 1)
	fundamental := make([]float64, len(d.Hz))
	for i, hz := range d.Hz {
		if fundamental[i] = p.power(first, hz); fundamental[i] == 0 {
			return record.Distortion{}, &card.Fault{
				Cause:  card.NoSignal,
				Text:   fmt.Sprintf("no current flows in %s at %.1f Hz: both inputs read the same", rec.Source, hz),
				Advice: "check the wiring of the sense resistor and the load",
			}
		}
	}
	for k := 2; k <= lastOrder; k++ {
		spec, part := p.through(ctx, p.response, p.orderGate(k), float64(k))
		own, _ := p.through(ctx, first, p.orderGate(k), float64(k))
		o := record.Order{Number: k}
		for i, hz := range d.Hz {
			at := float64(k) * hz
			if at*edge > f.HighHz || ctx.Err() != nil {
				break
			}
			line, _ := p.lines(at)
			o.Level = append(o.Level, decibel(p.power(spec, at)/fundamental[i]))
			noise := p.noise(at) * part / abs2(p.chirp[line])
			o.Floor = append(o.Floor, decibel((noise+p.power(own, at))/fundamental[i]))
		}
		d.Orders = append(d.Orders, o)
	}
	p.residual(ctx, &d, fundamental)
	return d, nil
}

// residual fills in what lies above the orders.
func (p *separation) residual(ctx context.Context, d *record.Distortion, fundamental []float64) {
	f := p.c.Frame()
	last := math.Exp(float64(p.n)/p.rate/p.rise - p.ring - spare)
	last = min(mostOrder, last)
	g := gate{from: 0.9 * last, fromBlend: last, to: lastOrder + orderRise, toBlend: lastOrder + orderRise - orderBlend}
	if g.from < g.to+1 {
		return
	}
	spec, _ := p.through(ctx, p.response, g, g.to)
	for k := range spec {
		spec[k] *= p.chirp[k]
	}
	x := p.overTime(ctx, spec)
	samples := float64(f.Period)
	fewer := float64(p.n) / samples // as that of which spec has the lines has more samples
	for i, hz := range d.Hz {
		if 2*g.to*hz > f.HighHz {
			break
		}
		half := p.rise * math.Ln2 / 2 / orderWidth
		middle := p.rise * math.Log(hz/p.c.StartHz)
		from, to := int((middle-half)*p.rate), int((middle+half)*p.rate)
		var sum float64
		for j := from; j <= to; j++ {
			sum += x[(j+p.n)%p.n] * x[(j+p.n)%p.n]
		}
		sum *= fewer * fewer / float64(to-from+1)
		// A line of power q adds 2 q/N^2 to the mean square.
		var noise float64
		for at := g.to * hz; at < min(g.from*hz, f.HighHz) && ctx.Err() == nil; at *= math.Exp2(1.0 / orderWidth) {
			from, to := p.lines(at)
			noise += p.noise(at) * float64(to-from+1) * 2 / (samples * samples)
		}
		square := fundamental[i] * p.c.Peak * p.c.Peak / 2
		d.Residual = append(d.Residual, decibel(sum/square))
		d.ResidualFloor = append(d.ResidualFloor, decibel(noise/square))
	}
}

// decibel returns 10 lg of a ratio of powers, and nothing below quietest.
func decibel(power float64) float64 {
	return max(quietest, 10*math.Log10(power))
}
