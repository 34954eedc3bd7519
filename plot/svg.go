package plot

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgsvg"

	"tapload/measure/oneline"
)

// A fluid picture has in SVG a second layout of the same shape for narrow
// screens, whose text is not below phoneText there; it takes the place of the
// first where the picture, or the page that it stands in, is at most narrowPX wide.
const (
	phonePX   = 390.
	phoneText = 11.
	narrowPX  = 660
	pointsPX  = 0.75 // points in a CSS pixel
)

// writeSVG writes p with a name for screen readers, colours for dark screens,
// and texts that keep their width whatever font the viewer has.
func (p Picture) writeSVG(w io.Writer) error {
	tag, wide, err := p.layout(p.pen)
	if err != nil {
		return err
	}
	class, narrow := "drawing", ""
	if p.fluid {
		small := p
		scale := phonePX * pointsPX / p.width.Points()
		small.width, small.height = p.width*vg.Length(scale), p.height*vg.Length(scale)
		_, body, err := small.layout(func(c vg.Canvas) pen {
			return penOf(c, small.width, small.height, phoneText*pointsPX/noteSize)
		})
		if err != nil {
			return err
		}
		class = "chart"
		wide = `<g class="wide">` + wide + "</g>\n"
		narrow = fmt.Sprintf("<g class=\"narrow\" display=\"none\" transform=\"scale(%.6g, %.6g)\">%s</g>\n", 1/scale, 1/scale, body)
	}
	fmt.Fprintf(w, `<?xml version="1.0" encoding="UTF-8"?>`+"\n"+`<svg %s class="%s" role="img" aria-label="%s">`, tag, class, html.EscapeString(oneline.Harmless(p.about)))
	if p.title != "" {
		fmt.Fprintf(w, "\n<title>%s</title>", html.EscapeString(oneline.Harmless(p.title)))
	}
	_, err = fmt.Fprintf(w, "\n<style>%s</style>\n"+`<rect class="paper" width="100%%" height="100%%" fill="#FFFFFF"/>`+"\n%s%s</svg>\n", svgStyle, wide, narrow)
	return err
}

// layout draws p and returns the attributes of its svg element and what is in it.
func (p Picture) layout(of func(vg.Canvas) pen) (tag, body string, err error) {
	c := vgsvg.New(p.width, p.height)
	p.draw(of(c))
	var buf bytes.Buffer
	if _, err := c.WriteTo(&buf); err != nil {
		return "", "", err
	}
	_, rest, _ := strings.Cut(buf.String(), "<svg ")
	tag, body, _ = strings.Cut(rest, ">")
	body = strings.TrimSuffix(strings.TrimSpace(body), "</svg>")
	return tag, svgText.ReplaceAllStringFunc(body, fixedWidth), nil
}

// svgText matches a text as vgsvg writes it. Quotes and brackets within labels
// are escaped, so it can match nothing else.
var svgText = regexp.MustCompile(`<text ([^>]*?)\s+style="font-family:` + family + `;font-variant:normal;font-weight:(\w+);font-style:normal;font-size:([\d.]+)px([^"]*)">([^<]*)</text>`)

// fixedWidth gives a text the width that it has in the font of charts, and fonts
// of nearly that width to choose from.
func fixedWidth(text string) string {
	m := svgText.FindStringSubmatch(text)
	at, weight, size, colour, words := m[1], m[2], m[3], m[4], m[5]
	points, _ := strconv.ParseFloat(size, 64)
	face := sans(xfont.WeightNormal, vg.Length(points))
	if weight == "bold" {
		face = sans(xfont.WeightBold, vg.Length(points))
	}
	width := textWidth(face, html.UnescapeString(words))
	return fmt.Sprintf(`<text %s textLength="%.4g" lengthAdjust="spacingAndGlyphs" style="font-family:%s,Arial,Helvetica,sans-serif;font-weight:%s;font-size:%spx%s">%s</text>`,
		at, width, family, weight, size, colour, words)
}

// textWidth is the width of s in points as it is drawn.
func textWidth(f font.Face, s string) float64 { return f.Width(drawable(f, s)).Points() }

// svgStyle are the rules of an SVG, which in a page hold for all of them alike.
var svgStyle = func() string {
	var b strings.Builder
	fmt.Fprintf(&b, "@media (max-width:%dpx){svg.chart>.wide{display:none}svg.chart>.narrow{display:inline}}\n", narrowPX)
	b.WriteString("@media screen and (prefers-color-scheme:dark){svg[role=img]{color-scheme:dark}svg[role=img]>.paper{fill:#16181A}")
	for _, c := range onDark {
		dark := hex(c.dark, 0xFF)
		var lights []string
		for _, alpha := range []uint8{0xFF, 0xA0, 0x90, 0x80, 0x38, 0x12} { // those that charts and drawings have
			if light := hex(c.light, alpha); !slices.Contains(lights, light) {
				lights = append(lights, light)
			}
		}
		for _, light := range lights {
			for _, part := range []string{"fill", "stroke"} {
				fmt.Fprintf(&b, "svg[role=img] [style*=\"%s:%s\"]{%s:%s!important}", part, light, part, dark)
			}
		}
	}
	b.WriteString("}")
	return b.String()
}()

// hex is a colour as vgsvg writes it, which rounds one that is translucent.
func hex(c color.Color, alpha uint8) string {
	n := color.NRGBAModel.Convert(c).(color.NRGBA)
	n.A = alpha
	r, g, b, a := n.RGBA()
	part := func(v uint32) int { return int(float64(v) * (255 / float64(a))) }
	return fmt.Sprintf("#%02X%02X%02X", part(r), part(g), part(b))
}

// onDark are the colours that must change for a dark screen.
var onDark = []struct{ light, dark color.Color }{
	{ink, color.Gray{Y: 0xEC}},
	{quietInk, color.Gray{Y: 0xB8}},
	{levelInk, color.Gray{Y: 0xA8}},
	{frameGrey, color.Gray{Y: 0x90}},
	{gridMajor, color.Gray{Y: 0x44}},
	{gridMinor, color.Gray{Y: 0x2A}},
	{paper, color.NRGBA{R: 0x16, G: 0x18, B: 0x1A, A: 0xFF}},
	{lugInk, color.Gray{Y: 0x20}},
	{chassisGrey, color.Gray{Y: 0x34}},
	{metalGrey, color.Gray{Y: 0x70}},
	{ampFace, color.Gray{Y: 0x38}},
	{boxFace, color.NRGBA{R: 0x4C, G: 0x3B, B: 0x14, A: 0xFF}},
	{hues[0], color.NRGBA{R: 0x4F, G: 0xA8, B: 0xE8, A: 0xFF}},
	{hues[1], color.NRGBA{R: 0xFF, G: 0x86, B: 0x3C, A: 0xFF}},
	{hues[2], color.NRGBA{R: 0x1F, G: 0xC0, B: 0x92, A: 0xFF}},
	{hues[3], color.Gray{Y: 0xF0}},
}
