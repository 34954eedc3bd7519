package ratio

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/mat"

	"tapload/measure/signal"
)

const (
	// Harmonics are first looked for up to bendingLooksHz. A bend that shows
	// above it alone moves no point: the cells are wide there, and average it.
	bendingLooksHz = 2000.0
	looksOver      = 16.0    // times the low end at least
	bendingTop     = 2.0 / 3 // of that, up to which it is believed

	leastFade = 0.1 // below which what was faded out is not made up for

	bandsPerOctave = 3 // in which a harmonic is looked for

	// bendingSure is the normal deviate beyond which a band of an order is no
	// noise: 2.9e-7 for each, about 1 in 10 000 for a sweep.
	bendingSure = 5.0

	// bendingLeast is the least power that counts, over that of G: -100 dB.
	bendingLeast = 1e-10

	// A harmonic must stand so far, in power, above what the fundamental's own
	// response leaves at its place.
	bendingClear = 4.0

	// An order must arrive so many cycles ahead of the fundamental.
	leastLag = 4.0

	// An order whose own response is short stands out of the noise best within so
	// much of L about its arrival.
	coreHalf = 0.01

	foreEarly, foreLate = 1.35, 1.1 // orders between which nothing but tails arrives
	aftOrders           = 1.25      // reach of the last such piece, beyond all orders
	tailFalls           = 4         // power of the time with which the power of a tail ahead of time 0 falls at least

	above = 0 // the number of all orders above lastOrder together
)

// Bending is what load or inputs add to V2 besides its linear ratio to V1,
// harmonics of the chirp that come from no source: those of the source are in
// V1 and V2 alike. It has been taken out of the lines of the ratio.
type Bending struct {
	Orders []BentOrder // those that stand clear of the noise, in rising order
	Moves  []Moved     // in rising order of frequency

	// Input1 is true where V1 alone has the harmonics: the first input bends, and
	// not the load. A load that bends, and the second input, look alike.
	Input1 bool
}

// BentOrder is one harmonic where it is strongest against its fundamental.
type BentOrder struct {
	Number int     // 0 for all above those told apart
	Hz     float64 // of the fundamental, middle of a third of an octave
	Part   float64 // amplitude over that of the fundamental in V2
}

// Moved is by how much a bend may move |Z| at the level that was played from
// that at a small signal. That much is no error: it is the impedance there. With
// x(a) = sum of h_n sin(n a) what any curve without a linear part makes of a
// sine, its slope at a = 0 is none, so that
//
//	h_1 = 3 h_3 - 5 h_5 + 7 h_7 ...,   dZ/Z = h_1/(V2 (1 - G)),
//
// whose terms are added up as magnitudes. Where the bend has a memory that is
// the order of the size.
type Moved struct {
	Hz   float64 // middle of a third of an octave
	Part float64 // of |Z|
}

// takeOutBending finds the harmonics in V2 - G V1, subtracts them from the
// signal's lines of V2 and returns them, nil for none.
//
// A load behind the sense resistor is seen from its terminals through a linear
// circuit (Thevenin), and so is an input that bends, so that at every line
//
//	V2 = G V1 + D,   V2/V1 = G + D/V1,
//
// with D what is not linear. A source that bends adds to V1 and, times G, to V2,
// and has no part in D. The n-th harmonic of an exponential chirp is the chirp
// itself, L ln n earlier (A. Farina, AES 108th Convention, 2000; A. Novak, P.
// Lotton, L. Simon, J. Audio Eng. Soc. 63(10), 786-798, 2015): as V1 is the
// chirp through a linear circuit, D/V1 as a response over time lies L ln n ahead
// of time 0, where G, which is causal, has nothing. It repeats with the period
// and falls on the signal's lines, as a ripple of G over frequency that only
// cells much wider than T/(L ln n) lines average.
//
// The quotient ends at the low end of the band, and an end would ring into the
// orders: below it the quotient is continued to 0 Hz by the polynomial, even in
// its real and odd in its imaginary part, that fits the lines above best.
//
// An order counts in bands, where it stands clear of the noise between the
// lines and of the tails of the fundamental, from the low end ahead of time 0
// and from a load that rings for a whole period behind it. What is not found is
// below the noise of a line, as the part of the noise that comes with it is.
// What of an order's own response rings on into the fundamental's place cannot
// be told from G: its power is taken as that of the piece just ahead of it, and
// stays in doubt in the lines.
//
// Weak for responses that ring for longer than some L, and where the chirp is
// so narrow that orders have no room.
func (s spectrum) takeOutBending(c signal.Chirp) *Bending {
	high := s.frame.HighHz
	top := min(high, max(bendingLooksHz, looksOver*s.frame.LowHz))
	looks := newQuotient(s, c, top, bendingTop*top, nil)
	if looks == nil {
		return nil
	}
	found := looks.describe(looks.bent()) != nil
	var instead map[int]complex128
	if found {
		if instead = s.insteadOfSpoilt(); len(instead) > 0 {
			looks = newQuotient(s, c, top, bendingTop*top, instead)
		}
		looks.listenBetween()
		found = looks.describe(looks.bent()) != nil
	}
	if !found {
		return looks.faint()
	}
	q := newQuotient(s, c, c.StopHz, high, instead)
	q.listenBetween()
	orders := q.bent()
	b := q.describe(orders)
	if b != nil {
		b.Input1 = q.atInput1(orders)
		q.subtract(orders)
	}
	return b
}

// insteadOfSpoilt returns the lines of the signal on which a tone stands alone, or
// which hum left in doubt, with the ratio that the curve through their neighbours
// has there. A tone sounds at all times, those at which the orders arrive among
// them, and is none of theirs.
func (s spectrum) insteadOfSpoilt() map[int]complex128 {
	cells, _, _ := s.cells()
	var heard []cell
	for _, c := range cells {
		if s.average(&c) {
			heard = append(heard, c)
		}
	}
	v := s.surveyed(heard)
	instead := map[int]complex128{}
	for i, c := range v.cells {
		for j, e := range c.excess {
			if e > 0 {
				instead[c.lo+j] = v.found[i].curve.value(float64(c.lo + j))
			}
		}
	}
	return instead
}

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

	between []*quotient // what the lines between hold instead, see listenBetween
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
// no order has room.
func newQuotient(s spectrum, c signal.Chirp, topHz, fullHz float64, instead map[int]complex128) *quotient {
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
	top := min((len(s.x1)-1)/s.periods, int(topHz/q.hz))
	n := signal.SmoothLength(2*top + 2)
	q.step = 1 / q.hz / float64(n)
	low := math.Sqrt(c.StartHz * s.frame.LowHz) // where the chirp has risen
	q.lines = make([]complex128, n/2+1)
	q.divide(low, instead)
	q.continueDown(low)
	q.overTime(n)
	return q
}

// overTime works out the response of n values over time from the lines.
func (q *quotient) overTime(n int) {
	q.time = fourier.NewFFT(n).Sequence(nil, q.lines)
	for i := range q.time {
		q.time[i] /= float64(n)
	}
}

// listenBetween works out the same of the lines between, (V2 - G V1)/X with X the
// chirp's own spectrum there (chirpBetween). Harmonics repeat with the period and
// have no part in it; a voice in one period has the same part in all lines, at
// the same time.
func (q *quotient) listenBetween() {
	s := q.s
	from, to := max(1, int(math.Ceil(s.frame.LowHz/q.hz))), min(len(q.lines), (len(s.x1)-1)/s.periods)
	for m := 1; m < s.periods; m++ {
		b := *q
		b.between, b.lines = nil, make([]complex128, len(q.lines))
		for k := from; k < to; k++ {
			line := k * s.periods
			x := s.chirpBetween(k, m)
			if q.lines[k] == 0 || x == 0 {
				continue
			}
			g := s.x2[line] / s.x1[line]
			b.lines[k] = complex(q.fade(k), 0) * (s.x2[line+m] - g*s.x1[line+m]) / x
		}
		b.overTime(len(q.time))
		q.between = append(q.between, &b)
	}
}

// alike returns the least power in a band that the lines between have at a gate,
// 0 before they are listened to. A tone is in some of them more than in others.
func alike(between []arrival, b bendBand) float64 {
	if len(between) == 0 {
		return 0
	}
	least := math.Inf(1)
	for _, p := range between {
		least = min(least, p.power(b))
	}
	return least
}

// fade is the weight of a line. The chirp fades out at the top and its harmonics
// do not, so that their quotient rises there as the chirp falls: the square ends
// softly all the same.
func (q *quotient) fade(k int) float64 {
	w := blend((q.topHz - float64(k)*q.hz) / (q.topHz - q.fullHz))
	return w * w
}

// divide fills in the lines from low on, and the bands.
func (q *quotient) divide(low float64, instead map[int]complex128) {
	s, full, top := q.s, q.fullHz, q.topHz
	width := math.Exp2(1.0 / bandsPerOctave)
	for from := low; from < full; from *= width {
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
			v1, v2 := s.x1[k*s.periods], s.x2[k*s.periods]
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

// arrival is a part of the response, such as that in which an order arrives, over
// time and frequency.
type arrival struct {
	at   int       // of its first value, counted back from time 0 as the transform does
	x    []float64 // weighted
	part float64   // of the noise that comes with it

	fft  *fourier.FFT // over as many values, at least twice its own
	spec []complex128
	hz   float64 // between lines of spec
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
func (q *quotient) arrival(g gate) (p arrival) {
	n := len(q.time)
	p.at = int(math.Floor(-q.rise * math.Log(g.fromBlend) / q.step))
	end := int(math.Ceil(-q.rise * math.Log(g.toBlend) / q.step))
	p.x = make([]float64, signal.SmoothLength(2*(end-p.at+1)))
	for i := range end - p.at + 1 {
		w := g.of(math.Exp(-float64(p.at+i) * q.step / q.rise))
		p.x[i] = w * q.time[((p.at+i)%n+n)%n]
		p.part += w * w / float64(n)
	}
	p.fft = fourier.NewFFT(len(p.x))
	p.spec = p.fft.Coefficients(nil, p.x)
	p.hz = 1 / q.step / float64(len(p.x))
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

// bentOrder is what was found of a slot, by band: the power of a line of D/V1
// beyond the noise.
type bentOrder struct {
	slot    int
	arrival arrival
	clear   []float64 // where it stands clear
	unclear []float64 // where the fundamental's own response may be as large
}

// fore is the piece in which nothing arrives but tails: of the fundamental ahead
// of time 0, of the second harmonic behind its place.
func (q *quotient) fore() arrival {
	return q.arrival(gate{foreEarly, foreEarly + 0.05, foreLate, foreLate - 0.05})
}

// bent returns the orders that stand clear in some band.
func (q *quotient) bent() (found []bentOrder) {
	fore, aft := q.fore(), q.arrival(gate{q.last * aftOrders, q.last * aftOrders, q.last, q.last})
	for _, slot := range q.slots {
		gates := []gate{q.gateOf(slot)}
		if n := float64(slot); slot != above {
			gates = append(gates, gate{n * math.Exp(coreHalf), n * math.Exp(2*coreHalf), n * math.Exp(-coreHalf), n * math.Exp(-2*coreHalf)})
		}
		var seen []arrival
		var between [][]arrival // of each of seen
		for _, g := range gates {
			seen = append(seen, q.arrival(g))
			var other []arrival
			for _, b := range q.between {
				other = append(other, b.arrival(g))
			}
			between = append(between, other)
		}
		whole := seen[0]
		o := bentOrder{slot, whole, make([]float64, len(q.bands)), make([]float64, len(q.bands))}
		lag := math.Log(lowest(slot))
		falls := math.Pow(math.Log((foreEarly+foreLate)/2)/lag, tailFalls)
		most := 0.0
		for i, b := range q.bands {
			if !b.heard {
				continue
			}
			tail := max(fore.power(b)/fore.part*falls, aft.power(b)/aft.part)
			for at, p := range seen {
				power, noise := p.power(b), b.noise*p.part
				free := (b.highHz - b.lowHz) / q.hz * p.part // numbers that the mean is of
				sure := gammaQuantile(max(1, free), bendingSure)
				switch {
				case free < 1 && p.part < whole.part || power-noise < bendingLeast*abs2(b.g) || power < noise*sure:
				case power > bendingClear*tail*p.part && b.lowHz*q.rise*lag > leastLag && power >= alike(between[at], b)*sure:
					o.clear[i] = max(o.clear[i], power-noise)
				default:
					o.unclear[i] = power - noise
				}
			}
			if o.clear[i] > 0 {
				o.unclear[i] = 0
			}
			most = max(most, o.clear[i])
		}
		if most == 0 {
			continue
		}
		for i, u := range o.unclear {
			o.unclear[i] = min(u, most)
		}
		found = append(found, o)
	}
	return found
}

// lowest returns the lowest order of a slot.
func lowest(slot int) float64 {
	if slot == above {
		return lastOrder + 1
	}
	return float64(slot)
}

// gammaQuantile returns by how many times its mean the mean of n exponential
// variates is above at the given normal deviate (E. B. Wilson, M. M. Hilferty,
// Proc. Natl. Acad. Sci. 17, 684-688, 1931, from memory).
func gammaQuantile(n, deviate float64) float64 {
	c := 1 / (9 * n)
	return math.Pow(1-c+deviate*math.Sqrt(c), 3)
}

// subtract takes what was found out of V2, and keeps in doubt what it cannot.
func (q *quotient) subtract(found []bentOrder) {
	n := len(q.time)
	sum := make([]float64, n)
	clear := make([]float64, len(q.bands)) // power that is taken out
	doubt := make([]float64, len(q.bands))
	for _, o := range found {
		spec, hz := o.arrival.spec, o.arrival.hz
		k := 0
		for i, b := range q.bands {
			clear[i] += o.clear[i]
			doubt[i] += o.unclear[i]
			// A neighbour of a band is taken too, so that no edge falls on
			// what stands clear.
			near := b.heard && o.unclear[i] == 0 && (o.clear[i] > 0 || i > 0 && o.clear[i-1] > 0 || i+1 < len(q.bands) && o.clear[i+1] > 0)
			for ; k < len(spec) && float64(k)*hz < b.highHz; k++ {
				if !near || float64(k)*hz < b.lowHz {
					spec[k] = 0
				}
			}
		}
		for ; k < len(spec); k++ {
			spec[k] = 0
		}
		x := o.arrival.fft.Sequence(nil, spec)
		for i, v := range x {
			// Of twice the length of the piece the last quarter is what the
			// edges of the bands ring ahead of it.
			at := o.arrival.at + i
			if i > len(x)*3/4 {
				at -= len(x)
			}
			sum[(at%n+n)%n] += v / float64(len(x))
		}
	}
	lines := fourier.NewFFT(n).Coefficients(nil, sum)

	fore := q.fore()
	for i, b := range q.bands {
		if clear[i] > 0 {
			doubt[i] += max(0, fore.power(b)-b.noise*fore.part)
		}
	}
	// The chirp begins within a cycle, and so does its bend: what that makes at
	// the low end has no place of its own there.
	for i := len(q.bands) - 2; i >= 0; i-- {
		if q.bands[i].lowHz < 2*q.c.StartHz {
			doubt[i] += clear[i+1] + doubt[i+1]
		}
	}
	for i, b := range q.bands {
		lo, hi := int(math.Ceil(b.lowHz/q.hz)), min(int(math.Ceil(b.highHz/q.hz))-1, len(lines)-1)
		for k := lo; k <= hi; k++ {
			j := k * q.s.periods
			q.s.x2[j] -= lines[k] * q.s.x1[j] / complex(max(q.fade(k), leastFade), 0)
			if doubt[i] > 0 {
				d := q.s.doubt[j]
				d[1] += doubt[i] * abs2(q.s.x1[j])
				q.s.doubt[j] = d
			}
		}
	}
}

const (
	// A bend without memory makes a pulse of its harmonic, which is looked for
	// within so much of L about its arrival.
	pulseHalf = 0.004

	// Frequencies count the less the further they are above this one, as the
	// noise of the quotient rises with them.
	pulseHz = 200.0

	// pulseSure is by how many times the rms about it a pulse must stand out: of
	// normal deviates one in 5e8 does, and some hundred are looked at.
	pulseSure = 6.0
)

// faint finds the third harmonic of a bend without memory below the noise of any
// band, as such a bend moves the fundamental three times as much at all
// frequencies, nil for none. Its harmonic over V1 hardly hangs on frequency: all
// lines together make one pulse of it, weighed by
//
//	w(f) = 1/sqrt(1 + (f/pulseHz)^2),
//
// which is smooth through 0 Hz, so that the fundamental stays in its place. There
// is too little of it to be worth taking out.
func (q *quotient) faint() *Bending {
	const order = 3
	if !slices.Contains(q.slots, order) {
		return nil
	}
	lines := slices.Clone(q.lines)
	var weights float64
	for k := range lines {
		w := 1 / math.Hypot(1, float64(k)*q.hz/pulseHz)
		weights += w * q.fade(k)
		lines[k] *= complex(w, 0)
	}
	n := len(q.time)
	x := fourier.NewFFT(n).Sequence(nil, lines)
	var peak, squares, count float64
	for i := int(q.rise * math.Log(order-orderFall) / q.step); i < int(q.rise*math.Log(order+orderRise)/q.step); i++ {
		v := x[((-i)%n+n)%n] / 2 // as a line of weight 1 adds twice its real part
		if math.Abs(float64(i)*q.step/q.rise-math.Log(order)) < pulseHalf {
			peak = max(peak, math.Abs(v))
			continue
		}
		squares += v * v
		count++
	}
	if count == 0 || peak < pulseSure*math.Sqrt(squares/count) {
		return nil
	}
	part := peak / weights // of V1
	d := &Bending{}
	for _, b := range q.bands {
		if !b.heard || b.g == 0 || b.lowHz < q.s.frame.LowHz {
			continue
		}
		p := part / cmplx.Abs(b.g)
		if d.Orders == nil || p > d.Orders[0].Part {
			d.Orders = []BentOrder{{order, b.middle(), p}}
		}
		d.Moves = append(d.Moves, Moved{b.middle(), order * p / max(cmplx.Abs(1-b.g), leastSwing)})
	}
	if d.Orders == nil || part*part < bendingLeast {
		return nil
	}
	// Above what was looked at it goes on.
	if last := d.Moves[len(d.Moves)-1]; last.Hz < q.s.frame.HighHz {
		d.Moves = append(d.Moves, Moved{q.s.frame.HighHz, last.Part})
	}
	return d
}

// input1Alone is the part of the power of what an input adds below which V2 counts
// as free of it.
const input1Alone = 0.1

// atInput1 reports whether V2 has nothing of the strongest order, while V1 has
// what would make it in V2 - G V1: with D1 what the first input adds, D = -G D1.
// A load adds to V2, and to V1 no more than that.
func (q *quotient) atInput1(found []bentOrder) bool {
	ring := math.Log(q.c.StopHz/q.c.StartHz) - math.Log(lastOrder+orderRise) - spare
	power := func(o bentOrder) (sum float64) {
		for i, b := range q.bands {
			sum += o.clear[i] * b.v1 * b.v1 // as an amplitude
		}
		return sum
	}
	o := slices.MaxFunc(found, func(a, b bentOrder) int { return cmp.Compare(power(a), power(b)) })
	if ring < leastRing || o.slot == above {
		return false
	}
	// The separation is that of V1 - V2: of this spectrum, V2.
	heard := q.s
	heard.x2 = make([]complex128, len(q.s.x1))
	for j, v := range q.s.x1 {
		heard.x2[j] = v - q.s.x2[j]
	}
	p := newSeparation(heard, q.c, min(mostRing, ring))
	spec, _ := p.through(p.response, p.orderGate(o.slot), float64(o.slot))
	var inV2, added float64
	for i, b := range q.bands {
		lo, hi := int(math.Ceil(b.lowHz/q.hz)), min(int(math.Ceil(b.highHz/q.hz))-1, len(spec)-1)
		for k := lo; k <= hi && o.clear[i] > 0; k++ {
			if x := p.chirp[k]; x != 0 && float64(k)*q.hz > float64(o.slot)*q.s.frame.LowHz {
				inV2 += abs2(spec[k])
				added += o.clear[i] * abs2(q.s.x1[k*q.s.periods]/x) / float64(q.s.periods*q.s.periods)
			}
		}
	}
	return inV2 < input1Alone*added
}

// describe returns what was found as people see it, by the frequency of the
// fundamental, nil where none is in the band: what is found at the low end alone
// is what the end itself rings. A harmonic of amplitude a is in the lines about f what a chirp of
// that amplitude is, so that V1 sqrt(f) is the measure of both.
func (q *quotient) describe(found []bentOrder) *Bending {
	d := &Bending{}
	moves := make([]float64, len(q.bands))
	for _, o := range found {
		number := lowest(o.slot)
		strongest := BentOrder{Number: o.slot}
		for i, b := range q.bands {
			at, ok := q.band(b.middle() / number)
			if o.clear[i] == 0 || !ok || q.bands[at].lowHz < q.s.frame.LowHz {
				continue
			}
			f := q.bands[at]
			part := math.Sqrt(o.clear[i]) * b.v1 / (f.v1 * cmplx.Abs(f.g))
			if part > strongest.Part {
				strongest.Hz, strongest.Part = f.middle(), part
			}
			if o.slot%2 == 1 {
				moves[at] += number * part / max(cmplx.Abs(1-f.g), leastSwing)
			}
		}
		if strongest.Part > 0 {
			d.Orders = append(d.Orders, strongest)
		}
	}
	// Above the last band whose third harmonic a card records the load or the
	// input bends unseen: by the law of a cube without memory, whose third
	// harmonic rises with the cube of the fundamental.
	top := slices.IndexFunc(q.bands, func(b bendBand) bool { return 3*b.highHz > q.s.frame.HighHz })
	for i := top; top > 0 && i < len(moves); i++ {
		if b, last := q.bands[i], q.bands[top-1]; b.heard && last.v1 > 0 {
			rise := b.v1 * cmplx.Abs(b.g) / (last.v1 * cmplx.Abs(last.g))
			moves[i] = max(moves[i], rise*rise*moves[top-1]*cmplx.Abs(1-last.g)/max(cmplx.Abs(1-b.g), leastSwing))
		}
	}
	for i, m := range moves {
		if m > 0 {
			d.Moves = append(d.Moves, Moved{q.bands[i].middle(), m})
		}
	}
	if d.Orders == nil {
		return nil
	}
	return d
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

// leastSquares returns the coefficients of the given columns that fit y best.
func leastSquares(columns [][]float64, y []float64) []float64 {
	a := mat.NewDense(len(y), len(columns), nil)
	for j, c := range columns {
		a.SetCol(j, c)
	}
	var x mat.VecDense
	if x.SolveVec(a, mat.NewVecDense(len(y), y)) != nil {
		return make([]float64, len(columns))
	}
	return x.RawVector().Data
}
