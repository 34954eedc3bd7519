package report

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"

	"codeberg.org/go-pdf/fpdf"

	"tapload/plot"
)

// Sizes on a page, in points.
const (
	pageMargin  = 42.
	titleSize   = 17.
	headingSize = 12.5
	bodySize    = 9.5
	cellSize    = 8.5
	leading     = 1.32 // of a line, in sizes
	pieceGap    = 7.
	cellGap     = 9.
	cellPad     = 2.2
	labelPad    = 8.
	labelWide   = 330.
)

// PDF writes d on sheets of the given size. The same document gives the same
// bytes. Nothing is written if there is an error.
func (d Document) PDF(w io.Writer, paper Paper) error {
	width, height := paper.points()
	doc := plot.NewPDF(width, height, plot.PDFText(d.Title))
	doc.SetLang("en")
	p := &pdfPages{doc: doc, width: width - 2*pageMargin, bottom: height - pageMargin}
	for _, style := range []string{"", "B"} {
		if err := plot.AddPDFFont(doc, style); err != nil {
			return fmt.Errorf("making the PDF: %w", err)
		}
	}
	p.turn()
	p.write("B", titleSize, 0, d.Title)
	p.y += 3
	p.write("", bodySize+1.5, 0, d.Lead)
	for i, s := range d.whole() {
		if s.NewPage && i > 0 {
			p.turn()
		} else {
			p.y += 10
		}
		if err := p.section(s); err != nil {
			return fmt.Errorf("making the PDF: %w", err)
		}
	}
	p.footers(d.Title)
	var buf bytes.Buffer
	if err := doc.Output(&buf); err != nil {
		return fmt.Errorf("making the PDF: %w", err)
	}
	if _, err := w.Write(buf.Bytes()); err != nil {
		return fmt.Errorf("writing the PDF: %w", err)
	}
	return nil
}

// pdfPages fills pages from the top.
type pdfPages struct {
	doc           *fpdf.Fpdf
	width, bottom float64
	y             float64 // of the next line's upper edge
}

// turn begins a page.
func (p *pdfPages) turn() {
	p.doc.AddPage()
	p.y = pageMargin
}

// need turns the page unless so much room is left on it.
func (p *pdfPages) need(height float64) {
	if p.y+height > p.bottom && p.y > pageMargin {
		p.turn()
	}
}

func (p *pdfPages) font(style string, size float64) {
	p.doc.SetFont(plot.PDFFamily, style, size)
	p.doc.SetTextColor(0x22, 0x22, 0x22)
}

func (p *pdfPages) fold(s string, room float64) []string {
	return foldWords(plot.PDFText(s), room, p.doc.GetStringWidth)
}

// write writes a paragraph, so far from the margin on both sides.
func (p *pdfPages) write(style string, size, indent float64, s string) {
	p.font(style, size)
	for _, l := range p.fold(s, p.width-2*indent) {
		p.need(size * leading)
		p.font(style, size)
		p.doc.Text(pageMargin+indent, p.y+size, l)
		p.y += size * leading
	}
}

func (p *pdfPages) section(s Section) error {
	if s.Heading != "" {
		p.need(headingSize*leading + p.least(s.Pieces))
		p.write("B", headingSize, 0, s.Heading)
		p.doc.SetDrawColor(0x77, 0x77, 0x77)
		p.doc.SetLineWidth(0.7)
		p.doc.Line(pageMargin, p.y+1, pageMargin+p.width, p.y+1)
		p.y += pieceGap
	}
	for i, piece := range s.Pieces {
		if i > 0 {
			p.y += pieceGap
		}
		if err := p.piece(piece); err != nil {
			return err
		}
	}
	return nil
}

// least is about the room that a heading must find for what follows it.
func (p *pdfPages) least(pieces []Piece) float64 {
	if len(pieces) == 0 {
		return 0
	}
	if f, ok := pieces[0].(Figure); ok {
		if picture, err := f.Picture.OnPage(); err == nil { // which figure says
			_, height, _ := p.size(picture)
			return height + pieceGap
		}
	}
	return 5 * bodySize * leading
}

func (p *pdfPages) piece(piece Piece) error {
	switch t := piece.(type) {
	case Words:
		p.write("", bodySize, 0, string(t))
	case Points:
		for _, s := range t {
			p.line("\u2022")
			p.write("", bodySize, 9, s)
		}
	case Caution:
		p.caution(string(t))
	case Lines:
		for _, l := range t {
			p.line(plot.PDFText(l))
			p.y += bodySize * leading
		}
	case Table:
		p.table(t)
	case Figure:
		return p.figure(t)
	case Label:
		p.label(t)
	}
	return p.doc.Error()
}

// line writes s as it stands, and stays on it.
func (p *pdfPages) line(s string) {
	p.need(bodySize * leading)
	p.font("", bodySize)
	p.doc.Text(pageMargin, p.y+bodySize, s)
}

// caution is a paragraph behind a bar.
func (p *pdfPages) caution(s string) {
	const bar = 10.
	p.font("", bodySize)
	lines := p.fold("Caution. "+s, p.width-2*bar)
	height := float64(len(lines))*bodySize*leading + 8
	p.need(height)
	p.doc.SetFillColor(0xFB, 0xEE, 0xD2)
	p.doc.Rect(pageMargin, p.y, p.width, height, "F")
	p.doc.SetFillColor(0xD5, 0x5E, 0x00)
	p.doc.Rect(pageMargin, p.y, 3, height, "F")
	p.y += 4
	p.write("", bodySize, bar, "Caution. "+s)
	p.y += 4
}

// size is that of a picture on the page, in points, and its scale.
func (p *pdfPages) size(picture plot.Picture) (width, height, scale float64) {
	w, h := picture.SizeMM()
	const point = 72 / 25.4
	scale = min(1, p.width/(w*point), 0.5*(p.bottom-pageMargin)/(h*point))
	return w * point * scale, h * point * scale, scale
}

func (p *pdfPages) figure(f Figure) error {
	picture, err := f.Picture.OnPage()
	if err != nil {
		return err
	}
	width, height, scale := p.size(picture)
	p.need(height)
	err = picture.Place(p.doc, pageMargin+(p.width-width)/2, p.y, scale)
	p.y += height
	return err
}

func (p *pdfPages) table(t Table) {
	if t.Caption != "" {
		p.need(4 * bodySize * leading)
		p.write("", bodySize, 0, t.Caption)
		p.y += 2
	}
	p.font("B", cellSize) // the widest, so that the head fits too
	natural, word := t.measure(func(s string) float64 { return p.doc.GetStringWidth(plot.PDFText(s)) })
	w := widths(natural, word, p.width-cellGap*float64(len(natural)-1))
	if t.Head != nil {
		p.row("B", w, t.Head)
	}
	name := ""
	for _, row := range t.Rows {
		name = cmp.Or(row[0], name)
		if p.y+p.tall("", w, row) > p.bottom {
			p.turn()
			if t.Head != nil {
				p.row("B", w, t.Head)
			}
			row = slices.Clone(row)
			row[0] = name
		}
		p.row("", w, row)
	}
}

// tall is the height of a row.
func (p *pdfPages) tall(style string, w []float64, row []string) float64 {
	p.font(style, cellSize)
	lines := 1
	for i, c := range row {
		lines = max(lines, len(p.fold(c, w[i])))
	}
	return float64(lines)*cellSize*leading + 2*cellPad
}

func (p *pdfPages) row(style string, w []float64, row []string) {
	height := p.tall(style, w, row)
	p.need(height)
	p.font(style, cellSize)
	x := pageMargin
	for i, c := range row {
		for k, l := range p.fold(c, w[i]) {
			p.doc.Text(x, p.y+cellPad+cellSize*(1+leading*float64(k)), l)
		}
		x += w[i] + cellGap
	}
	p.y += height
	p.doc.SetLineWidth(0.35)
	p.doc.SetDrawColor(0xBB, 0xBB, 0xBB)
	if style == "B" {
		p.doc.SetLineWidth(0.8)
		p.doc.SetDrawColor(0x55, 0x55, 0x55)
	}
	p.doc.Line(pageMargin, p.y, min(x-cellGap, pageMargin+p.width), p.y)
}

// label draws a label to cut out along its dashed edge.
func (p *pdfPages) label(l Label) {
	whole := p.width
	p.width = min(p.width, labelWide)
	defer func() { p.width = whole }()
	sizes := make([]float64, len(l))
	height := 2 * labelPad
	style := func(i int) string {
		if i < 2 {
			return "B"
		}
		return ""
	}
	for i, s := range l {
		sizes[i] = bodySize
		if i == 0 {
			sizes[i] = headingSize
		}
		p.font(style(i), sizes[i])
		height += float64(len(p.fold(s, p.width-2*labelPad))) * sizes[i] * leading
	}
	p.need(height)
	p.doc.SetDrawColor(0x55, 0x55, 0x55)
	p.doc.SetLineWidth(0.8)
	p.doc.SetDashPattern([]float64{4, 3}, 0)
	p.doc.Rect(pageMargin, p.y, p.width, height, "D")
	p.doc.SetDashPattern([]float64{}, 0)
	p.y += labelPad
	for i, s := range l {
		p.write(style(i), sizes[i], labelPad, s)
	}
	p.y += labelPad
}

// footers writes the title and the number on every page.
func (p *pdfPages) footers(title string) {
	pages := p.doc.PageCount()
	for n := 1; n <= pages; n++ {
		p.doc.SetPage(n)
		p.font("", 7.5)
		p.doc.SetTextColor(0x55, 0x55, 0x55)
		number := strconv.Itoa(n) + " of " + strconv.Itoa(pages)
		right := p.doc.GetStringWidth(number)
		y := p.bottom + 0.5*pageMargin
		p.doc.Text(pageMargin, y, p.fold(title, p.width-right-20)[0])
		p.doc.Text(pageMargin+p.width-right, y, number)
	}
}
