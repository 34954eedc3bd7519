package recone

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tapload/fit"
	"tapload/measure/quantity"
)

// Added is what was done to both drivers for their mechanical constants: one
// mass fixed to the cone, or one closed box set on the driver. Mass and Volume
// exclude each other.
type Added struct {
	Mass     quantity.Value `json:"mass_kg,omitzero"`
	Volume   quantity.Value `json:"box_m3,omitzero"`
	Diameter quantity.Value `json:"diameter_m"` // of the cone, middle of surround to middle of surround
}

// Any reports whether something was added.
func (a Added) Any() bool { return a.Mass.Value > 0 || a.Volume.Value > 0 }

// how says how a driver was measured.
func (a Added) how() string {
	if a.Mass.Value > 0 {
		return "with the mass"
	}
	return "on the box"
}

// constants returns those of a driver by its resonance alone and with a.
func (a Added) constants(alone, moved logs) (fit.Constants, error) {
	x, y := alone.free(), moved.free()
	if a.Mass.Value > 0 {
		return fit.ByAddedMass(x, y.Hz, a.Mass, a.Diameter, fit.RoomAir)
	}
	return fit.ByKnownVolume(fit.KnownVolume, x, y, a.Volume, a.Diameter, fit.RoomAir)
}

// free is the driver's resonance, whatever makes it uncertain.
func (l logs) free() fit.Free {
	return fit.Free{Hz: l.of(qFs), Qms: l.of(qQms), Qes: l.of(qQes), Re: l.of(qRe)}
}

// mechanics returns the logarithms of Mms, Cms, Bl and Vas of a driver by those
// of its resonance alone and with what was added. Mass, volume, diameter and air
// are factors: they are left out, since they cancel in a change.
func (a Added) mechanics(alone, moved []float64) []float64 {
	r := moved[qFs] - alone[qFs]
	w := alone[qFs] + math.Log(2*math.Pi)
	var mms float64
	if a.Mass.Value > 0 {
		mms = -math.Log(math.Expm1(-2 * r))
	} else {
		// Qes/Re, since the driver has one Re, which cancels.
		vas := math.Log(math.Expm1(r + moved[qQes] - moved[qRe] - alone[qQes] + alone[qRe]))
		mms = -2*w - vas
	}
	cms := -2*w - mms
	return []float64{mms, cms, (w + alone[qRe] + mms - alone[qQes]) / 2, cms}
}

// withMechanics returns l with the logarithms of the constants, which follow
// from l and from those with what was added, and how they hang together.
func (l logs) withMechanics(moved logs, a Added) logs {
	small := func(int) float64 { return 1e-6 }
	byAlone := slopes(func(x []float64) []float64 { return a.mechanics(x, moved.value[:]) }, l.value[:], small)
	byMoved := slopes(func(x []float64) []float64 { return a.mechanics(l.value[:], x) }, moved.value[:], small)

	own := mat.NewSymDense(quantities, nil)
	own.CopySym(l.own)
	var cross, part, from mat.Dense
	cross.Mul(byAlone, l.own) // with what was known before
	part.Mul(&cross, byAlone.T())
	from.Product(byMoved, moved.own, byMoved.T())
	for i := range constants {
		for k := range qMms {
			own.SetSym(qMms+i, k, cross.At(i, k))
		}
		for k := i; k < constants; k++ {
			own.SetSym(qMms+i, qMms+k, part.At(i, k)+from.At(i, k))
		}
	}
	l.own = own

	shared := maps.Clone(l.shared)
	for id := range moved.shared {
		shared[id] = nil
	}
	for id := range shared {
		alone := by(l.shared, id)
		var x, y mat.VecDense
		x.MulVec(byAlone, alone)
		y.MulVec(byMoved, by(moved.shared, id))
		d := slices.Clone(alone.RawVector().Data)
		for i := range constants {
			d[qMms+i] += x.AtVec(i) + y.AtVec(i)
		}
		shared[id] = d
	}
	l.shared = shared
	copy(l.value[qMms:], a.mechanics(l.value[:], moved.value[:]))
	return l
}

// mechanical is what was found with something added to both sides.
type mechanical struct {
	added     Added
	constants [2]fit.Constants // of each side
	moved     [2]logs          // of both with that, whose difference is that of their curves
}

// mechanicalOf returns the constants of each side by its logarithms, nil where
// nothing was added to either. Where ctx ends, that is its error.
func (a Added) mechanicalOf(ctx context.Context, sides [2]Side, alone [2]logs, warm [2]float64) (*mechanical, error) {
	if sides[0].Moved == nil && sides[1].Moved == nil {
		return nil, nil
	}
	if sides[0].Moved == nil || sides[1].Moved == nil {
		return nil, errors.New("mechanical constants of one side say nothing of a change: measure both with the same mass or box")
	}
	if (a.Mass.Value > 0) == (a.Volume.Value > 0) {
		return nil, fmt.Errorf("the added mass is %v kg and the volume of the box %v m^3; one of them must be above 0", a.Mass.Value, a.Volume.Value)
	}
	for i, s := range sides {
		for k, r := range []fit.Result{s.Load, s.Moved.Load} {
			if r.Status != fit.Converged || len(r.Resonances) != 1 {
				how := [...]string{"by itself", "with the mass or on the box"}[k]
				return nil, fmt.Errorf("%s has %d resonances %s; mechanical constants need a driver in free air or on a closed box, which has one", s.Label, len(r.Resonances), how)
			}
		}
		own := *s.Moved
		own.Celsius = s.Celsius
		sides[i].Moved = &own
	}
	curves, _, err := atOne([2]Side{*sides[0].Moved, *sides[1].Moved}, warm)
	if err != nil {
		return nil, fmt.Errorf("%s and %s, with the mass or on the box: %w", sides[0].Label, sides[1].Label, err)
	}
	e, err := evolve(ctx, curves[0], curves[1])
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, fmt.Errorf("%s and %s, with the mass or on the box: %w", sides[0].Label, sides[1].Label, err)
	}
	m := mechanical{added: a}
	moved := &m.moved
	moved[0], moved[1] = e.complete(logsOf(*sides[0].Moved, warm[0]), logsOf(*sides[1].Moved, warm[1]))
	for i, s := range sides {
		if m.constants[i], err = a.constants(alone[i], moved[i]); err != nil {
			return nil, fmt.Errorf("%s: %w", s.Label, err)
		}
	}
	moved[0], moved[1] = e.pair(e.changes(), moved[0], moved[1])
	return &m, nil
}
