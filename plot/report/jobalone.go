package report

import (
	"fmt"

	"tapload/fixtures/amp"
	"tapload/measure/quantity"
)

// pluggingOne is plugging for a cabinet that needs no box.
func (r jobPage) pluggingOne() Section {
	text := fmt.Sprintf("Plug %s into the amplifier by itself; no box is needed.", r.Tree.Load)
	if r.Hookup != nil && r.Hookup.Amplifier.Kind == amp.Valve {
		text += fmt.Sprintf(" Use the %s ohm tap of the amplifier, and no other.", quantity.Ohms(r.Hookup.TapOhm))
	}
	s := Section{Heading: "How to plug it together", Pieces: []Piece{Words(text)}}
	if h := r.Job.Hookup; h != nil && h.Why != "" {
		s.Pieces = append(s.Pieces, Words("Why this one: "+h.Why+"."))
	}
	return s
}
