package fit

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tapload/measure/quantity"
)

// CoilKind is a model of the voice coil: an entry of the table coils.
type CoilKind int

// The coil models, with s = j 2 pi f.
const (
	NoCoil   CoilKind = iota // no inductance seen
	Inductor                 // s L
	Ladder                   // s L + (s L2 || R2)
	Power                    // K s^N
	Shunted                  // s L || K s^N
	Leakage                  // s L0 + (s L || K s^N)
	Ringed                   // s L0 + (s L || K s^N || R2)

	coilKinds // how many there are
)

// coilModel is a model of the coil, the same for all that is made of it: the
// fit, its JSON and what people read. Another one is one more entry of coils,
// and a name for it in the list above.
type coilModel struct {
	name       string   // in files and tables
	parameters []string // of coilParameters, in the solver's order

	// z returns Zcoil at t and, unless d is nil, puts its derivatives to the
	// solver's parameters into d.
	z func(v *coilValues, t tone, d []complex128) complex128

	// first is a start from what the top of the band shows of a coil.
	first func(top coilValues) coilValues
	// like are starts that resemble a power law, of which l is the inductance
	// at coilHz.
	like func(law coilValues) []coilValues

	words string // what a person reads, with parameters in braces
}

// coilValues are the parameters of all coils as the solver holds them.
type coilValues struct {
	l0, l  float64 // H
	l2, r2 float64 // H, ohm
	x      float64 // |K s^n| at coilHz, ohm
	n      float64

	turn complex128 // j^n
}

// coilParameter is a parameter that coils are made of. The solver holds its
// logarithm, or the logit of what lies between 0 and 1.
type coilParameter struct {
	unit  string     // H, ohm or none
	share bool       // between 0 and 1
	reach [2]float64 // no coil has less or more
	at    func(*coilValues) *float64
	of    func(*Coil) *quantity.Value
}

var coilParameters = map[string]coilParameter{
	"l0": {unit: "H", reach: [2]float64{1e-8, 1}, at: func(v *coilValues) *float64 { return &v.l0 }, of: func(c *Coil) *quantity.Value { return &c.L0 }},
	"l":  {unit: "H", reach: [2]float64{1e-8, 1}, at: func(v *coilValues) *float64 { return &v.l }, of: func(c *Coil) *quantity.Value { return &c.L }},
	"l2": {unit: "H", reach: [2]float64{1e-8, 1}, at: func(v *coilValues) *float64 { return &v.l2 }, of: func(c *Coil) *quantity.Value { return &c.L2 }},
	"r2": {unit: "ohm", reach: [2]float64{1e-3, 1e4}, at: func(v *coilValues) *float64 { return &v.r2 }, of: func(c *Coil) *quantity.Value { return &c.R2 }},
	"k":  {reach: [2]float64{1e-3, 1e4}, at: func(v *coilValues) *float64 { return &v.x }, of: func(c *Coil) *quantity.Value { return &c.K }},
	"n":  {share: true, reach: [2]float64{0.02, 0.995}, at: func(v *coilValues) *float64 { return &v.n }, of: func(c *Coil) *quantity.Value { return &c.N }},
}

var coils = [coilKinds]coilModel{
	NoCoil: {
		name:  "none",
		z:     func(*coilValues, tone, []complex128) complex128 { return 0 },
		first: func(coilValues) coilValues { return coilValues{} },
		words: "no inductance seen",
	},
	Inductor: {
		name: "inductor", parameters: []string{"l"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			z := complex(0, t.w*v.l)
			if d != nil {
				d[0] = z
			}
			return z
		},
		first: func(top coilValues) coilValues { return coilValues{l: top.l} },
		like:  func(law coilValues) []coilValues { return []coilValues{{l: law.l}} },
		words: "{l}",
	},
	Ladder: {
		name: "ladder", parameters: []string{"l", "l2", "r2"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			a, b, r := complex(0, t.w*v.l), complex(0, t.w*v.l2), complex(v.r2, 0)
			g := inverse(r + b)
			if d != nil {
				d[0] = a
				d[1] = b * (r * g) * (r * g)
				d[2] = r * (b * g) * (b * g)
			}
			return a + b*r*g
		},
		// The corner lies where the coil turns from lossless to lossy: a decade
		// below the top is in reach of wherever it really is.
		first: func(top coilValues) coilValues {
			l2 := 3 * top.l
			return coilValues{l: top.l / 2, l2: l2, r2: top.r2 / 10 * 3}
		},
		like: func(law coilValues) (starts []coilValues) {
			for _, corner := range []float64{0.4e3, 2e3, 10e3} {
				starts = append(starts, coilValues{l: law.l / math.E, l2: law.l, r2: 2 * math.Pi * corner * law.l})
			}
			return starts
		},
		words: "{l}, then {l2} beside {r2}",
	},
	Power: {
		name: "power", parameters: []string{"k", "n"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			z := v.law(t)
			if d != nil {
				d[0], d[1] = z, z*v.exponent(t)
			}
			return z
		},
		first: func(top coilValues) coilValues { return coilValues{x: top.x, n: top.n} },
		words: "K {k} ohm of s^n, n {n}",
	},
	Shunted: {
		name: "shunted", parameters: []string{"l", "k", "n"},
		z:     shunted,
		first: func(top coilValues) coilValues { return coilValues{l: 10 * top.l, x: top.x, n: top.n} },
		like: func(law coilValues) (starts []coilValues) {
			for _, times := range []float64{2, 5, 20} {
				starts = append(starts, coilValues{l: times * law.l, x: math.Sqrt2 * law.x, n: law.n})
			}
			return starts
		},
		words: "{l} beside K {k} ohm of s^n, n {n}",
	},
	Leakage: {
		name: "leakage", parameters: []string{"l0", "l", "k", "n"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			a := complex(0, t.w*v.l0)
			if d == nil {
				return a + shunted(v, t, nil)
			}
			d[0] = a
			return a + shunted(v, t, d[1:])
		},
		first: func(top coilValues) coilValues {
			return coilValues{l0: top.l / 5, l: 10 * top.l, x: top.x, n: top.n}
		},
		like: func(law coilValues) (starts []coilValues) {
			for _, leak := range []float64{0.03, 0.2} {
				for _, times := range []float64{1.5, 5} {
					starts = append(starts, coilValues{l0: leak * law.l, l: times * law.l, x: math.Sqrt2 * law.x, n: law.n})
				}
			}
			return starts
		},
		words: "{l0}, then {l} beside K {k} ohm of s^n, n {n}",
	},
	// A ring or cap of copper is a turn that is shorted by its resistance.
	Ringed: {
		name: "ringed", parameters: []string{"l0", "l", "k", "n", "r2"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			lead := complex(0, t.w*v.l0)
			a, b, r := complex(0, -1/(t.w*v.l)), inverse(v.law(t)), complex(1/v.r2, 0)
			z := inverse(a + b + r)
			if d != nil {
				d[0] = lead
				d[1] = a * z * z
				d[2] = b * z * z
				d[3] = d[2] * v.exponent(t)
				d[4] = r * z * z
			}
			return lead + z
		},
		first: func(top coilValues) coilValues {
			return coilValues{l0: top.l / 5, l: 10 * top.l, x: 2 * top.x, n: top.n, r2: 2 * top.r2}
		},
		like: func(law coilValues) (starts []coilValues) {
			for _, ring := range []float64{1, 4} {
				starts = append(starts, coilValues{l0: 0.05 * law.l, l: 10 * law.l, x: 2 * law.x, n: law.n, r2: ring * law.x})
			}
			return starts
		},
		words: "{l0}, then {l} beside K {k} ohm of s^n, n {n}, and {r2}",
	},
}

// shunted is s L || K s^n.
func shunted(v *coilValues, t tone, d []complex128) complex128 {
	a, b := complex(0, t.w*v.l), v.law(t)
	g := inverse(a + b)
	if d != nil {
		d[0] = a * (b * g) * (b * g)
		d[1] = b * (a * g) * (a * g)
		d[2] = d[1] * v.exponent(t)
	}
	return a * b * g
}

// law is K s^n.
func (v *coilValues) law(t tone) complex128 {
	return complex(v.x*math.Exp(v.n*t.octave), 0) * v.turn
}

// exponent is the derivative of ln(K s^n) to the logit of n, with x held.
func (v *coilValues) exponent(t tone) complex128 {
	return complex(t.octave, math.Pi/2) * complex(v.n*(1-v.n), 0)
}

// CoilKinds are all models of the coil.
func CoilKinds() []CoilKind {
	kinds := make([]CoilKind, coilKinds)
	for i := range kinds {
		kinds[i] = CoilKind(i)
	}
	return kinds
}

// String returns the name of k in files and tables.
func (k CoilKind) String() string {
	if k < 0 || k >= coilKinds {
		return fmt.Sprintf("coil(%d)", int(k))
	}
	return coils[k].name
}

// MarshalText returns String, and UnmarshalText reads it.
func (k CoilKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads the name of a coil.
func (k *CoilKind) UnmarshalText(text []byte) error {
	i := slices.IndexFunc(CoilKinds(), func(kind CoilKind) bool { return kind.String() == string(text) })
	if i < 0 {
		return fmt.Errorf("there is no coil %q", text)
	}
	*k = CoilKinds()[i]
	return nil
}

// Words say what the coil is made of, the names of its parameters in braces.
func (k CoilKind) Words() string { return coils[k].words }

// Parameters are the names of what the coil is made of.
func (k CoilKind) Parameters() []string { return coils[k].parameters }

func (k CoilKind) size() int { return len(coils[k].parameters) }

// Coil is the voice coil of a fitted load. What its Kind has not is 0.
type Coil struct {
	Kind   CoilKind       `json:"kind"`
	L0     quantity.Value `json:"l0_h,omitzero"`   // leakage inductance, H
	L      quantity.Value `json:"l_h,omitzero"`    // H
	L2     quantity.Value `json:"l2_h,omitzero"`   // H
	R2     quantity.Value `json:"r2_ohm,omitzero"` // ohm
	K      quantity.Value `json:"k,omitzero"`      // ohm s^-N
	N      quantity.Value `json:"n,omitzero"`
	LeAt1k quantity.Value `json:"le_1khz_h,omitzero"` // Im Zcoil/(2 pi f) at 1 kHz, H
}

// Parameter returns the place of the parameter of that name and its unit: H,
// ohm or none. It is nil where no coil has one of that name.
func (c *Coil) Parameter(name string) (v *quantity.Value, unit string) {
	p, ok := coilParameters[name]
	if !ok {
		return nil, ""
	}
	return p.of(c), p.unit
}

// decode returns the coil's values at the solver's parameters.
func (k CoilKind) decode(p []float64) (v coilValues) {
	for i, name := range coils[k].parameters {
		q := coilParameters[name]
		if q.share {
			*q.at(&v) = expit(p[i])
		} else {
			*q.at(&v) = math.Exp(p[i])
		}
	}
	v.prepare()
	return v
}

// encode is the inverse of decode.
func (k CoilKind) encode(v coilValues) (p []float64) {
	for _, name := range coils[k].parameters {
		q := coilParameters[name]
		if x := *q.at(&v); q.share {
			p = append(p, logit(x))
		} else {
			p = append(p, math.Log(x))
		}
	}
	return p
}

func (v *coilValues) prepare() {
	sin, cos := math.Sincos(v.n * math.Pi / 2)
	v.turn = complex(cos, sin)
}

// inductance is Im Zcoil/w at coilHz, H.
func (k CoilKind) inductance(v *coilValues) float64 {
	return imag(coils[k].z(v, newTone(coilHz), nil)) / (2 * math.Pi * coilHz)
}

// values returns the coil as the solver holds it.
func (c Coil) values() (v coilValues) {
	for _, name := range coils[c.Kind].parameters {
		q := coilParameters[name]
		*q.at(&v) = q.of(&c).Value
	}
	v.x *= math.Pow(2*math.Pi*coilHz, v.n) // from K
	v.prepare()
	return v
}

// seenAtTop reads off a point at the top of the band, its impedance less Re,
// what it shows of a coil: its inductance there, the reactance that this has as
// a resistance, and the power law through it.
func seenAtTop(hz float64, z complex128, least float64) coilValues {
	x, r := max(imag(z), least), max(real(z), least)
	n := min(max(math.Atan2(x, r)/(math.Pi/2), 0.05), 0.95)
	v := coilValues{l: x / (2 * math.Pi * hz), r2: x, n: n, x: cmplx.Abs(complex(r, x)) * math.Pow(coilHz/hz, n)}
	v.prepare()
	return v
}
