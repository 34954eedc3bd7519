package identify

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/exactjson"
	"tapload/measure/impedance"
	"tapload/measure/infile"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/measure/verdict"
)

// Kept is a Result that was written as JSON, to stand for the curve that it was
// made from.
type Kept struct {
	Result // what can be read of it: label, Load, Rating, Warnings

	id    string
	moves []move
}

// move is a change of the parameters by one standard uncertainty of one cause.
type move struct {
	id string
	by map[string]float64
}

// IsKept tells a kept fit from a record, which names its format: by its keys as far
// as they can be read, so that a fit that was cut short is one still.
func IsKept(data []byte) bool {
	dec := json.NewDecoder(bytes.NewReader(infile.Unmarked(data)))
	if open, err := dec.Token(); err != nil || open != json.Delim('{') {
		return false
	}
	kept := false
	for dec.More() {
		key, err := dec.Token()
		if err != nil || key == "format" {
			return err != nil && kept
		}
		kept = kept || key == "re_ohm"
		var value json.RawMessage
		if dec.Decode(&value) != nil {
			return kept
		}
	}
	return kept
}

// Unfitted reads the record in data, which is that of the file at path, and
// refuses a kept fit, which has no noise of its own; what names who needs the
// record.
func Unfitted(path string, data []byte, what string) (record.Record, error) {
	if IsKept(data) {
		return record.Record{}, fmt.Errorf("%s is a fit; %s needs the record that it was made from", path, what)
	}
	rec, err := record.Read(bytes.NewReader(data))
	if err != nil {
		return record.Record{}, fmt.Errorf("cannot read %s: %w", path, err)
	}
	return rec, nil
}

// ReadKept reads what a Result wrote. id is of the file, for the sources of its
// uncertainty: two loads with one id are wrong together. It fails, in words,
// where the fit cannot stand for its curve, or its uncertainties do not go with
// its parameters.
func ReadKept(r io.Reader, id string) (Kept, error) {
	data, err := exactjson.Read(r, "fit")
	if err != nil {
		return Kept{}, err
	}
	var o shape
	dec := json.NewDecoder(bytes.NewReader(data))
	if err := dec.Decode(&o); err != nil {
		return Kept{}, fmt.Errorf("not a fit: %w", plain(data, err))
	}
	if err := oneline.Check(o.Label); err != nil {
		return Kept{}, fmt.Errorf("label %w", err)
	}
	if rest := bytes.TrimSpace(data[dec.InputOffset():]); bytes.HasPrefix(rest, []byte("{")) {
		return Kept{}, errors.New("there is more than one fit in it; keep each in a file of its own")
	} else if len(rest) > 0 {
		return Kept{}, fmt.Errorf("the fit has ended but %s follows; take that out", oneline.Quote(string(rest)))
	}
	if o.Re == nil {
		return Kept{}, errors.New("no loudspeaker was fitted; use the record itself")
	}
	if n := len(o.Resonances) + len(o.Wrinkles); len(o.Resonances) < 1 || n > 3 {
		return Kept{}, fmt.Errorf("a fit has 1 to 3 resonances, this one has %d", n)
	}
	if o.Coil == nil {
		return Kept{}, errors.New("the fit has no coil")
	}
	k := Kept{id: id}
	k.Name, k.Warnings = o.Label, o.Warnings
	k.Record.Label, k.Record.Simulated, k.Record.Warnings = o.Label, o.Simulated, o.Warnings
	k.Load = fit.Result{
		Re: *o.Re, Model: fit.Model{Coupled: o.Coupled, Resonances: len(o.Resonances) + len(o.Wrinkles), Coil: o.Coil.Kind},
		Resonances: o.Resonances, Wrinkles: o.Wrinkles, Coil: *o.Coil,
		Parameters: o.Parameters, Covariance: o.Covariance, Shifts: o.Shifts,
	}
	if o.Suspension != nil {
		k.Load.Suspension, k.Load.Model.Suspension = *o.Suspension, o.Suspension.Kind
	}
	if c := o.Crossover; c != nil {
		if c.Kind == fit.Split.String() {
			return k, fmt.Errorf("this is a fit of what lies below a crossover, to %.4g Hz; use the record itself", c.HighHz)
		}
		k.Load.Capacitor, k.Load.Pad = c.Capacitor, c.Pad
	}
	k.Rating = o.Rated
	k.Rating.MinOhm, k.Rating.MinHz = quantity.Of(o.Min.Ohm, o.Min.U), o.Min.Hz
	k.Rating.MaxOhm, k.Rating.MaxHz = quantity.Of(o.Max.Ohm, o.Max.U), o.Max.Hz
	switch {
	case o.RatedOhm != nil && !(*o.RatedOhm > 0 && *o.RatedOhm <= impedance.MostOhm):
		return Kept{}, fmt.Errorf("rated_ohm of %g is no rating", *o.RatedOhm)
	case o.RatedOhm != nil:
		k.Rating.Ohm = *o.RatedOhm
	case o.Rated.Verdict == verdict.Pass:
		return Kept{}, errors.New("the fit has no rated_ohm, and no verdict that says why")
	}
	return k, k.check()
}

// plain says what is wrong with the text of a file in words of the file's, not of
// a program's.
func plain(data []byte, err error) error {
	var kind *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &kind) && kind.Field == "":
		return fmt.Errorf("a fit is %s, not %s", wanted(kind.Type), found(kind.Value))
	case errors.As(err, &kind) && strings.HasPrefix(kind.Value, "number ") && wanted(kind.Type) == "a number":
		return fmt.Errorf("%s cannot be %s", kind.Field, found(kind.Value))
	case errors.As(err, &kind):
		return fmt.Errorf("%s must be %s, not %s", kind.Field, wanted(kind.Type), found(kind.Value))
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return errors.New("it ends too early; copy it anew, or fit again")
	case errors.As(err, &syntax):
		at := int(syntax.Offset) - 1
		return fmt.Errorf("line %d: it is no JSON at %s", 1+bytes.Count(data[:at], []byte("\n")), oneline.Quote(string(data[at:])))
	}
	return err
}

// wanted is what a key of a fit takes.
func wanted(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Float64, reflect.Int:
		return "a number"
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "a text"
	case reflect.Slice, reflect.Array:
		return "a list"
	}
	return "an object of keys"
}

// found is what stands in its place, as the decoder calls it.
func found(value string) string {
	if number, ok := strings.CutPrefix(value, "number "); ok {
		return oneline.Short(number)
	}
	if words, ok := map[string]string{"string": "a text", "bool": "true or false", "array": "a list", "object": "an object", "number": "a number"}[value]; ok {
		return words
	}
	return oneline.Short(value)
}

// check holds the load to values that a load has, and works out what its
// uncertainty is made of.
func (k *Kept) check() (err error) {
	for _, name := range k.Load.ParameterNames() {
		v := k.Load.Parameter(name)
		const most = 1e30 // in any of their units
		// The turn of a resonance has either sign.
		if v == nil || !(v.Value > 1/most) && !strings.HasPrefix(name, "turn") || !(math.Abs(v.Value) < most) || !(v.U >= 0 && v.U < most) {
			if v == nil {
				v = &quantity.Value{}
			}
			return fmt.Errorf("%s of %.4g ± %.2g is no value of a load", name, v.Value, v.U)
		}
	}
	if !(k.Rating.MinOhm.Value > 0 && k.Rating.MinOhm.Value <= impedance.MostOhm) || !(k.Rating.MinOhm.U >= 0 && k.Rating.MinOhm.U <= impedance.MostOhm) {
		return fmt.Errorf("z_min of %.4g ± %.2g ohm is no lowest impedance", k.Rating.MinOhm.Value, k.Rating.MinOhm.U)
	}
	k.moves, err = k.causes()
	return err
}

// causes returns independent causes that together make the uncertainty of the
// parameters: the eigenvectors of their covariance, and each shared source. A
// file that has neither has each parameter as a cause of its own, which
// overstates what K and its exponent leave unsure together.
func (k *Kept) causes() (out []move, err error) {
	load := k.Load
	names := load.ParameterNames()
	if len(load.Parameters) == 0 && len(load.Covariance) == 0 && len(load.Shifts) == 0 {
		for _, name := range names {
			if u := load.Parameter(name).U; u > 0 {
				out = append(out, move{k.id + ":" + name, map[string]float64{name: u}})
			}
		}
		return out, nil
	}
	n := len(load.Parameters)
	if n == 0 {
		return nil, errors.New("the fit has a covariance or shifts, and no parameters that they are of")
	}
	listed := map[string]bool{}
	for _, p := range load.Parameters {
		switch {
		case !slices.Contains(names, p.Name):
			return nil, fmt.Errorf("there is no parameter %s in a load of this kind", oneline.Quote(p.Name))
		case listed[p.Name]:
			return nil, fmt.Errorf("the parameter %s is listed twice", oneline.Quote(p.Name))
		}
		listed[p.Name] = true
	}
	for _, name := range names {
		if !listed[name] && load.Parameter(name).U > 0 {
			return nil, fmt.Errorf("%s is uncertain and is not among the parameters", oneline.Quote(name))
		}
	}
	if out, err = k.spread(); err != nil {
		return nil, err
	}
	for _, s := range load.Shifts {
		if len(s.Parameters) != n || s.ID == "" {
			return nil, fmt.Errorf("the shift by %s does not go with the parameters", oneline.Quote(s.ID))
		}
		out = append(out, k.move(s.ID, func(i int) float64 { return s.Parameters[i] }))
	}
	return out, nil
}

func (k *Kept) move(id string, by func(i int) float64) move {
	m := move{id, map[string]float64{}}
	for i, p := range k.Load.Parameters {
		m.by[p.Name] = by(i)
	}
	return m
}

// spread takes the covariance of the parameters apart.
func (k *Kept) spread() (out []move, err error) {
	n, covariance := len(k.Load.Parameters), k.Load.Covariance
	u := make([]float64, n)
	for i := range n {
		if len(covariance) != n || len(covariance[i]) != n || !(covariance[i][i] >= 0) {
			return nil, errors.New("the covariance does not go with the parameters")
		}
		u[i] = math.Sqrt(covariance[i][i])
	}
	correlation := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			if u[i] > 0 && u[j] > 0 {
				correlation.SetSym(i, j, covariance[i][j]/(u[i]*u[j]))
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
		if lambda > 0 { // below it is a rounded 0
			out = append(out, k.move(fmt.Sprintf("%s:%d", k.id, j+1), func(i int) float64 { return u[i] * vectors.At(i, j) * math.Sqrt(lambda) }))
		}
	}
	return out, nil
}

// Curve returns the fitted load at the frequencies hz. It carries the
// uncertainty of the parameters as shared sources, and no noise.
func (k Kept) Curve(hz []float64) (impedance.Curve, error) {
	var c impedance.Curve
	for i, z := range k.Load.Impedances(hz) {
		c.Points = append(c.Points, impedance.Point{Hz: hz[i], Z: z})
	}
	for _, m := range k.moves {
		const step = 1e-3 // of a standard uncertainty: small against any bend of Z
		up, down := k.moved(m, step).Impedances(hz), k.moved(m, -step).Impedances(hz)
		s := impedance.Source{ID: m.id, DZ: make([]complex128, len(hz))}
		for i := range hz {
			s.DZ[i] = (up[i] - down[i]) / (2 * step)
		}
		c.Shared = append(c.Shared, s)
	}
	if err := c.Check(); err != nil {
		return c, fmt.Errorf("its parameters and their uncertainties are none of a load: %w", err)
	}
	return c, nil
}

func (k Kept) moved(m move, by float64) fit.Result {
	r := k.Load
	r.Resonances, r.Wrinkles = slices.Clone(r.Resonances), slices.Clone(r.Wrinkles)
	for name, d := range m.by {
		r.Parameter(name).Value += by * d
	}
	return r
}

// Grid is where a kept fit is worked out where no measured curve says otherwise:
// 48 points an octave, as a sweep has at most, from 20 Hz to 20 kHz.
func Grid() []float64 {
	var hz []float64
	for i := 0.; 20*math.Exp2(i/48) <= 20e3; i++ {
		hz = append(hz, 20*math.Exp2(i/48))
	}
	return append(hz, 20e3)
}
