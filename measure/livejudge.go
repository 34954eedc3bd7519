package measure

import (
	"context"
	"fmt"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/ratio"
)

const (
	// Blocks of a window that differ from the period before by so many times the
	// power that is usual in it hold a change. Slow noise alone does not scatter
	// so, as the square of a Gaussian value: once in 64 blocks at 11 times its
	// median, ours.
	standsOut = 30.0

	// Where all of a window differs by so much more, as power, than the windows
	// before, or by -60 dB of V1 where nothing is known yet, the change may be in its
	// middle, from where it moves on within four windows. Noise that rose stays.
	quietRises   = 100.0
	quietAtFirst = 1e-6
	movedOn      = 5 // windows in a row

	// Differences so far below the signal, as power, are the arithmetic's.
	negligibleChange = 1e-12
)

// quiet tells windows that hold one load from those that hold two.
//
// A window whose load changed at a moment has blocks that stand out, unless the
// change is near its middle: then all blocks differ, by far more than in the
// windows before. One that passes although it holds a change has no more of that
// than of noise, by which its points are unsure anyway.
type quiet struct {
	usual  [2]float64 // power of the differences in windows that were settled; 0 where none was yet
	raised int        // windows in a row in which nothing stands out and all is above that
}

func (q *quiet) settled(w *ratio.Window, v [2][]float64) bool {
	var usual [2]float64
	stands, up := false, false
	signal := card.RMS(v[0])
	for i := range v {
		r := w.Repeated(v[i])
		usual[i] = max(r.Usual, negligibleChange*signal*signal)
		stands = stands || r.Most > standsOut*usual[i]
		most := quietRises * q.usual[i]
		if most == 0 {
			most = quietAtFirst * signal * signal
		}
		up = up || usual[i] > most
	}
	switch {
	case stands:
		q.raised = 0
		return false
	case up:
		if q.raised++; q.raised < movedOn {
			return false
		}
	}
	q.usual, q.raised = usual, 0
	return true
}

// fault returns what is wrong with card, leads, jig or load, where a settled
// window shows that; looks is what it says is connected.
func (l *live) fault(ctx context.Context, g ratio.Ratio, looks jig.End, rec card.Recording) error {
	n := len(l.inside)
	if len(g.Points) < n/2 {
		other, err := l.window.Ratio(ctx, rec.V2, rec.V1)
		if err != nil {
			return err
		}
		if len(other.Points) < n/2 {
			return &card.Fault{
				Cause:  card.NoSignal,
				Text:   fmt.Sprintf("no sound: the test signal rises above the noise at %d of %d frequencies", len(g.Points), n),
				Advice: "check the lead from the output to the jig, and that the output is turned up and not muted",
			}
		}
	}
	if len(g.Points) < n/2 || g.Seen.Level[1] > deadBeside*g.Seen.Level[0] {
		return &card.Fault{
			Cause:  card.DeadInput,
			Text:   fmt.Sprintf("input %d hears next to nothing beside input %d", rec.Inputs[0], rec.Inputs[1]),
			Advice: "check the lead before the sense resistor, and that this input is switched on and turned up",
		}
	}
	if err := plausible(g, l.jig, rec); err != nil {
		return err
	}
	if looks.Kind == jig.OpenEnd {
		return &card.Fault{
			Cause:  card.OpenLoad,
			Text:   "this looks like an open end: both inputs hear the same",
			Advice: "check plug, lead and jack of the load",
		}
	}
	return nil
}

// deadBeside is how many times V2 is above V1 when V1 holds no more than crosstalk.
const deadBeside = 50
