package plot

import (
	"image/color"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// family is the name that the font files give themselves; SVG needs it.
const family = "Liberation Sans"

var fonts = sync.OnceValue(func() *font.Cache {
	face := func(weight xfont.Weight, ttf []byte) font.Face {
		f, err := opentype.Parse(ttf)
		if err != nil {
			panic("plot: built-in font: " + err.Error())
		}
		return font.Face{Font: font.Font{Typeface: "Liberation", Variant: "Sans", Weight: weight}, Face: f}
	}
	return font.NewCache(font.Collection{
		face(xfont.WeightNormal, liberationsansregular.TTF),
		face(xfont.WeightBold, liberationsansbold.TTF),
	})
})

func sans(weight xfont.Weight, size vg.Length) font.Face {
	return fonts().Lookup(font.Font{Typeface: "Liberation", Variant: "Sans", Weight: weight}, size)
}

// Paper and ink. All greys keep their order when printed without colour.
var (
	ink       = color.Gray{Y: 0x22}
	quietInk  = color.Gray{Y: 0x55}
	frameGrey = color.Gray{Y: 0x77}
	gridMajor = color.Gray{Y: 0xD2}
	gridMinor = color.Gray{Y: 0xEC}
	levelInk  = color.Gray{Y: 0x66}
	levelBand = color.NRGBA{R: 0xE6, G: 0x9F, B: 0x00, A: 0x30}
)

// hues are the colours of M. Okabe and K. Ito, "Color Universal Design" (2008),
// that are dark enough for a thin line on white, which leaves out the yellow.
var hues = []color.NRGBA{
	{R: 0x00, G: 0x72, B: 0xB2, A: 0xFF}, // blue
	{R: 0xD5, G: 0x5E, B: 0x00, A: 0xFF}, // vermilion
	{R: 0x00, G: 0x9E, B: 0x73, A: 0xFF}, // bluish green
	{R: 0x0A, G: 0x0A, B: 0x0A, A: 0xFF}, // black, but for the dark rule of an SVG, which must find it
	{R: 0xCC, G: 0x79, B: 0xA7, A: 0xFF}, // reddish purple
	{R: 0xE6, G: 0x9F, B: 0x00, A: 0xFF}, // orange
	{R: 0x56, G: 0xB4, B: 0xE9, A: 0xFF}, // sky blue
}

// dashes are in line widths. Their number and that of the hues have no common
// factor, so that the pairs repeat only after all of them.
var dashes = [][]vg.Length{
	nil,
	{5, 2},
	{1.2, 1.6},
	{6, 1.8, 1.2, 1.8},
	{9, 2.5},
	{5, 1.6, 1.2, 1.6, 1.2, 1.6},
	{2.8, 1.8},
	{10, 1.8, 2.8, 1.8},
}

// stroke is how a line is drawn.
type stroke struct {
	color color.Color
	width vg.Length
	dash  []vg.Length // in line widths
}

// traceStroke returns the look of curve number i.
func traceStroke(i int, width vg.Length) stroke {
	return stroke{color: hues[i%len(hues)], width: width, dash: dashes[i%len(dashes)]}
}

// faded returns the colour of the shade that belongs to curve number i.
func faded(i int) color.NRGBA {
	c := hues[i%len(hues)]
	c.A = 0x38
	return c
}
