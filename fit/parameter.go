package fit

import (
	"fmt"
	"math"

	"tapload/measure/oneline"
	"tapload/measure/quantity"
)

// parameter is one that coils or suspensions, S, are made of. The solver holds
// its logarithm, or the logit of what lies between 0 and 1.
type parameter[S any] struct {
	words string     // what a person calls it where the data may leave it undetermined
	unit  string     // H, Hz, ohm or none
	share bool       // between 0 and 1
	reach [2]float64 // nothing has less or more
	of    func(*S) *quantity.Value
}

// parameters are those of all coils or suspensions, by name.
type parameters[S any] map[string]parameter[S]

// place returns where s has the parameter of that name, and its unit; nil where
// there is none of that name.
func (all parameters[S]) place(s *S, name string) (v *quantity.Value, unit string) {
	if p, ok := all[name]; ok {
		return p.of(s), p.unit
	}
	return nil, ""
}

// decode puts the named parameters, as the solver holds them, into s.
func (all parameters[S]) decode(names []string, held []float64, s *S) {
	for i, name := range names {
		p := all[name]
		if p.share {
			p.of(s).Value = expit(held[i])
		} else {
			p.of(s).Value = math.Exp(held[i])
		}
	}
}

// encode returns values of the named parameters as the solver holds them.
func (all parameters[S]) encode(names []string, values []float64) (held []float64) {
	for i, name := range names {
		if all[name].share {
			held = append(held, logit(values[i]))
		} else {
			held = append(held, math.Log(values[i]))
		}
	}
	return held
}

// kinds returns the first n values of a kind of model.
func kinds[K ~int](n K) []K {
	all := make([]K, n)
	for i := range all {
		all[i] = K(i)
	}
	return all
}

// named returns that of the kinds which has a name; what is a word for them all.
func named[K fmt.Stringer](all []K, what string, name []byte) (kind K, err error) {
	for _, k := range all {
		if k.String() == string(name) {
			return k, nil
		}
	}
	return kind, fmt.Errorf("there is no %s %s", what, oneline.Quote(string(name)))
}
