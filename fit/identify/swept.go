package identify

import (
	"context"
	"encoding/json"
	"slices"

	"tapload/measure"
	"tapload/measure/impedance"
	"tapload/measure/record"
)

// Swept is a sweep and what it says its load is.
type Swept struct {
	measure.Summary
	Load *Result // nil where the curve is none of a load; Warnings say so
}

// Sweep says what the load of a record is, beside its summary. Warnings of the
// sweep stand before those of the load. The error is that of ctx.
func Sweep(ctx context.Context, rec record.Record, s measure.Summary) (Swept, error) {
	swept := Swept{Summary: s}
	r, err := Record(ctx, rec, Options{})
	if ctx.Err() != nil {
		return swept, ctx.Err()
	}
	if err != nil {
		swept.Warnings = append(slices.Clone(s.Warnings), impedance.Warning{Code: "no-load", Text: "what it is cannot be said: " + err.Error()})
		return swept, nil
	}
	swept.Load = &r
	swept.Warnings = slices.Clone(s.Warnings)
	for _, w := range r.Warnings {
		if !slices.ContainsFunc(s.Warnings, func(has impedance.Warning) bool { return has.Text == w.Text }) {
			swept.Warnings = append(swept.Warnings, w)
		}
	}
	return swept, nil
}

// MarshalJSON adds to the summary the first line of the load, its rating and the
// highest tap that it is safe on, in ohm, null where there is none.
func (s Swept) MarshalJSON() ([]byte, error) {
	o := struct {
		measure.Summary
		Answer   string   `json:"answer,omitempty"`
		RatedOhm *float64 `json:"rated_ohm"`
		TapOhm   *float64 `json:"tap_ohm"`
	}{Summary: s.Summary}
	if r := s.Load; r != nil {
		o.Answer = r.Headline()
		if r.Rating.Ohm > 0 {
			o.RatedOhm = &r.Rating.Ohm
		}
		if tap := r.Tap(); tap > 0 {
			o.TapOhm = &tap
		}
	}
	return json.Marshal(o)
}
