package plot

import (
	"bytes"
	"fmt"
	"image/png"
	"io"
	"path/filepath"
	"strings"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
)

// Format is a picture file format.
type Format string

// The formats that every chart can be written in. The same chart gives the
// same bytes each time.
const (
	PNG Format = "png" // 150 dots per inch
	SVG Format = "svg" // text stays text, fonts are not embedded
	PDF Format = "pdf" // one page of the size of the chart, fonts embedded
)

const pngDPI = 150

// ParseFormat returns the format that a path ("out/curve.png") or an ending
// ("png", ".PNG") names.
func ParseFormat(pathOrExt string) (Format, error) {
	ending := strings.TrimPrefix(filepath.Ext(pathOrExt), ".")
	if ending == "" {
		ending = pathOrExt
	}
	f := Format(strings.ToLower(ending))
	return f, f.check(pathOrExt)
}

func (f Format) check(name string) error {
	switch f {
	case PNG, SVG, PDF:
		return nil
	}
	return fmt.Errorf("%q names no picture format; end it in .png, .svg or .pdf", name)
}

// Drawable is a chart or a drawing: OnPage checks it and returns it as a picture.
type Drawable interface{ OnPage() (Picture, error) }

// Write writes the picture of d to w in a format. Nothing is written if there is
// an error.
func Write(w io.Writer, f Format, d Drawable) error {
	p, err := d.OnPage()
	if err != nil {
		return err
	}
	return p.write(w, f)
}

// Picture is a chart or a drawing that is ready to be drawn, of its own size.
type Picture struct {
	width, height vg.Length
	title         string    // may be empty
	about         string    // one sentence for those who cannot see the picture
	unit          vg.Length // size of the body text; 0 is by the size of the picture
	fluid         bool      // draw fits any size of a pen
	draw          func(pen)
}

func (p Picture) pen(c vg.Canvas) pen {
	if p.unit > 0 {
		return penOf(c, p.width, p.height, p.unit)
	}
	return newPen(c, p.width, p.height)
}

// SizeMM is the width and height of the picture in millimetres.
func (p Picture) SizeMM() (width, height float64) {
	return float64(p.width / vg.Millimeter), float64(p.height / vg.Millimeter)
}

// Place draws p on the current page of a document that counts in points, its
// upper left corner at x and y, scaled.
func (p Picture) Place(doc *fpdf.Fpdf, x, y, scale float64) error {
	_, height := doc.GetPageSize()
	c := newPDFCanvas(doc, height)
	c.Translate(vg.Point{X: vg.Points(x), Y: vg.Points(height - y - p.height.Points()*scale)})
	c.Scale(scale, scale)
	p.draw(p.pen(c))
	doc.SetAlpha(1, "Normal")
	doc.SetDashPattern(nil, 0)
	if err := doc.Error(); err != nil {
		return fmt.Errorf("drawing on the page: %w", err)
	}
	return nil
}

// write draws p and hands it to w in one piece, so that an error while
// drawing leaves nothing written.
func (p Picture) write(w io.Writer, f Format) error {
	var buf bytes.Buffer
	var err error
	switch f {
	case PNG:
		c := vgimg.NewWith(vgimg.UseWH(p.width, p.height), vgimg.UseDPI(pngDPI))
		p.draw(p.pen(pngCanvas{c}))
		err = png.Encode(&buf, c.Image())
	case SVG:
		err = p.writeSVG(&buf)
	case PDF:
		c := newPDFPage(p.width, p.height, p.title)
		p.draw(p.pen(c))
		err = c.doc.Output(&buf)
	default:
		return f.check(string(f))
	}
	if err != nil {
		return fmt.Errorf("drawing the %s: %w", f, err)
	}
	if _, err := w.Write(buf.Bytes()); err != nil {
		return fmt.Errorf("writing the %s: %w", f, err)
	}
	return nil
}

// pngCanvas shows a substitute for what the font cannot draw. SVG needs none:
// there the viewer finds another font.
type pngCanvas struct{ *vgimg.Canvas }

func (c pngCanvas) FillString(f font.Face, pt vg.Point, s string) {
	c.Canvas.FillString(f, pt, drawable(f, s))
}
