package plot

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"strconv"
	"time"

	"codeberg.org/go-pdf/fpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"tapload/measure/oneline"
)

// pdfCanvas is a vg.Canvas on a PDF page. The one that comes with gonum/plot
// writes text in code page 1252 (no ohm sign), draws translucent colours grey
// and stamps the time of day.
//
// It keeps the transform itself, because fpdf counts from the upper left
// corner and vg from the lower left one; only turned text needs fpdf's.
type pdfCanvas struct {
	doc    *fpdf.Fpdf
	height float64 // of the page, points
	now    pdfState
	saved  []pdfState
	fonts  map[string]bool
	images int
}

type pdfState struct {
	a, b, c, d, e, f float64 // x' = a x + c y + e, y' = b x + d y + f
	width            float64
	dash             []float64
	offset           float64
	color            color.NRGBA
}

var _ vg.Canvas = (*pdfCanvas)(nil)

// NewPDF returns a document without a page whose pages are of the given size,
// in points from the upper left corner. The same content gives the same bytes.
// Text in PDFFamily, plain or bold ("B"), has the font of the charts.
func NewPDF(width, height float64, title string) *fpdf.Fpdf {
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: width, Ht: height}})
	// A fixed date keeps the file the same, byte for byte, for the same chart.
	doc.SetCreationDate(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	doc.SetModificationDate(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	doc.SetCatalogSort(true)
	doc.SetTitle(oneline.Harmless(title), true)
	doc.SetCreator("tapload", true)
	doc.SetMargins(0, 0, 0)
	doc.SetAutoPageBreak(false, 0)
	return doc
}

// PDFFamily is the name of the font of charts in a PDF.
const PDFFamily = family

// AddPDFFont makes the font known to doc, whose style is "" or "B".
func AddPDFFont(doc *fpdf.Fpdf, style string) error {
	face := sans(xfont.WeightNormal, 1)
	if style == "B" {
		face = sans(xfont.WeightBold, 1)
	}
	return addFont(doc, face, style)
}

func addFont(doc *fpdf.Fpdf, f font.Face, style string) error {
	var ttf bytes.Buffer
	if _, err := f.Face.WriteSourceTo(nil, &ttf); err != nil {
		return err
	}
	doc.AddUTF8FontFromBytes(family, style, ttf.Bytes())
	return doc.Error()
}

// PDFText makes s fit to be written as one line in the font of charts, which
// has no glyph for every letter.
func PDFText(s string) string { return drawable(sans(xfont.WeightNormal, 1), oneLine(s)) }

// newPDFPage returns a document of one page of the given size.
func newPDFPage(w, h vg.Length, title string) *pdfCanvas {
	doc := NewPDF(w.Points(), h.Points(), title)
	doc.AddPage()
	return newPDFCanvas(doc, h.Points())
}

// newPDFCanvas is a canvas on the current page of a document that counts in
// points, the page being so many high.
func newPDFCanvas(doc *fpdf.Fpdf, height float64) *pdfCanvas {
	doc.SetLineJoinStyle("round")
	c := &pdfCanvas{doc: doc, height: height, fonts: map[string]bool{}}
	c.now.a, c.now.d = 1, 1
	vg.Initialize(c)
	return c
}

func (c *pdfCanvas) SetLineWidth(w vg.Length) { c.now.width = w.Points() }

func (c *pdfCanvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.now.dash = make([]float64, len(pattern))
	for i, d := range pattern {
		c.now.dash[i] = d.Points()
	}
	c.now.offset = offset.Points()
}

func (c *pdfCanvas) SetColor(col color.Color) {
	if col == nil {
		col = color.Black
	}
	// PDF wants colour and alpha apart; RGBA() would give them multiplied.
	c.now.color = color.NRGBAModel.Convert(col).(color.NRGBA)
}

func (c *pdfCanvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	s := &c.now
	s.a, s.b, s.c, s.d = s.a*cos+s.c*sin, s.b*cos+s.d*sin, s.c*cos-s.a*sin, s.d*cos-s.b*sin
}

func (c *pdfCanvas) Translate(pt vg.Point) {
	x, y := c.now.apply(pt)
	c.now.e, c.now.f = x, y
}

func (c *pdfCanvas) Scale(x, y float64) {
	s := &c.now
	s.a, s.b, s.c, s.d = s.a*x, s.b*x, s.c*y, s.d*y
}

func (c *pdfCanvas) Push() { c.saved = append(c.saved, c.now) }

func (c *pdfCanvas) Pop() {
	last := len(c.saved) - 1
	c.now, c.saved = c.saved[last], c.saved[:last]
}

func (c *pdfCanvas) Stroke(p vg.Path) {
	if c.now.width <= 0 { // to a PDF viewer a width of 0 is a hairline, to vg it is nothing
		return
	}
	scale := c.now.scale()
	dash := make([]float64, len(c.now.dash))
	for i, d := range c.now.dash {
		dash[i] = d * scale
	}
	c.doc.SetLineWidth(c.now.width * scale)
	c.doc.SetDashPattern(dash, c.now.offset*scale)
	c.doc.SetDrawColor(c.rgb())
	c.path(p)
	c.doc.DrawPath("D")
}

func (c *pdfCanvas) Fill(p vg.Path) {
	c.doc.SetFillColor(c.rgb())
	c.path(p)
	c.doc.DrawPath("F")
}

func (c *pdfCanvas) FillString(f font.Face, pt vg.Point, s string) {
	if f.Font.Size == 0 {
		return
	}
	style := ""
	if f.Font.Weight == xfont.WeightBold {
		style = "B"
	}
	if !c.fonts[style] {
		if err := addFont(c.doc, f, style); err != nil {
			c.doc.SetError(err)
			return
		}
		c.fonts[style] = true
	}
	c.doc.SetFont(family, style, f.Font.Size.Points()*c.now.scale())
	c.doc.SetTextColor(c.rgb())
	x, y := c.now.apply(pt)
	y = c.height - y
	turn := math.Atan2(c.now.b, c.now.a) * 180 / math.Pi
	if turn != 0 {
		c.doc.TransformBegin()
		c.doc.TransformRotate(turn, x, y)
		defer c.doc.TransformEnd()
	}
	c.doc.Text(x, y, drawable(f, s))
}

func (c *pdfCanvas) DrawImage(r vg.Rectangle, img image.Image) {
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		c.doc.SetError(err)
		return
	}
	c.images++
	name, opt := strconv.Itoa(c.images), fpdf.ImageOptions{ImageType: "png"}
	c.doc.RegisterImageOptionsReader(name, opt, &buf)
	x, y := c.now.apply(vg.Point{X: r.Min.X, Y: r.Max.Y})
	scale := c.now.scale()
	c.doc.ImageOptions(name, x, c.height-y, r.Size().X.Points()*scale, r.Size().Y.Points()*scale, false, opt, 0, "")
}

// rgb sets the alpha of the current colour and returns the rest of it.
func (c *pdfCanvas) rgb() (r, g, b int) {
	c.doc.SetAlpha(float64(c.now.color.A)/255, "Normal")
	return int(c.now.color.R), int(c.now.color.G), int(c.now.color.B)
}

func (c *pdfCanvas) path(p vg.Path) {
	at := func(pt vg.Point) (x, y float64) {
		x, y = c.now.apply(pt)
		return x, c.height - y
	}
	for _, comp := range p {
		x, y := at(comp.Pos)
		switch {
		case comp.Type == vg.MoveComp:
			c.doc.MoveTo(x, y)
		case comp.Type == vg.LineComp:
			c.doc.LineTo(x, y)
		case comp.Type == vg.ArcComp:
			c.arc(comp, at)
		case comp.Type == vg.CloseComp:
			c.doc.ClosePath()
		case len(comp.Control) == 1:
			x1, y1 := at(comp.Control[0])
			c.doc.CurveTo(x1, y1, x, y)
		default:
			x1, y1 := at(comp.Control[0])
			x2, y2 := at(comp.Control[1])
			c.doc.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
		}
	}
}

// arc draws comp as one Bezier curve for each started eighth of a turn, which
// misses the circle by less than 1e-5 of its radius.
func (c *pdfCanvas) arc(comp vg.PathComp, at func(vg.Point) (x, y float64)) {
	n := math.Ceil(math.Abs(comp.Angle) / (math.Pi / 4))
	step := comp.Angle / n
	reach := 4.0 / 3 * math.Tan(step/4)
	on := func(angle, along float64) (x, y float64) {
		sin, cos := math.Sincos(angle)
		return at(comp.Pos.Add(vg.Point{X: vg.Length(cos - along*sin), Y: vg.Length(sin + along*cos)}.Scale(comp.Radius)))
	}
	c.doc.LineTo(on(comp.Start, 0))
	for i := range int(n) {
		from := comp.Start + float64(i)*step
		x1, y1 := on(from, reach)
		x2, y2 := on(from+step, -reach)
		x, y := on(from+step, 0)
		c.doc.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
	}
}

func (s pdfState) apply(pt vg.Point) (x, y float64) {
	px, py := pt.X.Points(), pt.Y.Points()
	return s.a*px + s.c*py + s.e, s.b*px + s.d*py + s.f
}

func (s pdfState) scale() float64 { return math.Sqrt(math.Abs(s.a*s.d - s.b*s.c)) }
