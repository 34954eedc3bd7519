package plot

import (
	"bytes"
	"strings"
	"testing"
)

func TestJigDrawing(t *testing.T) {
	svg := written(t, JigDrawing{SenseOhm: 33}, SVG)
	for _, want := range []string{">33 ohm<", ">load<", ">input 1<", ">input 2<", "sense resistor of 33 ohm"} {
		if !strings.Contains(svg, want) {
			t.Errorf("the drawing has no %q", want)
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
