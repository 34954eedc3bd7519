package recone

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/mat"

	"tapload/measure/quantity"
)

// The quantities that causes are read from: they are those that the fit finds
// in the curve, and the moving mass; the others follow from them.
var seen = []int{qRe, qFs, qQms, qRes, qMms, qLe}

// again is by how much each of the seen may differ between two measurements of
// a driver that nobody touched (relative, k = 1): a suspension is not the same
// twice, a coil does not rest at one temperature. Common practice, no source.
// Causes alone count it: a change that the measurement shows is significant
// whoever made it. A mass is not fixed to a cone twice in the same place.
var again = []float64{0.001, 0.002, 0.005, 0.005, 0.01, 0.005}

// A cause is one thing that may have changed, by an amount a in logarithms.
// A driver's electrical parameters follow from its mechanical ones as
//
//	fs = sqrt(K/M)/2 pi, Qms = sqrt(K M)/Rms, Res = Bl^2/Rms
//
// which makes the direction in which each cause moves the seen: d ln seen/da.
//
// Rms stays as it is only where friction is that of a dashpot. Where it is that
// of a solid, with a loss factor that is the same at all frequencies, Rms is
// that factor times K/(2 pi fs), so that mass and stiffness move it by half of
// their amount. Suspensions that creep lie anywhere between (common practice, no
// source).
type cause struct {
	moves [6]float64 // of the seen; in explain, of those that it uses
	solid [6]float64 // what a solid's friction adds to moves, likewise
	size  float64    // standard deviation of the amount beforehand
	often float64    // beforehand, against the others
	up    words      // the amount is above 0
	down  words
}

// by returns c where so much of the friction is that of a solid, from 0 to 1.
func (c cause) by(friction float64) cause {
	for k, d := range c.solid {
		c.moves[k] += d * friction
	}
	return c
}

// bySolid is what a solid's friction adds to what mass and stiffness move.
var bySolid = [6]float64{2: -0.5, 3: -0.5}

type words struct{ name, text string }

// What is usual beforehand is ours, from the trade: no source.
var causes = []cause{
	{[6]float64{0, -0.5, 0.5, 0, 1, 0}, bySolid, 0.10, 1,
		words{"heavier cone", "the moving mass is %s higher: a heavier cone, dust cap or coil, or more glue"},
		words{"lighter cone", "the moving mass is %s lower: a lighter cone, dust cap or coil, or a part that is missing"}},
	{[6]float64{0, 0.5, 0.5, 0, 0, 0}, bySolid, 0.20, 1,
		words{"stiffer surround", "the suspension is %s stiffer: another surround or spider, or new parts that have not worked in yet"},
		words{"softer surround", "the suspension is %s softer: another surround or spider, one that has worked in, or one coming loose"}},
	{[6]float64{0, 0, 0, 2, 0, 0}, [6]float64{}, 0.10, 1,
		words{"stronger magnet", "the force factor is %s higher: a coil with more turns, or one that sits deeper in the gap"},
		words{"weaker magnet", "the force factor is %s lower: the magnet has lost strength, or the coil has fewer turns or sits out of the gap"}},
	{[6]float64{1, 0, 0, 0, 0, 0}, [6]float64{}, 0.05, 1,
		words{"wrong coil", "Re alone is %s higher: a coil of another wire or length, or a bad joint at the lead-in wires"},
		words{"wrong coil", "Re alone is %s lower: a coil of another wire or length, or one with shorted turns"}},
	{[6]float64{0, 0, -1, -1, 0, 0}, [6]float64{}, 0.20, 1,
		words{"more friction", "mechanical losses are %s higher: the coil is not centred and rubs, or there is glue or dirt in the gap or on the suspension"},
		words{"less friction", "mechanical losses are %s lower: a suspension with less damping, or a coil that no longer rubs"}},
	{[6]float64{0, 0, 0, 0, 0, 1}, [6]float64{}, 0.20, 1,
		words{"more coil inductance", "the inductance alone is %s higher: a coil with more turns, or a shorting ring or copper cap that is missing"},
		words{"less coil inductance", "the inductance alone is %s lower: a coil with fewer turns or with a shorted one, or one that sits out of the gap"}},
}

// warmth is offered where nobody knows the temperatures. 20 K is a coil that
// has just played, or one that was warm when it was measured before.
var warmth = cause{[6]float64{1, 0, 0, 0, 0, 0}, [6]float64{}, 20 * quantity.CopperPerKelvin, 3,
	words{"warm coil", "a coil that was %s warmer reads so: let it rest at room temperature and measure again, or give both temperatures"},
	words{"warm coil before", "a coil that was %s warmer when it was measured before reads so: give both temperatures"}}

// moving are changes of the main resonance that no law ties to each other: a port
// or another driver has its part in it, and what moved it is not told by how.
var moving = []cause{
	{moves: [6]float64{0, 1, 0, 0, 0, 0}, size: 0.05},
	{moves: [6]float64{0, 0, 1, 0, 0, 0}, size: 0.20},
	{moves: [6]float64{0, 0, 0, 1, 0, 0}, size: 0.20},
}

const (
	oftenNothing = 3
	oftenSeveral = 0.3
)

// What is as often beforehand as a single cause that is in the list.
const (
	oftenLoose = 1
	oftenElse  = 0.1
)

// reading is what changed, as logarithms of the quantities and their covariance,
// and of their variances what no jig has a part in.
type reading struct {
	d   [quantities]float64
	cov *mat.SymDense
	own [quantities]float64
}

// explanation is what causes are read from.
type explanation struct {
	without, with reading    // a loose part; with only where there is a part
	part          *looseness // nil where none shows

	hasLe, mechanical bool     // quantities that have no part otherwise
	boxed             bool     // both sides have more resonances than one driver by itself
	warmer            *float64 // by how many kelvin the coil was warmer as the temperatures say; nil where one is not known
	beyondDoubt       string   // what has changed that nothing can explain that changed nothing
}

// of returns the seen of r that e has and their covariance, with what two
// measurements of one driver may differ by.
func (e explanation) of(r reading, use []int) (y *mat.VecDense, base *mat.SymDense) {
	n := len(use)
	y, base = mat.NewVecDense(n, nil), mat.NewSymDense(n, nil)
	for i, at := range use {
		y.SetVec(i, r.d[seen[at]])
		for k := i; k < n; k++ {
			base.SetSym(i, k, r.cov.At(seen[at], seen[use[k]]))
		}
		base.SetSym(i, i, base.At(i, i)+again[at]*again[at])
	}
	return y, base
}

// list returns the causes, the likeliest first. Each is a normal distribution of
// the changes: the covariance of the measurement, what two measurements of one
// driver may differ by, and the cause's own direction with its usual size. Its
// density at the changes is the evidence for it, in closed form; it has the
// generalised least-squares estimate of the amount in it, and pays for the size
// it could have had. A loose part has in it what it explains beside these.
func (e explanation) list() []Cause {
	var use []int // of seen
	for i, q := range seen {
		if (q != qLe || e.hasLe) && (q != qMms || e.mechanical) {
			use = append(use, i)
		}
	}
	y, base := e.of(e.without, use)

	all := slices.Clone(causes)
	if !e.hasLe {
		all = slices.DeleteFunc(all, func(c cause) bool { return c.moves[5] != 0 })
	}
	if e.boxed {
		// What moves the mechanics does so by the laws of a driver alone.
		all = slices.DeleteFunc(all, func(c cause) bool { return c.moves[1] != 0 || c.moves[2] != 0 })
	}
	free := len(all) // those that may act together
	if e.warmer == nil {
		all = append(all, warmth)
	}
	whole := slices.Clone(all) // with all of the seen
	for i, c := range whole {
		for k, at := range use {
			all[i].moves[k], all[i].solid[k] = c.moves[at], c.solid[at]
		}
	}

	var list []Cause
	var evidence []float64
	add := func(c Cause, of float64) {
		list, evidence = append(list, c), append(evidence, of)
	}
	nothing := math.Log(oftenNothing) + logDensity(y, base, nil)
	if e.beyondDoubt == "" {
		add(e.nothing(), nothing)
	} else {
		add(Cause{Name: "something else", Words: e.beyondDoubt + ", which nothing here explains: look at both curves in a plot of their ratio"}, nothing+math.Log(oftenElse/oftenNothing))
	}
	for i, c := range all {
		friction, of := evidenceFor(y, base, c)
		a := amounts(y, base, []cause{c.by(friction)})[0]
		w := c.up
		if a.Value < 0 {
			w = c.down
		}
		size := ofPercent(a)
		if i >= free {
			size = ofKelvin(math.Expm1(math.Abs(a.Value)) / quantity.CopperPerKelvin)
		}
		found := Cause{Name: w.name, Words: fmt.Sprintf(w.text, size), Amount: ofLog(a), moves: whole[i].by(friction).moves}
		for k := range found.moves {
			found.moves[k] *= a.Value
		}
		add(found, math.Log(c.often)+of)
	}
	if e.boxed {
		inside := slices.Clone(moving)
		for i, c := range moving {
			for k, at := range use {
				inside[i].moves[k] = c.moves[at]
			}
		}
		add(Cause{Name: "moving parts", Words: "something that moves has changed: mass, suspension and friction are told apart of a driver by itself, without port and other drivers"}, logDensity(y, base, inside))
		add(several(y, base, all[:free]), math.Log(oftenSeveral)+logDensity(y, base, append(inside, all[:free]...)))
	} else {
		add(several(y, base, all[:free]), math.Log(oftenSeveral)+logDensity(y, base, all[:free]))
	}
	if e.part != nil {
		y, base := e.of(e.with, use)
		// The rest of the cone carries the part below its frequency, and other
		// things may have changed with it.
		alone, others := logDensity(y, base, all[:1]), math.Log(oftenSeveral)+logDensity(y, base, all)
		add(e.part.cause(), math.Log(oftenLoose)+max(alone, others)+e.part.gain)
	}

	most := slices.Max(evidence)
	for i, x := range evidence {
		list[i].Probability = math.Exp(x - most)
	}
	return ranked(list)
}

// ranked returns causes with probabilities that sum to 1, the likeliest first.
func ranked(list []Cause) []Cause {
	var sum float64
	for _, c := range list {
		sum += c.Probability
	}
	for i := range list {
		list[i].Probability /= sum
	}
	slices.SortStableFunc(list, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return list
}

// within returns the causes that leave every quantity inside the limits that it
// passed.
func within(list []Cause, passed []Change) []Cause {
	at := map[string]int{"re": 0, "fs": 1, "q_ms": 2, "mms": 4, "le_1khz": 5} // of seen
	list = slices.DeleteFunc(list, func(c Cause) bool {
		return slices.ContainsFunc(passed, func(ch Change) bool {
			i, judged := at[ch.Name]
			if !judged || ch.Limit == (Limit{}) {
				return false
			}
			percent := 100 * math.Expm1(c.moves[i])
			return percent < ch.Limit.Low || percent > ch.Limit.High
		})
	})
	return ranked(list)
}

// nothing is that nothing changed but the temperature.
func (e explanation) nothing() Cause {
	if e.warmer == nil || math.Abs(*e.warmer) <= 4*kelvin {
		return Cause{Name: "nothing changed", Words: "all changes are within what two measurements of one driver differ by"}
	}
	c := Cause{Name: warmth.up.name, Words: fmt.Sprintf("the coil was %s warmer, as the temperatures say, and nothing else changed", ofKelvin(*e.warmer)),
		Amount: quantity.Value{Value: 100 * quantity.CopperPerKelvin * *e.warmer, U: 100 * quantity.CopperPerKelvin * kelvin * math.Sqrt2}}
	if *e.warmer < 0 {
		c.Name = warmth.down.name
		c.Words = fmt.Sprintf("the coil was %s warmer before, as the temperatures say, and nothing else changed", ofKelvin(-*e.warmer))
	}
	return c
}

// cause is that a part came loose, or was loose and no longer is, or moves by itself
// elsewhere.
func (l looseness) cause() Cause {
	c := Cause{Name: "loose part", Loose: true, Amount: quantity.Value{Value: 100 * l.share.Value, U: 100 * l.share.U}}
	text := "a part moves by itself near %s Hz, about %.2g %% of the moving mass: look for loose glue, at the dust cap, the surround and the spider"
	if !l.after {
		c.Name = "loose part before"
		text = "a part no longer moves by itself near %s Hz, about %.2g %% of the moving mass: it was loose before and is fixed now"
	}
	hz := func(hz float64) string { return strconv.FormatFloat(hz, 'f', 0, 64) }
	if l.elsewhere > 0 {
		is, was := l.hz.Value, l.elsewhere
		if !l.after {
			is, was = was, is
		}
		c.Name = "moved resonance"
		c.Words = fmt.Sprintf("a part, about %.2g %% of the moving mass, moves by itself near %s Hz and did near %s Hz before: look at both curves in a plot of their ratio", c.Amount.Value, hz(is), hz(was))
		return c
	}
	c.Words = fmt.Sprintf(text, hz(l.hz.Value), c.Amount.Value)
	return c
}

// several is that more than one thing changed, as most likely together.
func several(y *mat.VecDense, base *mat.SymDense, by []cause) Cause {
	c := Cause{Name: "several changes at once", Words: "no single change explains it"}
	a := amounts(y, base, by)
	first := true
	for i, v := range a {
		if math.Abs(v.Value) < 2*v.U || math.Abs(v.Value) < 0.005 {
			continue
		}
		w := by[i].up
		if v.Value < 0 {
			w = by[i].down
		}
		join := ", "
		if first {
			join, first = "; likely together: ", false
		}
		c.Words += join + w.name + " by " + ofPercent(v)
	}
	return c
}

// ofLog returns a change of the logarithm as a change in percent.
func ofLog(v quantity.Value) quantity.Value {
	return quantity.Value{Value: 100 * math.Expm1(v.Value), U: 100 * math.Exp(v.Value) * v.U}
}

func ofPercent(v quantity.Value) string { return quantity.Rest(math.Abs(math.Expm1(v.Value))) }
func ofKelvin(k float64) string         { return fmt.Sprintf("%.0f K", k) }

// widened is base with what the causes by may add to it.
func widened(base *mat.SymDense, by []cause) *mat.SymDense {
	n := base.SymmetricDim()
	v := mat.NewSymDense(n, nil)
	v.CopySym(base)
	for _, c := range by {
		v.SymRankOne(v, c.size*c.size, mat.NewVecDense(n, slices.Clone(c.moves[:n])))
	}
	return v
}

// logDensity is the logarithm of the density of y, but for a constant, where
// the causes by have any amount.
func logDensity(y *mat.VecDense, base *mat.SymDense, by []cause) float64 {
	var chol mat.Cholesky
	if !chol.Factorize(widened(base, by)) {
		return math.Inf(-1)
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, y); err != nil {
		return math.Inf(-1)
	}
	return -(mat.Dot(y, &x) + chol.LogDet()) / 2
}

// evidenceFor returns the logarithm of the density of y, but for a constant, where
// c has any amount and any friction, and the friction that suits y best.
func evidenceFor(y *mat.VecDense, base *mat.SymDense, c cause) (best, of float64) {
	// Steps of which one moves nothing by more than a driver repeats, unless c
	// has changed it by more than a fifth.
	const steps = 20
	most := math.Inf(-1)
	var all []float64
	for i := range steps + 1 {
		friction := float64(i) / steps
		d := logDensity(y, base, []cause{c.by(friction)})
		if all = append(all, d); d > most {
			best, most = friction, d
		}
		if c.solid == [6]float64{} {
			break
		}
	}
	if math.IsInf(most, -1) {
		return best, most
	}
	var sum float64
	for _, d := range all {
		sum += math.Exp(d - most)
	}
	return best, most + math.Log(sum/float64(len(all)))
}

// amounts returns the most likely amounts of the causes by together: mean and
// standard deviation after y was seen,
//
//	mean = s^2 m' V^-1 y, variance = s^2 - s^4 m' V^-1 m
//
// with a cause's size s and moves m, and V the covariance of y with all of by.
func amounts(y *mat.VecDense, base *mat.SymDense, by []cause) []quantity.Value {
	out := make([]quantity.Value, len(by))
	var chol mat.Cholesky
	if !chol.Factorize(widened(base, by)) {
		return out
	}
	n := y.Len()
	for i, c := range by {
		m := mat.NewVecDense(n, slices.Clone(c.moves[:n]))
		var x mat.VecDense
		if err := chol.SolveVecTo(&x, m); err != nil {
			continue
		}
		s2 := c.size * c.size
		out[i] = quantity.Value{Value: s2 * mat.Dot(&x, y), U: math.Sqrt(max(s2-s2*s2*mat.Dot(&x, m), 0))}
	}
	return out
}
