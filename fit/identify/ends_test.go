package identify

import (
	"context"
	"testing"

	"tapload/fixtures/bench/foreign"
	"tapload/measure"
	"tapload/measure/record"
	"tapload/measure/stopping"
)

// What a record is of was worked out to the end after Ctrl-C, and then the load
// was said to have no fit.
func TestRecordsEndWithTheirContext(t *testing.T) {
	c := foreign.Kinds()[2].Draw(1).Curve(0)
	for i := range c.Points[len(c.Points)/2:] {
		c.Points[len(c.Points)/2+i].Z *= 1.05 // a fault, so that more is fitted
	}
	rec := record.Record{Label: "cab", Curve: c}
	stopping.Check(t, func(ctx context.Context) error {
		swept, err := Sweep(ctx, rec, measure.Summary{})
		if err == nil && swept.Load.Fault == nil {
			t.Error("no fault was found")
		}
		return err
	})
}
