package plot

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"tapload/plot/plottest"
)

func TestJigDrawing(t *testing.T) {
	svg := written(t, JigDrawing{SenseOhm: 33}, SVG)
	for _, want := range []string{">33 ohm<", ">load<", ">input 1<", ">input 2<", "sense resistor of 33 ohm", ">screen of lead 1<", ">screen of lead 2<", ">Caution<", "lethal voltage", ">Wiring of the jig<"} {
		if !strings.Contains(svg, want) {
			t.Errorf("the drawing has no %q", want)
		}
	}
	for _, p := range plottest.Problems([]byte(svg), 0) {
		t.Error(p)
	}
	layouts, err := plottest.Read([]byte(svg))
	if err != nil {
		t.Fatal(err)
	}
	if w, h := layouts[0].Width*25.4/72, layouts[0].Height*25.4/72; math.Abs(w-297) > 0.1 || math.Abs(h-210) > 0.1 {
		t.Errorf("the sheet has %.1f by %.1f mm, and A4 has 297 by 210", w, h)
	}
	for _, text := range layouts[0].Texts {
		if text.Size < 11 {
			t.Errorf("%q has %.3g points, too few to read on a wall", text.Words, text.Size)
		}
	}
	brief := written(t, JigDrawing{SenseOhm: 10, Brief: true}, SVG)
	for _, p := range plottest.Problems([]byte(brief), 0) {
		t.Errorf("for a telephone: %s", p)
	}
	if layouts, err = plottest.Read([]byte(brief)); err != nil {
		t.Fatal(err)
	}
	if w := layouts[0].Width * 25.4 / 72; math.Abs(w-95) > 0.1 || strings.Contains(brief, ">P<") || !strings.Contains(brief, ">screen of lead 2<") {
		t.Errorf("for a telephone it is %.1f mm wide, or shows what only the sheet explains", w)
	}
	for _, text := range layouts[0].Texts {
		if text.Size < 7.5 {
			t.Errorf("%q has %.3g points, too few for a telephone", text.Words, text.Size)
		}
	}
	if svg := written(t, JigDrawing{SenseOhm: 0.47}, SVG); !strings.Contains(svg, ">0.47 ohm<") {
		t.Error("another resistor is not drawn")
	}
	var out bytes.Buffer
	if err := Write(&out, SVG, JigDrawing{}); err == nil || out.Len() > 0 {
		t.Errorf("a resistor of 0 ohm: %v, and %d bytes were written", err, out.Len())
	}
}
