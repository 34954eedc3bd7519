package fit

import (
	"math"
	"math/cmplx"

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

	// first is a start from what the top of the band shows of a coil, by the
	// parameters in their order.
	first func(top coilStart) []float64
	// like are starts that resemble a power law.
	like func(law coilStart) [][]float64

	words string // what a person reads, with parameters in braces
}

// coilValues are the parameters of a coil as the solver holds them: K is
// |K s^N| at coilHz, in ohm.
type coilValues struct {
	Coil
	turn complex128 // j^N
}

// coilStart is what starts are made from: an inductance and the reactance that
// it has as a resistance, and the size at coilHz and the exponent of a power law.
type coilStart struct{ l, r, x, n float64 }

var coilParameters = parameters[Coil]{
	"l0": {unit: "H", reach: [2]float64{1e-8, 1}, of: func(c *Coil) *quantity.Value { return &c.L0 }},
	"l":  {unit: "H", reach: [2]float64{1e-8, 1}, of: func(c *Coil) *quantity.Value { return &c.L }},
	"l2": {unit: "H", reach: [2]float64{1e-8, 1}, of: func(c *Coil) *quantity.Value { return &c.L2 }},
	"r2": {unit: "ohm", reach: [2]float64{1e-3, 1e4}, of: func(c *Coil) *quantity.Value { return &c.R2 }},
	"k":  {reach: [2]float64{1e-3, 1e4}, of: func(c *Coil) *quantity.Value { return &c.K }},
	"n":  {share: true, reach: [2]float64{0.02, 0.995}, of: func(c *Coil) *quantity.Value { return &c.N }},
}

var coils = [coilKinds]coilModel{
	NoCoil: {
		name:  "none",
		z:     func(*coilValues, tone, []complex128) complex128 { return 0 },
		first: func(coilStart) []float64 { return nil },
		words: "no inductance seen",
	},
	Inductor: {
		name: "inductor", parameters: []string{"l"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			z := complex(0, t.w*v.L.Value)
			if d != nil {
				d[0] = z
			}
			return z
		},
		first: func(top coilStart) []float64 { return []float64{top.l} },
		like:  func(law coilStart) [][]float64 { return [][]float64{{law.l}} },
		words: "{l}",
	},
	Ladder: {
		name: "ladder", parameters: []string{"l", "l2", "r2"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			a, b, r := complex(0, t.w*v.L.Value), complex(0, t.w*v.L2.Value), complex(v.R2.Value, 0)
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
		first: func(top coilStart) []float64 { return []float64{top.l / 2, 3 * top.l, top.r / 10 * 3} },
		like: func(law coilStart) (starts [][]float64) {
			for _, corner := range []float64{0.4e3, 2e3, 10e3} {
				starts = append(starts, []float64{law.l / math.E, law.l, 2 * math.Pi * corner * law.l})
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
		first: func(top coilStart) []float64 { return []float64{top.x, top.n} },
		words: "K {k} ohm of s^n, n {n}",
	},
	Shunted: {
		name: "shunted", parameters: []string{"l", "k", "n"},
		z:     shunted,
		first: func(top coilStart) []float64 { return []float64{10 * top.l, top.x, top.n} },
		like: func(law coilStart) (starts [][]float64) {
			for _, times := range []float64{2, 5, 20} {
				starts = append(starts, []float64{times * law.l, math.Sqrt2 * law.x, law.n})
			}
			return starts
		},
		words: "{l} beside K {k} ohm of s^n, n {n}",
	},
	Leakage: {
		name: "leakage", parameters: []string{"l0", "l", "k", "n"},
		z: func(v *coilValues, t tone, d []complex128) complex128 {
			a := complex(0, t.w*v.L0.Value)
			if d == nil {
				return a + shunted(v, t, nil)
			}
			d[0] = a
			return a + shunted(v, t, d[1:])
		},
		first: func(top coilStart) []float64 { return []float64{top.l / 5, 10 * top.l, top.x, top.n} },
		like: func(law coilStart) (starts [][]float64) {
			for _, leak := range []float64{0.03, 0.2} {
				for _, times := range []float64{1.5, 5} {
					starts = append(starts, []float64{leak * law.l, times * law.l, math.Sqrt2 * law.x, law.n})
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
			lead := complex(0, t.w*v.L0.Value)
			a, b, r := complex(0, -1/(t.w*v.L.Value)), inverse(v.law(t)), complex(1/v.R2.Value, 0)
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
		first: func(top coilStart) []float64 { return []float64{top.l / 5, 10 * top.l, 2 * top.x, top.n, 2 * top.r} },
		like: func(law coilStart) (starts [][]float64) {
			for _, ring := range []float64{1, 4} {
				starts = append(starts, []float64{0.05 * law.l, 10 * law.l, 2 * law.x, law.n, ring * law.x})
			}
			return starts
		},
		words: "{l0}, then {l} beside K {k} ohm of s^n, n {n}, and {r2}",
	},
}

// shunted is s L || K s^n.
func shunted(v *coilValues, t tone, d []complex128) complex128 {
	a, b := complex(0, t.w*v.L.Value), v.law(t)
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
	return complex(v.K.Value*math.Exp(v.N.Value*t.octave), 0) * v.turn
}

// exponent is the derivative of ln(K s^n) to the logit of n, with x held.
func (v *coilValues) exponent(t tone) complex128 {
	return complex(t.octave, math.Pi/2) * complex(v.N.Value*(1-v.N.Value), 0)
}

// CoilKinds are all models of the coil.
func CoilKinds() []CoilKind { return kinds(coilKinds) }

// String returns the name of k in files and tables.
func (k CoilKind) String() string { return coils[k].name }

// MarshalText returns String, and UnmarshalText reads it.
func (k CoilKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads the name of a coil.
func (k *CoilKind) UnmarshalText(text []byte) (err error) {
	*k, err = named(CoilKinds(), "coil", text)
	return err
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
	return coilParameters.place(c, name)
}

// decode returns the coil at the solver's parameters.
func (k CoilKind) decode(p []float64) coilValues {
	v := coilValues{}
	coilParameters.decode(k.Parameters(), p, &v.Coil)
	v.prepare()
	return v
}

// encode returns values, with K as the solver holds it, as its parameters.
func (k CoilKind) encode(values []float64) []float64 {
	return coilParameters.encode(k.Parameters(), values)
}

func (v *coilValues) prepare() {
	sin, cos := math.Sincos(v.N.Value * math.Pi / 2)
	v.turn = complex(cos, sin)
}

// inductance is Im Zcoil/w at coilHz, H.
func (k CoilKind) inductance(v *coilValues) float64 {
	return imag(coils[k].z(v, newTone(coilHz), nil)) / (2 * math.Pi * coilHz)
}

// values returns the coil as the solver holds it.
func (c Coil) values() coilValues {
	v := coilValues{Coil: c}
	v.K.Value *= math.Pow(2*math.Pi*coilHz, v.N.Value)
	v.prepare()
	return v
}

// seenAtTop reads off a point at the top of the band, its impedance less Re,
// what it shows of a coil there.
func seenAtTop(hz float64, z complex128, least float64) coilStart {
	x, r := max(imag(z), least), max(real(z), least)
	n := min(max(math.Atan2(x, r)/(math.Pi/2), 0.05), 0.95)
	return coilStart{l: x / (2 * math.Pi * hz), r: x, x: cmplx.Abs(complex(r, x)) * math.Pow(coilHz/hz, n), n: n}
}
