package measure

import (
	"encoding/json"
	"math"
)

// Opened is what a live view has seen of contacts that opened and closed again, as
// one of a worn jack or a broken lead does.
type Opened struct {
	Count int
	// WorstOhm is the resistance that came in series at the worst of it, in ohm,
	// good to some ten per cent: +Inf where no current was left, 0 where none
	// opened.
	WorstOhm float64
}

// MarshalJSON gives null for an open that left no current.
func (o Opened) MarshalJSON() ([]byte, error) {
	out := struct {
		Count int      `json:"count"`
		Worst *float64 `json:"worst_ohm"`
	}{Count: o.Count}
	if !math.IsInf(o.WorstOhm, 1) {
		out.Worst = &o.WorstOhm
	}
	return json.Marshal(out)
}

const (
	contactBlocks = 128 // a period, of 5.5 ms each

	// A contact has opened where the whole loop's resistance rises by this part,
	// and has closed where it is back within half of it: some ohms, far above what
	// noise and hum do to a block, ours.
	contactOpens = 0.1

	closedBlocks  = 4   // in a row, after which it stays closed
	longestOpened = 1.0 // s, after which it is another load, or none
)

// contact watches for contacts that open. The current and the voltage at the load
// are looked at block by block, each beside the same part of the period as it was
// while all was steady.
type contact struct {
	senseOhm float64
	period   int
	usual    [contactBlocks]swing // of each block; 0 where not known yet
	next     int64                // block to be looked at
	blocks   int                  // since the contact opened, 0 while it has not
	closed   int                  // of those in a row at the end
	worst    float64              // ohm
	found    Opened
}

func newContact(senseOhm float64, period int) contact {
	return contact{senseOhm: senseOhm, period: period}
}

// bound returns the frame at which a block begins.
func (c *contact) bound(block int64) int64 {
	return block/contactBlocks*int64(c.period) + block%contactBlocks*int64(c.period)/contactBlocks
}

// follow looks at the blocks of the frames v, from frame from on, that it has not
// seen yet, and returns the worst of each contact that opened and closed, in ohm.
// Blocks before whole may be spoilt.
func (c *contact) follow(from, whole int64, v [2][]float64) (worst []float64) {
	if c.bound(c.next) < max(from, whole) {
		c.blocks, c.next = 0, max(from, whole)*contactBlocks/int64(c.period)+1
	}
	for ; c.bound(c.next+1) <= from+int64(len(v[0])); c.next++ {
		at, end := c.bound(c.next)-from, c.bound(c.next+1)-from
		if usual := c.usual[c.next%contactBlocks]; usual.z > 0 {
			if c.look(c.senseOhm*swingOf(v, at, end).above(usual), c.senseOhm*usual.z) {
				worst = append(worst, c.worst)
			}
		}
	}
	return worst
}

// look judges a block by the ohms that it has more than usual, and reports whether
// a contact that had opened is closed again.
func (c *contact) look(rise, usual float64) bool {
	loop := c.senseOhm + usual
	switch {
	case c.blocks == 0 && rise < contactOpens*loop:
		return false
	case c.blocks == 0:
		c.worst, c.closed = 0, 0
	}
	c.blocks++
	if c.worst = max(c.worst, rise); math.Abs(rise) > contactOpens/2*loop {
		c.closed = 0
	} else if c.closed++; c.closed == closedBlocks {
		c.blocks = 0
		if c.worst > c.senseOhm*openAbove/(1-openAbove) {
			c.worst = math.Inf(1)
		}
		c.found = Opened{c.found.Count + 1, max(c.found.WorstOhm, c.worst)}
		return true
	}
	if seconds := float64(c.blocks) / contactBlocks * livePeriod; seconds > longestOpened {
		c.blocks, c.usual = 0, [contactBlocks]swing{}
	}
	return false
}

// learn takes the steady window v, from frame from on, which follow was given last,
// for the usual.
func (c *contact) learn(from int64, v [2][]float64) {
	if c.blocks > 0 {
		return
	}
	for b := c.next - contactBlocks; b < c.next; b++ {
		c.usual[b%contactBlocks] = swingOf(v, c.bound(b)-from, c.bound(b+1)-from)
	}
}

// swing is how V2 compares over a block with the drop V1 - V2 that the current
// makes of the sense resistor: by their rms, and the part that is in phase.
type swing struct{ z, r float64 }

func swingOf(v [2][]float64, from, to int64) swing {
	n := float64(to - from)
	var s1, s2, d2, v2, dv float64
	for i := from; i < to; i++ {
		x := v[1][i]
		d := v[0][i] - x
		s1, s2, d2, v2, dv = s1+d, s2+x, d2+d*d, v2+x*x, dv+d*x
	}
	d2, v2, dv = d2-s1*s1/n, v2-s2*s2/n, dv-s1*s2/n // about their means
	d2 = max(d2, math.SmallestNonzeroFloat64)
	return swing{math.Sqrt(max(0, v2) / d2), dv / d2}
}

// above returns what came in series with usual to make s, over the sense resistor:
//
//	|z|^2 = |usual + rise|^2 = usual.z^2 + 2 rise usual.r + rise^2.
func (s swing) above(usual swing) float64 {
	return math.Sqrt(max(0, usual.r*usual.r+s.z*s.z-usual.z*usual.z)) - usual.r
}
