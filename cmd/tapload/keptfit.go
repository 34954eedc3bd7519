package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// keptFit is a fit as "tapload fit --json" printed it, to stand for the curve
// that it was made from.
type keptFit struct {
	object fitObject
	load   fit.Result // what Impedance needs of it
	id     string     // of the file, for its sources
}

// isFit tells a kept fit from a record, which names its format.
func isFit(data []byte) bool {
	var keys struct {
		Format *string         `json:"format"`
		Re     json.RawMessage `json:"re_ohm"`
	}
	err := json.NewDecoder(bytes.NewReader(data)).Decode(&keys)
	return err == nil && keys.Format == nil && keys.Re != nil
}

func readFit(data []byte, id string) (keptFit, error) {
	k := keptFit{id: id}
	dec := json.NewDecoder(bytes.NewReader(data))
	if err := dec.Decode(&k.object); err != nil {
		return k, fmt.Errorf("not a fit: %w", err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return k, errors.New("there is more than one fit in it; keep each in a file of its own")
	}
	o := k.object
	if o.Re == nil {
		return k, errors.New("no loudspeaker was fitted; use the record itself")
	}
	if n := len(o.Resonances) + len(o.Wrinkles); len(o.Resonances) < 1 || n > 3 {
		return k, fmt.Errorf("a fit has 1 to 3 resonances, this one has %d", n)
	}
	if o.Coil == nil {
		return k, errors.New("the fit has no coil")
	}
	k.load = fit.Result{Re: quantity.Value(*o.Re), Model: fit.Model{Coupled: o.Coupled}}
	k.load.Resonances, k.load.Wrinkles = resonancesOf(o.Resonances), resonancesOf(o.Wrinkles)
	if err := k.takeCoil(); err != nil {
		return k, err
	}
	if err := k.takeSuspension(); err != nil {
		return k, err
	}
	if c := o.Crossover; c != nil {
		if c.Kind == fit.Split.String() {
			return k, fmt.Errorf("this is a fit of what lies below a crossover, to %.4g Hz; use the record itself", c.HighHz)
		}
		if c.Capacitor != nil {
			k.load.Capacitor = quantity.Value(*c.Capacitor)
		}
		if c.Pad != nil {
			k.load.Pad = quantity.Value(*c.Pad)
		}
	}
	for _, name := range k.load.ParameterNames() {
		v := k.load.Parameter(name)
		// The turn of a resonance has either sign.
		if v == nil || !(v.Value > 0) && !strings.HasPrefix(name, "turn") || math.IsInf(v.Value, 0) || math.IsNaN(v.Value) || !(v.U >= 0) || math.IsInf(v.U, 0) {
			return k, fmt.Errorf("%s of %g ± %g is no value of a load", name, v.Value, v.U)
		}
	}
	return k, nil
}

func resonancesOf(list []resonanceObject) (out []fit.Resonance) {
	for _, r := range list {
		one := fit.Resonance{Hz: quantity.Value(r.Hz), Qms: quantity.Value(r.Qms), Res: quantity.Value(r.Res)}
		if r.Turn != nil {
			one.Turn = quantity.Value(*r.Turn)
		}
		out = append(out, one)
	}
	return out
}

func (k *keptFit) takeCoil() error {
	from := k.object.Coil
	i := slices.IndexFunc(fit.CoilKinds(), func(kind fit.CoilKind) bool { return kind.String() == from.Kind })
	if i < 0 {
		return fmt.Errorf("there is no coil %q", from.Kind)
	}
	k.load.Coil.Kind = fit.CoilKinds()[i]
	take(k.load.Coil.Kind.Parameters(), from.parameter, k.load.Coil.Parameter)
	return nil
}

func (k *keptFit) takeSuspension() error {
	from := k.object.Suspension
	if from == nil {
		return nil
	}
	i := slices.IndexFunc(fit.SuspensionKinds(), func(kind fit.SuspensionKind) bool { return kind.String() == from.Kind })
	if i < 0 {
		return fmt.Errorf("there is no suspension %q", from.Kind)
	}
	k.load.Suspension.Kind = fit.SuspensionKinds()[i]
	take(k.load.Suspension.Kind.Parameters(), from.parameter, k.load.Suspension.Parameter)
	return nil
}

// take puts the named parameters that a file has into their places in a load.
func take(names []string, from func(name string) **quantity.Value, to func(name string) (*quantity.Value, string)) {
	for _, name := range names {
		if v := *from(name); v != nil {
			place, _ := to(name)
			*place = quantity.Value(*v)
		}
	}
}

// move is a change of the parameters by one standard uncertainty of one cause.
type move struct {
	id string
	by map[string]float64
}

// moves returns independent causes that together make the uncertainty of the
// parameters: the eigenvectors of their covariance, and each shared source. A
// file without a covariance has each parameter as a cause of its own, which
// overstates what K and its exponent leave unsure together.
func (k keptFit) moves() ([]move, error) {
	var out []move
	o := k.object
	n := len(o.Parameters)
	if len(o.Covariance) == 0 {
		for _, name := range k.load.ParameterNames() {
			if u := k.load.Parameter(name).U; u > 0 {
				out = append(out, move{k.id + ":" + name, map[string]float64{name: u}})
			}
		}
		return out, nil
	}
	known := map[string]bool{}
	for _, name := range k.load.ParameterNames() {
		known[name] = true
	}
	u := make([]float64, n)
	for i, p := range o.Parameters {
		if !known[p.Name] {
			return nil, fmt.Errorf("there is no parameter %q in a load of this kind", p.Name)
		}
		if len(o.Covariance) != n || len(o.Covariance[i]) != n || !(o.Covariance[i][i] >= 0) {
			return nil, errors.New("the covariance does not go with the parameters")
		}
		u[i] = math.Sqrt(o.Covariance[i][i])
	}
	correlation := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			if u[i] > 0 && u[j] > 0 {
				correlation.SetSym(i, j, o.Covariance[i][j]/(u[i]*u[j]))
			}
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(correlation, true) {
		return nil, errors.New("the covariance is none of real parameters")
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	for j, lambda := range eigen.Values(nil) {
		if lambda <= 0 { // rounding of a 0
			continue
		}
		by := map[string]float64{}
		for i, p := range o.Parameters {
			by[p.Name] = u[i] * vectors.At(i, j) * math.Sqrt(lambda)
		}
		out = append(out, move{fmt.Sprintf("%s:%d", k.id, j+1), by})
	}
	for _, s := range o.Shifts {
		if len(s.Parameters) != n || s.ID == "" {
			return nil, fmt.Errorf("the shift by %q does not go with the parameters", s.ID)
		}
		by := map[string]float64{}
		for i, p := range o.Parameters {
			by[p.Name] = s.Parameters[i]
		}
		out = append(out, move{s.ID, by})
	}
	return out, nil
}

// curve returns the fitted load at the frequencies hz. It carries the
// uncertainty of the parameters as shared sources, and no noise.
func (k keptFit) curve(hz []float64) (impedance.Curve, error) {
	var c impedance.Curve
	for i, z := range k.load.Impedances(hz) {
		c.Points = append(c.Points, impedance.Point{Hz: hz[i], Z: z})
	}
	moves, err := k.moves()
	if err != nil {
		return c, err
	}
	for _, m := range moves {
		const step = 1e-3 // of a standard uncertainty: small against any bend of Z
		up, down := k.moved(m, step).Impedances(hz), k.moved(m, -step).Impedances(hz)
		s := impedance.Source{ID: m.id, DZ: make([]complex128, len(hz))}
		for i := range hz {
			s.DZ[i] = (up[i] - down[i]) / (2 * step)
		}
		c.Shared = append(c.Shared, s)
	}
	return c, c.Check()
}

func (k keptFit) moved(m move, by float64) fit.Result {
	r := k.load
	r.Resonances, r.Wrinkles = slices.Clone(r.Resonances), slices.Clone(r.Wrinkles)
	for name, d := range m.by {
		r.Parameter(name).Value += by * d
	}
	return r
}

// ratedOhm returns what the fit says the load may be rated at, as rated does.
func (k keptFit) ratedOhm() (float64, *impedance.Warning) {
	if k.object.RatedOhm != nil {
		return *k.object.RatedOhm, nil
	}
	return doubtfulRating(k.object.Rated.Candidates, k.object.Rated.Verdict == "undecided", k.object.Min.Ohm)
}

// fitGrid is where a fit is worked out when no measured curve says otherwise:
// 48 points an octave, as a sweep has at most, from 20 Hz to 20 kHz.
func fitGrid() []float64 {
	var hz []float64
	for i := 0; ; i++ {
		f := 20 * math.Exp2(float64(i)/48)
		if f > 20e3 {
			return append(hz, 20e3)
		}
		hz = append(hz, f)
	}
}
