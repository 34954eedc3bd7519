package fit

import (
	"math"

	"tapload/measure/quantity"
)

// SuspensionKind is a model of what holds the cone: an entry of the table
// suspensions.
type SuspensionKind int

// The models of the suspension, with s = j 2 pi f.
const (
	Spring  SuspensionKind = iota // a stiffness
	Creep                         // a stiffness over 1 - Creep log10(s/w0) that gives way to slow pushes
	Leaking                       // a stiffness of which Leak, the air of a box, leaks off below LeakHz through air with a mass
	Lossy                         // that of Creep beside the air of a box, Leak of both, which leaks off below LeakHz through a resistance

	suspensionKinds // how many there are
)

// suspensionModel is a model of the stiffness over frequency. A resonance at f
// with the quality factor q is
//
//	Res/(1 - q b + j q (u - k/u)),  u = hz/f,  k = h/Re h0,  b = Im h0/Re h0
//
// where h is the stiffness and h0 what it is at f, so that f is where the
// resonance is real and Res what it is there, whatever the stiffness does.
// With h = 1 it is Res/(1 + j q (u - 1/u)).
type suspensionModel struct {
	name       string   // in files and tables
	parameters []string // of suspensionParameters, in the solver's order

	// h returns the stiffness and puts its derivatives into d.
	h func(v *Suspension, hz, f float64, d *bends) complex128

	// starts for the parameters, in their order, of a load whose main resonance
	// is at f.
	starts func(f float64) [][]float64

	// lacks is what loads whose stiffness gives way may do beside it: the change of
	// the stiffness at hz, over that at a resonance at f, by one standard deviation
	// of what loads do. It is nil for nothing.
	lacks func(hz, f float64) complex128

	words string // what a person reads, with parameters in braces
}

// slowLeak is air of a box that leaks off through a resistance, seen from above
// the frequency at which it has gone: it adds j c/f, c being that frequency times
// the share of the stiffness that is the box's. 4 Hz is ours: a box that is as
// stiff as the suspension and leaks below 8 Hz.
func slowLeak(hz, _ float64) complex128 { return complex(0, 4/hz) }

// someCreep is a suspension that creeps by 0.08 of its compliance a decade, to
// first order. The figure is ours too, with which Re of closed boxes is held
// (TestReOfStuffedBoxes).
func someCreep(hz, f float64) complex128 {
	return complex(0.08*math.Log10(hz/f), 0.08*math.Pi/2/math.Ln10)
}

// bends are the derivatives of a stiffness to ln hz, to ln f and to the solver's
// parameters.
type bends struct {
	hz, f complex128
	by    [3]complex128
}

// Suspension is what holds the cone of a fitted load. What its Kind has not is
// 0.
type Suspension struct {
	Kind   SuspensionKind `json:"kind"`
	Creep  quantity.Value `json:"creep,omitzero"`   // part of the compliance by which it grows for each decade down
	Leak   quantity.Value `json:"leak,omitzero"`    // share of the stiffness that leaks
	LeakHz quantity.Value `json:"leak_hz,omitzero"` // below which it does

	// MassRatio is the frequency from which the leak is a mass over LeakHz.
	MassRatio quantity.Value `json:"leak_mass,omitzero"`
}

var suspensionParameters = parameters[Suspension]{
	"creep":    {words: "how much the suspension creeps", reach: [2]float64{1e-3, 0.5}, of: func(s *Suspension) *quantity.Value { return &s.Creep }},
	"leak":     {words: "how much of the stiffness leaks from the box", share: true, reach: [2]float64{0.01, 0.99}, of: func(s *Suspension) *quantity.Value { return &s.Leak }},
	"leakmass": {reach: [2]float64{1.5, 1e3}, of: func(s *Suspension) *quantity.Value { return &s.MassRatio }},
	"leakhz":   {words: "the frequency below which the box leaks", unit: "Hz", reach: [2]float64{0.5, 500}, of: func(s *Suspension) *quantity.Value { return &s.LeakHz }},
}

var suspensions = [suspensionKinds]suspensionModel{
	Spring: {
		name: "spring",
		h:    func(*Suspension, float64, float64, *bends) complex128 { return 1 },
	},
	// M. H. Knudsen and J. G. Jensen, "Low-Frequency Loudspeaker Models That
	// Include Suspension Creep", JAES 41(1/2), 3-18, 1993 (from memory).
	Creep: {
		name: "creep", parameters: []string{"creep"},
		h: func(v *Suspension, hz, f float64, d *bends) complex128 {
			h := v.creeping(hz, f, d)
			d.f = -d.hz
			return h
		},
		starts: func(float64) [][]float64 { return [][]float64{{0.03}, {0.12}} },
		lacks:  slowLeak,
		words:  "the suspension creeps, {creep} of its compliance a decade",
	},
	// A box's air beside a leak with resistance and mass, whose admittance is
	// 1/(jx (1 + jy)) of that of the air.
	Leaking: {
		name: "leak", parameters: []string{"leak", "leakhz", "leakmass"},
		h: func(v *Suspension, hz, _ float64, d *bends) complex128 {
			share, x := complex(v.Leak.Value, 0), hz/v.LeakHz.Value
			y := x / v.MassRatio.Value
			flow, mass := complex(-x*y, x), complex(-x*y, 0)
			e := inverse(1 + flow)
			d.hz = share * (flow + mass) * e * e
			d.by = [3]complex128{-share * (1 - share) * e, -d.hz, -share * mass * e * e}
			return 1 - share*e
		},
		starts: func(f float64) [][]float64 { return [][]float64{{0.5, 0.1 * f, 30}, {0.5, 0.3 * f, 30}} },
		lacks:  someCreep,
		words:  "the box leaks, {leak} of the stiffness below {leakhz}",
	},
	// Springs in parallel: the suspension, and the air of a box whose leak has so
	// much resistance that its mass does not count.
	Lossy: {
		name: "lossy", parameters: []string{"creep", "leak", "leakhz"},
		h: func(v *Suspension, hz, f float64, d *bends) complex128 {
			own := v.creeping(hz, f, d)
			air := complex(v.Leak.Value, 0)
			held := 1 - air
			x := complex(0, hz/v.LeakHz.Value)
			e := inverse(1 + x)
			flows := air * x * e * e
			d.f = -held * d.hz
			d.hz = held*d.hz + flows
			d.by = [3]complex128{held * d.by[0], air * held * (1 - e - own), -flows}
			return held*own + air*(1-e)
		},
		starts: func(f float64) [][]float64 { return [][]float64{{0.05, 0.5, 0.1 * f}, {0.05, 0.5, 0.3 * f}} },
		lacks:  someCreep, // by another law than its own
		words:  "the suspension creeps, {creep} of its compliance a decade, and the box leaks, {leak} of the stiffness below {leakhz}",
	},
}

// creeping returns the stiffness of a suspension that creeps, over that of a
// spring, and puts its derivatives to ln hz and to the logarithm of Creep into d.
func (s *Suspension) creeping(hz, f float64, d *bends) complex128 {
	lambda := complex(s.Creep.Value, 0)
	decades := complex(math.Log(hz/f)/math.Ln10, math.Pi/2/math.Ln10)
	h := inverse(1 - lambda*decades)
	d.hz = lambda / math.Ln10 * h * h
	d.by[0] = lambda * decades * h * h
	return h
}

// SuspensionKinds are all models of the suspension.
func SuspensionKinds() []SuspensionKind { return kinds(suspensionKinds) }

// String returns the name of k in files and tables.
func (k SuspensionKind) String() string { return suspensions[k].name }

// MarshalText returns String, and UnmarshalText reads it.
func (k SuspensionKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads the name of a suspension.
func (k *SuspensionKind) UnmarshalText(text []byte) (err error) {
	*k, err = named(SuspensionKinds(), "suspension", text)
	return err
}

// Words say what the suspension does, the names of its parameters in braces;
// they are empty for a spring.
func (k SuspensionKind) Words() string { return suspensions[k].words }

// Parameters are the names of what the suspension is told by.
func (k SuspensionKind) Parameters() []string { return suspensions[k].parameters }

func (k SuspensionKind) size() int { return len(suspensions[k].parameters) }

// Parameter returns the place of the parameter of that name and its unit: Hz
// or none. It is nil where no suspension has one of that name.
func (s *Suspension) Parameter(name string) (v *quantity.Value, unit string) {
	return suspensionParameters.place(s, name)
}

// decode returns the suspension at the solver's parameters.
func (k SuspensionKind) decode(p []float64) Suspension {
	v := Suspension{Kind: k}
	suspensionParameters.decode(k.Parameters(), p, &v)
	return v
}

// held is a suspension at a resonance of f.
type held struct {
	Suspension
	f  float64
	h0 complex128
	d0 bends // as of h, at f
}

func hold(v Suspension, f float64) held {
	h := held{Suspension: v, f: f}
	h.h0 = suspensions[v.Kind].h(&h.Suspension, f, f, &h.d0)
	return h
}

// resonance returns the resonance of height r and quality factor q at t, to which
// turn times its lag comes: the part of a resonance that is 1 at 0 Hz, of which
// coupled resonances have some that adds up to nothing. Unless d is nil it puts
// its derivatives to ln f, ln q and ln r into d and adds those to the
// suspension's parameters to bend.
func (s *held) resonance(t tone, q, r, turn float64, d, bend []complex128) (z, lag complex128) {
	up, down := t.hz/s.f, s.f/t.hz
	side := complex(0, -q*down)
	top := complex(r, 0) + complex(turn, 0)*side
	if s.Kind == Spring {
		x := q * (up - down)
		g := complex(1, -x) * complex(1/(1+x*x), 0) // 1/(1 + jx)
		if d != nil {
			change, hg := complex(turn, 0)*side*g, top*g*g
			d[0] = change - hg*complex(0, -q*(up+down))
			d[1] = change - hg*complex(0, x)
			d[2] = complex(r, 0) * g
		}
		return top * g, side * g
	}
	var dh bends
	m := &suspensions[s.Kind]
	h := m.h(&s.Suspension, t.hz, s.f, &dh)
	re0 := real(s.h0)
	over := complex(1/re0, 0)
	k, b := h*over, imag(s.h0)/re0
	q1, u1 := complex(0, q), complex(down, 0)
	g := inverse(complex(1-q*b, 0) + q1*(complex(up, 0)-k*u1))
	if d == nil {
		return top * g, side * g
	}
	zg := -top * g * g
	// slope is the derivative of the denominator where h and h0 have these.
	slope := func(h1, h01 complex128) complex128 {
		k1 := h1*over - k*complex(real(h01)/re0, 0)
		b1 := (imag(h01) - b*real(h01)) / re0
		return complex(-q*b1, 0) - q1*u1*k1
	}
	toF := slope(dh.f, s.d0.hz+s.d0.f)
	change := complex(turn, 0) * side * g
	d[0] = change + zg*(toF-q1*complex(up, 0)-q1*u1*k)
	d[1] = change + zg*(complex(-q*b, 0)+q1*(complex(up, 0)-k*u1))
	d[2] = complex(r, 0) * g
	for i := range bend {
		bend[i] += zg * slope(dh.by[i], s.d0.by[i])
	}
	return top * g, side * g
}
