package identify

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tapload/fit"
	"tapload/fit/rating"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
)

// Fault is what no load could give in a curve, and what it matters.
type Fault struct {
	fit.KKResult `json:"-"`

	Name          string   `json:"fault"`
	Hz            *float64 `json:"hz"`             // of a step, where a phase error is largest, or where most is unexplained
	Level         *float64 `json:"level_percent"`  // by how much |Z| steps or drifts, or the rms that is unexplained
	Degrees       *float64 `json:"phase_degrees"`  // by how much the phase steps or is off
	Re            *float64 `json:"re_percent"`     // by how much taking the fault out would change Re, the largest of what it may be; nil where not known
	ChangesRating bool     `json:"changes_rating"` // taking the fault out would change the rating
}

// test looks for what no load could give in the curve of r, which has been
// fitted and rated, and for what that matters. The error is that of ctx.
func (r *Result) test(ctx context.Context, reOhm float64, band rating.Options) error {
	kk, err := fit.KK(ctx, r.Record.Curve, r.Load)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		r.doubts = append(r.doubts, impedance.Warning{Code: "kk-untested", Text: "nothing has tested whether the curve can be that of a load: " + err.Error()})
		return nil
	}
	r.KK = &kk
	w, faulty := kk.Warning()
	if !faulty {
		return nil
	}
	if r.Fault, err = r.matters(ctx, reOhm, band); err != nil {
		return err
	}
	if kk.Fault == fit.Inconsistent && r.bends() {
		w.Text = fmt.Sprintf("no linear load gives this curve: %.2g %% is left, most at %.4g Hz; its record says that the load or an input bends at this level, so sweep quieter before anything else", kk.Percent, kk.WorstHz)
	}
	w.Text += r.Fault.effect()
	r.doubts = append(r.doubts, w)
	return nil
}

// matters fits and rates the curve of r without its fault, in every way that the
// fault leaves open. The error is that of ctx.
func (r *Result) matters(ctx context.Context, reOhm float64, band rating.Options) (*Fault, error) {
	f := &Fault{KKResult: *r.KK, ChangesRating: r.KK.Fault == fit.PhaseSign}
	for _, without := range r.KK.Without(r.Record.Curve) {
		load := r.Load
		if r.KK.Fault != fit.Inconsistent {
			again, err := fit.Curve(ctx, without, fit.Options{PinnedRe: reOhm, Models: []fit.Model{r.Load.Model}})
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			if err == nil {
				load = again
				if by := 100 * (again.Re.Value/r.Load.Re.Value - 1); f.Re == nil || math.Abs(by) > math.Abs(*f.Re) {
					f.Re = &by
				}
			}
		}
		rated, err := rating.Of(without, load, band)
		if err != nil || rated.Verdict != r.Rating.Verdict || !slices.Equal(rated.Candidates, r.Rating.Candidates) {
			f.ChangesRating = true
		}
	}
	f.Name = f.KKResult.Fault.String()
	percent, degrees := 100*f.Size, 180/math.Pi*f.Size
	switch f.KKResult.Fault {
	case fit.GainStep:
		f.Hz, f.Level = &f.AtHz, &percent
	case fit.PhaseStep, fit.PhaseError:
		f.Hz, f.Degrees = &f.AtHz, &degrees
	case fit.Drift:
		degrees = 180 / math.Pi * f.Phase()
		f.Level, f.Degrees = &percent, &degrees
	case fit.Inconsistent:
		f.Hz, f.Level = &f.WorstHz, &f.Percent
	}
	return f, nil
}

// effect says what the fault matters, behind the sentence that names it.
func (f *Fault) effect() string {
	if f.KKResult.Fault == fit.PhaseSign {
		return ""
	}
	rated := "the rating stays without it"
	if f.ChangesRating {
		rated = "the rating may be another without it"
	}
	if f.Re == nil {
		return "; " + rated
	}
	return fmt.Sprintf("; it moves Re by %s at most, and %s", quantity.Rest(math.Abs(*f.Re)/100), rated)
}

// doubt is what the first line says of a curve that no load could give, or "".
// What leaves the rating as it is, and need not be a fault, is for the warnings.
// A drift may be a phase that is off, which moves no rating.
func (r Result) doubt() string {
	switch f := r.Fault; {
	case f == nil:
		return ""
	case f.KKResult.Fault == fit.Inconsistent && r.bends():
		return "doubtful curve of something that bends, see the warning"
	case f.Faulty() && f.ChangesRating:
		return "FAULTY CURVE, believe none of this: see the warning"
	case f.Faulty():
		return "faulty curve, see the warning"
	case f.ChangesRating:
		return "doubtful curve, see the warning"
	}
	return ""
}
