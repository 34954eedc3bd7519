package main

import (
	"fmt"
	"math"
	"slices"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// curveFault is what no load could give in a curve, and what it matters.
type curveFault struct {
	fit.KKResult
	re     *float64 // relative change of Re by taking the fault out, the largest of what it may be; nil where not known
	rating bool     // taking it out would change the rating
}

// curveFaultObject is a curveFault for programs.
type curveFaultObject struct {
	Fault   string   `json:"fault"`
	Hz      *float64 `json:"hz"`             // of a step, where a phase error is largest, or where most is unexplained
	Level   *float64 `json:"level_percent"`  // by how much |Z| steps or drifts, or the rms that is unexplained
	Phase   *float64 `json:"phase_degrees"`  // by how much the phase steps or is off
	Re      *float64 `json:"re_percent"`     // by how much taking the fault out would change Re
	Changes bool     `json:"changes_rating"` // taking the fault out would change the rating
}

// test looks for what no load could give in the curve of f, which has been
// fitted and rated, and for what that matters.
func (o fitOptions) test(f *fitted) {
	kk, err := fit.KK(f.record.Curve, f.load)
	if err != nil {
		f.warnings = append(f.warnings, impedance.Warning{Code: "kk-untested", Text: "nothing has tested whether the curve can be that of a load: " + err.Error()})
		return
	}
	f.kk = &kk
	w, faulty := kk.Warning()
	if !faulty {
		return
	}
	f.fault = o.matters(kk, *f)
	if kk.Fault == fit.Inconsistent && f.bends() {
		w.Text = fmt.Sprintf("no linear load gives this curve: %.2g %% is left, most at %.4g Hz; its record says that the load or an input bends at this level, so sweep quieter before anything else", kk.Percent, kk.WorstHz)
	}
	w.Text += f.fault.effect()
	f.warnings = append(f.warnings, w)
}

// matters fits and rates the curve of f without its fault, in every way that the
// fault leaves open.
func (o fitOptions) matters(kk fit.KKResult, f fitted) *curveFault {
	c := &curveFault{KKResult: kk, rating: kk.Fault == fit.PhaseSign}
	for _, without := range kk.Without(f.record.Curve) {
		load := f.load
		if kk.Fault != fit.Inconsistent {
			again, err := fit.Curve(without, fit.Options{PinnedRe: float64(o.re), Models: []fit.Model{f.load.Model}})
			if err == nil {
				load = again
				if by := again.Re.Value/f.load.Re.Value - 1; c.re == nil || math.Abs(by) > math.Abs(*c.re) {
					c.re = &by
				}
			}
		}
		r, err := rating.Of(without, load, rating.Options{LowHz: float64(o.low), HighHz: float64(o.high)})
		if err != nil || r.Verdict != f.rating.Verdict || !slices.Equal(r.Candidates, f.rating.Candidates) {
			c.rating = true
		}
	}
	return c
}

// effect says what the fault matters, behind the sentence that names it.
func (c *curveFault) effect() string {
	if c.Fault == fit.PhaseSign {
		return ""
	}
	rated := "the rating stays without it"
	if c.rating {
		rated = "the rating may be another without it"
	}
	if c.re == nil {
		return "; " + rated
	}
	return fmt.Sprintf("; it moves Re by %s at most, and %s", quantity.Rest((100*math.Abs(*c.re))/100), rated)
}

// curveDoubt is what the first line says of a curve that no load could give, or
// "". What leaves the rating as it is, and need not be a fault, is for the
// warnings. A drift may be a phase that is off, which moves no rating.
func (f fitted) curveDoubt() string {
	switch {
	case f.fault == nil:
		return ""
	case f.fault.Fault == fit.Inconsistent && f.bends():
		return "doubtful curve of something that bends, see the warning"
	case f.fault.Faulty() && f.fault.rating:
		return "FAULTY CURVE, believe none of this: see the warning"
	case f.fault.Faulty():
		return "faulty curve, see the warning"
	case f.fault.rating:
		return "doubtful curve, see the warning"
	}
	return ""
}

func (c *curveFault) object() *curveFaultObject {
	if c == nil {
		return nil
	}
	times := func(by, v float64) *float64 {
		v *= by
		return &v
	}
	o := &curveFaultObject{Fault: c.Fault.String(), Changes: c.rating}
	switch c.Fault {
	case fit.GainStep:
		o.Hz, o.Level = &c.AtHz, times(100, c.Size)
	case fit.PhaseStep, fit.PhaseError:
		o.Hz, o.Phase = &c.AtHz, times(180/math.Pi, c.Size)
	case fit.Drift:
		o.Level, o.Phase = times(100, c.Size), times(180/math.Pi, c.Phase())
	case fit.Inconsistent:
		o.Hz, o.Level = &c.WorstHz, &c.Percent
	}
	if c.re != nil {
		o.Re = times(100, *c.re)
	}
	return o
}
