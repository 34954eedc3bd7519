package measure

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"

	"tapload/measure/ratio"
	"tapload/measure/signal"
)

// Aim says how sure stepped tones are to become. They are played in rounds: the
// first with the dwells of the signal itself; what it shows of noise and
// ringing says which tones the next one plays again, how long they settle and
// how long they dwell.
type Aim struct {
	Wanted  float64 // of |Z| at every tone, relative, as people read it (k = 2), noise alone
	Seconds float64 // of sound in all rounds together; the first one is always played whole
}

// Check returns an error that names what makes no aim.
func (a Aim) Check() error {
	switch {
	case !(a.Wanted > 0 && a.Wanted < 1):
		return fmt.Errorf("wanted uncertainty of %g %% must be above 0 and below 100 %%", 100*a.Wanted)
	case !(a.Seconds > 0):
		return fmt.Errorf("time limit of %g s must be above 0", a.Seconds)
	}
	return nil
}

const (
	mostRounds  = 6
	shortRound  = 2.0 // s, below which what is left of the time is not worth a round
	dwellAmple  = 1.1 // since a measured uncertainty scatters by some per cent itself
	unheardMore = 4   // times the dwell for a tone that was not heard at all

	// settleLonger times the settling, and what rang on into the dwell, is the
	// next round's.
	settleLonger = 2
)

// tone is what all rounds so far say of one tone.
type tone struct {
	step  signal.Step // as played last
	point ratio.Point
	heard bool
	rings bool // its load still rang when the dwell began, in every round
	dwell int  // samples in all rounds that count

	shared map[string]complex128 // what the point has in common with others, by ID
}

// off returns by how many times the tone's uncertainty is above the wanted one.
func (t tone) off(wanted float64) float64 {
	if !t.heard {
		return math.Inf(1)
	}
	return 2 * t.point.RelativeU() / wanted
}

// inRounds plays tones until each is as sure as s.Aim wants it, or the time is
// over. The recording it returns is the first one. Judge sees what every
// recording says before the next is made.
func inRounds(ctx context.Context, s Setup, first signal.Tones, judge judge) (taken, error) {
	if err := s.Aim.Check(); err != nil {
		return taken{}, err
	}
	all, err := once(ctx, s, first, judge)
	if err != nil {
		return taken{}, err
	}
	g := &all.ratio
	tones := map[float64]*tone{}
	for _, step := range first.Steps() {
		tones[step.Hz(first.RateHz)] = &tone{step: step, rings: true}
	}
	played := signal.Rounds{first}
	take(tones, *g, first)
	left := s.Aim.Seconds - seconds(first)
	s.Keep = nil // of the rounds only the first is what the signal's law says
	for len(played) < mostRounds && left > shortRound {
		next, ok, err := nextRound(tones, first, *s.Aim, left)
		if err != nil {
			return taken{}, err
		}
		if !ok {
			break
		}
		round, err := once(ctx, s, next, judge)
		if err != nil {
			return taken{}, fmt.Errorf("round %d of the tones: %w", len(played)+1, err)
		}
		take(tones, round.ratio, next)
		g.Seen.Late += round.ratio.Seen.Late
		played = append(played, next)
		left -= seconds(next)
	}

	g.Points, g.Shared, g.Seen.Ringing, g.Seen.LeftOut = nil, nil, nil, 0
	for _, hz := range slices.Sorted(maps.Keys(tones)) {
		t := tones[hz]
		if !t.heard {
			g.Seen.LeftOut++
			continue
		}
		g.Points = append(g.Points, t.point)
		if t.rings {
			g.Seen.Ringing = append(g.Seen.Ringing, hz)
		}
		if off := t.off(s.Aim.Wanted); off > 1 {
			g.Seen.Short = append(g.Seen.Short, ratio.Precision{Hz: hz, U: t.point.RelativeU()})
		}
	}
	g.Shared = shared(tones, g.Points)
	if len(played) > 1 {
		all.played = played
	}
	return all, nil
}

func seconds(t signal.Tones) float64 { return float64(t.Len()) / float64(t.RateHz) }

// shared returns what the points of all tones have in common, by ID.
func shared(tones map[float64]*tone, points []ratio.Point) (all []ratio.Shift) {
	ids := map[string]bool{}
	for _, t := range tones {
		for id := range t.shared {
			ids[id] = true
		}
	}
	for _, id := range slices.Sorted(maps.Keys(ids)) {
		s := ratio.Shift{ID: id, DG: make([]complex128, len(points))}
		for i, p := range points {
			s.DG[i] = tones[p.Hz].shared[id]
		}
		all = append(all, s)
	}
	return all
}

// take adds what a round says to the tones that it played. A tone whose load
// had come to rest displaces one whose load still rang.
func take(tones map[float64]*tone, g ratio.Ratio, round signal.Tones) {
	ringing := map[float64]bool{}
	for _, hz := range g.Seen.Ringing {
		ringing[hz] = true
	}
	points := map[float64]ratio.Point{}
	common := map[float64]map[string]complex128{}
	for i, p := range g.Points {
		points[p.Hz], common[p.Hz] = p, map[string]complex128{}
		for _, s := range g.Shared {
			common[p.Hz][s.ID] = s.DG[i]
		}
	}
	for _, step := range round.Steps() {
		hz := step.Hz(round.RateHz)
		t := tones[hz]
		t.step = step
		p, heard := points[hz]
		switch rings := ringing[hz]; {
		case !heard:
		case !t.heard || t.rings && !rings:
			t.point, t.heard, t.rings, t.dwell = p, true, rings, step.Dwell()
			t.shared = common[hz]
		case rings && !t.rings:
		default:
			w := complex(t.point.Share(p), 0)
			for id, d := range t.shared {
				t.shared[id] = (1 - w) * d
			}
			for id, d := range common[hz] {
				t.shared[id] = w * d // every recording has IDs of its own
			}
			t.point, t.dwell = t.point.Mean(p), t.dwell+step.Dwell()
		}
	}
}

// nextRound returns the tones to play again within the given seconds, and
// whether there are any.
func nextRound(tones map[float64]*tone, first signal.Tones, aim Aim, left float64) (signal.Tones, bool, error) {
	type more struct {
		step signal.Step
		want float64 // blocks
		off  float64
	}
	var again []more
	for _, hz := range slices.Sorted(maps.Keys(tones)) {
		t := tones[hz]
		m := more{step: t.step, off: t.off(aim.Wanted)}
		switch {
		case !t.heard:
			m.want = unheardMore * float64(t.step.Blocks)
		case t.rings:
			m.step.Settle = settleLonger*t.step.Settle + t.step.Dwell()/2
			// The halves that were left out count for nothing, and this round
			// displaces those before it.
			m.want = math.Ceil(dwellAmple * m.off * m.off * float64(t.dwell) / float64(t.step.Block))
		case m.off > 1:
			m.want = math.Ceil((dwellAmple*m.off*m.off - 1) * float64(t.dwell) / float64(t.step.Block))
		default:
			continue
		}
		m.want = max(1, m.want)
		again = append(again, m)
	}
	if len(again) == 0 {
		return signal.Tones{}, false, nil
	}

	// Where the time is short the tones that are furthest off come first, and
	// all dwells shrink alike.
	budget := int(left * float64(first.RateHz))
	slices.SortStableFunc(again, func(a, b more) int {
		switch {
		case a.off > b.off:
			return -1
		case a.off < b.off:
			return 1
		}
		return 0
	})
	round := func(count int, part float64) []signal.Step {
		steps := make([]signal.Step, count)
		for i, m := range again[:count] {
			steps[i] = m.step
			steps[i].Blocks = int(max(1, min(m.want, float64(budget))*part))
		}
		slices.SortFunc(steps, func(a, b signal.Step) int { return a.Cycles*b.Block - b.Cycles*a.Block })
		return steps
	}
	fits := func(count int, part float64) bool {
		n := first.EmptyLen()
		for _, s := range round(count, part) {
			n += s.Settle + s.Dwell() + first.Overhead()
			if n > budget {
				return false
			}
		}
		return true
	}
	count := len(again)
	for count > 0 && !fits(count, 0) {
		count--
	}
	if count == 0 {
		return signal.Tones{}, false, nil
	}
	part := 1.0
	if !fits(count, 1) {
		low, high := 0.0, 1.0
		for range 30 {
			if part = (low + high) / 2; fits(count, part) {
				low = part
			} else {
				high = part
			}
		}
		part = low
	}
	next, err := first.Again(round(count, part))
	return next, true, err
}
