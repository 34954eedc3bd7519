package report

import (
	"fmt"

	"tapload/fixtures/amp"
	"tapload/measure/quantity"
)

// pluggingOne is plugging for a cabinet that needs no box.
func (r jobPage) pluggingOne() Section {
	text := fmt.Sprintf("Plug %s into the amplifier by itself; no box is needed.", r.Tree.Load)
	switch h := r.Hookup; {
	case len(r.Dead()) > 0:
		text = fmt.Sprintf("Do not plug %s in before its drivers are checked: most likely one is dead.", r.Tree.Load)
	case h != nil && !h.Suits:
		text = fmt.Sprintf("%s does not suit this amplifier %s: do not run it so.", r.Tree.Load, h.OnTap())
	case h != nil && h.Amplifier.Kind == amp.Valve:
		text += fmt.Sprintf(" Use the %s ohm tap of the amplifier, and no other.", quantity.Ohms(h.TapOhm))
	}
	s := Section{Heading: "How to plug it together", Pieces: []Piece{Words(text)}}
	if h := r.Job.Hookup; h != nil && h.Why != "" {
		s.Pieces = append(s.Pieces, Words("Why this one: "+h.Why+"."))
	}
	return s
}
