package measure

import (
	"context"
	"fmt"
	"math"
	"slices"

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

const (
	onsetBlocks = 22   // of contactBlocks in which the sound has risen, and some
	onsetMost   = 9.0  // s of the beginning that can be read
	gainMoves   = 0.06 // relative, 0.5 dB
	gainTakes   = 10   // blocks between the ends of a move that is none of a plug, 55 ms
)

// gains returns a Fault where an input's gain moved when the sound began, as
// automatic gain does: gradually, where a plug would have done it at once. Frame end
// is that of the first window that is steady.
func (l *live) gains(ctx context.Context, end int64, rec card.Recording) error {
	if float64(end) > onsetMost*float64(l.signal.Rate()) {
		return nil
	}
	v := [2][]float64{make([]float64, end), make([]float64, end)}
	if err := l.stream.Read(0, v[0], v[1]); err != nil {
		return err
	}
	for ch, x := range v {
		// Each block as so many times the same block of the last period, and what
		// that leaves of it: with another load it has another shape.
		last := end*contactBlocks/int64(l.opened.period) - 1
		var r, left []float64
		for b := range last {
			same := last - contactBlocks + (b-last%contactBlocks+contactBlocks)%contactBlocks
			g, rest := scaled(x[l.opened.bound(b):l.opened.bound(b+1)], x[l.opened.bound(same):l.opened.bound(same+1)])
			r, left = append(r, g), append(left, rest)
		}
		from := slices.IndexFunc(r, func(r float64) bool { return r > 0.25 }) + onsetBlocks
		quiet := int(last) - contactBlocks - contactBlocks/2 // from where on all is steady
		if from < onsetBlocks || from >= quiet {
			continue
		}
		begin, between, scatter := r[from]-1, 0, 0.0
		for i, x := range r[from:] {
			if part := (x - 1) / begin; part > 0.2 && part < 0.8 && left[from+i] < math.Abs(begin)/10 {
				between++
			}
			if from+i >= quiet {
				scatter = max(scatter, math.Abs(x-1))
			}
		}
		if math.Abs(begin) > max(gainMoves, 3*scatter) && between >= gainTakes {
			return &card.Fault{
				Cause:  card.AutomaticGain,
				Text:   fmt.Sprintf("the gain of input %d moved when the sound began, by %+.1f dB", rec.Inputs[ch], -20*math.Log10(r[from])),
				Advice: remedy(l.Card, card.AutomaticGain.String(), processing),
			}
		}
	}
	return ctx.Err()
}

// scaled returns how many times y makes x best, and the rms of what that leaves, over
// that of y.
func scaled(x, y []float64) (times, left float64) {
	n := min(len(x), len(y))
	var xx, xy, yy float64
	for i, v := range x[:n] {
		xx, xy, yy = xx+v*v, xy+v*y[i], yy+y[i]*y[i]
	}
	if yy == 0 {
		return 0, 1
	}
	return xy / yy, math.Sqrt(max(0, xx-xy*xy/yy) / yy)
}
