package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tapload/plot/plottest"
)

// wide is a chart without its layout for narrow screens.
func wide(doc []byte) []byte {
	before, _, narrow := bytes.Cut(doc, []byte(`<g class="narrow"`))
	if !narrow {
		return doc
	}
	return append(slices.Clone(before), "</svg>"...)
}

// chartText is a text element of a chart, in points from the upper left corner.
type chartText struct {
	x, size  float64
	bold     bool
	turned   bool
	contents string
}

var number = regexp.MustCompile(`-?[0-9.]+(e[-+][0-9]+)?`)

// readSVG parses a chart: its texts, and all coordinates of its paths.
func readSVG(t interface{ Fatalf(string, ...any) }, doc []byte) (texts []chartText, xs, ys []float64, root map[string]string) {
	dec := xml.NewDecoder(bytes.NewReader(wide(doc)))
	root = map[string]string{}
	depth := 0
	var inText *chartText
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return texts, xs, ys, root
		}
		if err != nil {
			t.Fatalf("not well-formed XML: %v", err)
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			at := map[string]string{}
			for _, a := range tok.Attr {
				at[a.Name.Local] = a.Value
			}
			if tok.Name.Local == "g" {
				depth++
			}
			switch tok.Name.Local {
			case "svg":
				root = at
			case "title":
				inText = nil
			case "text":
				x, _ := strconv.ParseFloat(at["x"], 64)
				size, _ := strconv.ParseFloat(regexp.MustCompile(`font-size:([0-9.]+)px`).FindStringSubmatch(at["style"])[1], 64)
				if !strings.HasPrefix(at["style"], "font-family:Liberation Sans,Arial,Helvetica,sans-serif;") {
					t.Fatalf("text without the list of fonts: %s", at["style"])
				}
				texts = append(texts, chartText{x: x, size: size, turned: depth > 1, bold: strings.Contains(at["style"], "font-weight:bold")})
				inText = &texts[len(texts)-1]
			case "path":
				if strings.ContainsAny(at["d"], "AaNI") { // arcs of the marks; NaN and Inf
					if strings.Contains(at["d"], "N") || strings.Contains(at["d"], "I") {
						t.Fatalf("path with a number that is none: %s", at["d"])
					}
					continue
				}
				for i, n := range number.FindAllString(at["d"], -1) {
					v, err := strconv.ParseFloat(n, 64)
					if err != nil {
						t.Fatalf("path number %q: %v", n, err)
					}
					if i%2 == 0 {
						xs = append(xs, v)
					} else {
						ys = append(ys, v)
					}
				}
			}
		case xml.EndElement:
			if tok.Name.Local == "g" {
				depth--
			}
			inText = nil
		case xml.CharData:
			if inText != nil {
				inText.contents += string(tok)
			}
		}
	}
}

func contents(texts []chartText) []string {
	var s []string
	for _, t := range texts {
		s = append(s, t.contents)
	}
	return s
}

// Every text keeps the width that it has in the font of charts, whatever font the
// viewer has.
func TestTextsKeepTheirWidth(t *testing.T) {
	svg := string(render(t, demo(), SVG))
	texts, fixed := strings.Count(svg, "<text "), strings.Count(svg, ` textLength="`)
	if texts == 0 || texts != fixed {
		t.Errorf("%d of %d texts have a width of their own", fixed, texts)
	}
	m := regexp.MustCompile(`textLength="([\d.]+)"[^>]*>frequency \(Hz\)<`).FindStringSubmatch(svg)
	if m == nil {
		t.Fatal("the name of the axis is not there")
	}
	c := demo()
	p, err := c.OnPage()
	if err != nil {
		t.Fatal(err)
	}
	body := p.pen(nil).body
	if got, _ := strconv.ParseFloat(m[1], 64); math.Abs(got-body.Width("frequency (Hz)").Points()) > 0.05 {
		t.Errorf("the name of the axis is %g points wide, by its font %g", got, body.Width("frequency (Hz)").Points())
	}
}

// On a dark screen no colour of the strokes and texts is left dark, and no face that
// texts stand on is left light.
func TestNoDarkColourIsLeftOnDarkScreens(t *testing.T) {
	series := boxes(t, "a + b", true)
	for _, d := range []Drawable{demo(), hookupChart(), shareChart(), matchChart(), changed, beforeAndAfter(), JigDrawing{SenseOhm: 10},
		plugs(t, "(a + b) || c", 1), BoxDrawing{Box: series.Boxes[0]}, Schematic{Set: series, RatedOhm: eightOhm}} {
		svg := written(t, d, SVG)
		if strings.Contains(svg, `style="fill-opacity`) {
			t.Errorf("%T: a shade without a colour is black", d)
		}
		for _, m := range regexp.MustCompile(`[\s"](fill|stroke):#([0-9A-F]{6})`).FindAllStringSubmatch(svg, -1) {
			if strings.Contains(svgStyle, m[1]+":#"+m[2]+`"]`) {
				continue
			}
			n, err := strconv.ParseUint(m[2], 16, 32)
			if err != nil {
				t.Fatal(err)
			}
			r, g, b := float64(n>>16), float64(n>>8&0xFF), float64(n&0xFF)
			if bright := 0.2126*r + 0.7152*g + 0.0722*b; bright < 100 || bright > 200 { // weights of ITU-R BT.709, from memory
				t.Errorf("%T: %s #%s stays as it is on a dark screen", d, m[1], m[2])
			}
		}
	}
}

// A chart has a layout for narrow screens, whose text is readable at 390 pixels;
// a drawing has none.
func TestNarrowLayout(t *testing.T) {
	chart, err := plottest.Read(render(t, demo(), SVG))
	if err != nil {
		t.Fatal(err)
	}
	if len(chart) != 2 || math.Abs(chart[1].Width/pointsPX-phonePX) > 0.5 {
		t.Fatalf("the chart has the layouts %+v", chart)
	}
	for _, text := range chart[1].Texts {
		if text.Size/pointsPX < phoneText-0.01 {
			t.Errorf("%q has %.3g pixels", text.Words, text.Size/pointsPX)
		}
	}
	if drawing, err := plottest.Read([]byte(written(t, JigDrawing{SenseOhm: 10}, SVG))); err != nil || len(drawing) != 1 {
		t.Errorf("the drawing has %d layouts, %v", len(drawing), err)
	}
}
