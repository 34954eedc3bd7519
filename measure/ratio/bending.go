package ratio

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"slices"

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
func (s spectrum) takeOutBending(ctx context.Context, c signal.Chirp) *Bending {
	high := s.frame.HighHz
	top := min(high, max(bendingLooksHz, looksOver*s.frame.LowHz))
	looks := newQuotient(ctx, s, c, top, bendingTop*top, nil)
	if looks == nil {
		return nil
	}
	found := looks.describe(looks.bent(ctx)) != nil
	var instead map[int]complex128
	if found {
		if instead = s.insteadOfSpoilt(ctx); len(instead) > 0 {
			looks = newQuotient(ctx, s, c, top, bendingTop*top, instead)
		}
		looks.listenBetween(ctx)
		found = looks.describe(looks.bent(ctx)) != nil
	}
	if !found {
		return looks.faint(ctx)
	}
	q := newQuotient(ctx, s, c, c.StopHz, high, instead)
	q.listenBetween(ctx)
	orders := q.bent(ctx)
	b := q.describe(orders)
	if b != nil {
		b.Input1 = q.atInput1(ctx, orders)
		q.subtract(ctx, orders)
	}
	return b
}

// insteadOfSpoilt returns the lines of the signal on which a tone stands alone, or
// which hum left in doubt, with the ratio that the curve through their neighbours
// has there. A tone sounds at all times, those at which the orders arrive among
// them, and is none of theirs.
func (s spectrum) insteadOfSpoilt(ctx context.Context) map[int]complex128 {
	cells, _, _ := s.cells()
	var heard []cell
	for _, c := range cells {
		if ctx.Err() == nil && s.average(&c) {
			heard = append(heard, c)
		}
	}
	v := s.surveyed(ctx, heard)
	if ctx.Err() != nil {
		return nil
	}
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

// bentOrder is what was found of a slot, by band: the power of a line of D/V1
// beyond the noise.
type bentOrder struct {
	slot    int
	arrival arrival
	clear   []float64 // where it stands clear
	unclear []float64 // where the fundamental's own response may be as large
}

// bent returns the orders that stand clear in some band.
func (q *quotient) bent(ctx context.Context) (found []bentOrder) {
	fore, aft := q.fore(ctx), q.arrival(ctx, gate{q.last * aftOrders, q.last * aftOrders, q.last, q.last})
	for _, slot := range q.slots {
		if ctx.Err() != nil {
			return nil
		}
		var seen []arrival
		for _, g := range q.gatesOf(slot) {
			seen = append(seen, q.arrival(ctx, g))
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
				case power > bendingClear*tail*p.part && b.lowHz*q.rise*lag > leastLag && power >= q.alike(slot, at, i)*sure:
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
func (q *quotient) subtract(ctx context.Context, found []bentOrder) {
	n := len(q.time)
	lines := make([]complex128, n/2+1)
	sum := q.fft.Values(lines)
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
		x := o.arrival.fft.Values(spec)
		if o.arrival.fft.Backward(ctx, spec, q.room) != nil {
			return
		}
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
	if q.fft.Forward(ctx, lines, q.room) != nil {
		return
	}

	fore := q.fore(ctx)
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
			q.s.x2.Set(j, q.s.x2.At(j)-lines[k]*q.s.x1.At(j)/complex(max(q.fade(k), leastFade), 0))
			if doubt[i] > 0 {
				d := q.s.doubt[j]
				d[1] += doubt[i] * abs2(q.s.x1.At(j))
				q.s.doubt[j] = d
			}
		}
	}
}

// input1Alone is the part of the power of what an input adds below which V2 counts
// as free of it.
const input1Alone = 0.1

// atInput1 reports whether V2 has nothing of the strongest order, while V1 has
// what would make it in V2 - G V1: with D1 what the first input adds, D = -G D1.
// A load adds to V2, and to V1 no more than that.
func (q *quotient) atInput1(ctx context.Context, found []bentOrder) bool {
	power := func(o bentOrder) (sum float64) {
		for i, b := range q.bands {
			sum += o.clear[i] * b.v1 * b.v1 // as an amplitude
		}
		return sum
	}
	o := slices.MaxFunc(found, func(a, b bentOrder) int { return cmp.Compare(power(a), power(b)) })
	ring, err := ringOf(q.c)
	if err != nil || o.slot == above {
		return false
	}
	// The separation is that of V1 less another voltage: here, of V2.
	p := newSeparation(ctx, q.s, q.c, func(line int) complex128 { return q.s.x1.At(line) - q.s.x2.At(line) }, ring)
	spec, _ := p.through(ctx, p.response, p.orderGate(o.slot), float64(o.slot))
	var inV2, added float64
	for i, b := range q.bands {
		lo, hi := int(math.Ceil(b.lowHz/q.hz)), min(int(math.Ceil(b.highHz/q.hz))-1, len(spec)-1)
		for k := lo; k <= hi && o.clear[i] > 0; k++ {
			if x := p.chirp[k]; x != 0 && float64(k)*q.hz > float64(o.slot)*q.s.frame.LowHz {
				inV2 += abs2(spec[k])
				added += o.clear[i] * abs2(q.s.x1.At(k*q.s.periods)/x) / float64(q.s.periods*q.s.periods)
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
