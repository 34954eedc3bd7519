package report

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"strings"

	"codeberg.org/go-pdf/fpdf"

	"tapload/measure/oneline"
	"tapload/plot"
)

// Sizes on a page, in points.
const (
	pageMargin  = 32.
	pageFoot    = 28. // margin at the bottom
	blockHigh   = 27. // of the title block
	blockGap    = 9.
	titleSize   = 17.
	headingSize = 12.
	subSize     = 10.
	bodySize    = 9.
	cellSize    = 8.5
	larger      = 1.13 // times, where a page is not for the workshop
	filledSize  = 10.  // of a table to fill in
	bannerSize  = 25.
	leading     = 1.23 // of a line, in sizes
	pieceGap    = 4.6
	sectionGap  = 8.
	cellGap     = 9.
	cellPad     = 1.5
	filledPad   = 1.5
	labelPad    = 8.
	labelWide   = 330.
	photoHigh   = 150.
	figurePart  = 0.34 // of a page's height, at most
)

// PDF writes d on sheets of the given size. The same document gives the same
// bytes. Nothing is written if there is an error, which is ctx's where that ends.
func (d Document) PDF(ctx context.Context, w io.Writer, paper Paper) error {
	p, err := d.pages(ctx, paper, nil)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return fmt.Errorf("making the PDF: %w", err)
	}
	var buf bytes.Buffer
	if err := p.doc.Output(&buf); err != nil {
		return fmt.Errorf("making the PDF: %w", err)
	}
	if _, err := w.Write(buf.Bytes()); err != nil {
		return fmt.Errorf("writing the PDF: %w", err)
	}
	return nil
}

// pages lays d out and tells seen of every line of text.
func (d Document) pages(ctx context.Context, paper Paper, seen func(placed)) (*pdfPages, error) {
	width, height := paper.points()
	doc := plot.NewPDF(width, height, plot.PDFText(d.Title))
	doc.SetLang("en")
	if m := d.Imprint.Made; !m.IsZero() {
		doc.SetCreationDate(m)
		doc.SetModificationDate(m)
	}
	p := &pdfPages{doc: doc, seen: seen, left: pageMargin, body: bodySize, cell: cellSize, width: width - 2*pageMargin, top: pageMargin + blockHigh + blockGap, bottom: height - pageFoot}
	for _, style := range []string{"", "B"} {
		if err := plot.AddPDFFont(doc, style); err != nil {
			return nil, err
		}
	}
	p.turn()
	p.write("B", titleSize, 0, d.Title, isBody)
	p.y += 2
	p.write("", p.body+1.5, 0, d.Lead, isBody)
	sections := d.whole()
	if err := p.firstPage(ctx, sections); err != nil {
		return nil, err
	}
	for i, s := range sections {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if s.NewPage && i > 0 && p.y > p.top {
			p.turn()
		} else {
			p.y += sectionGap
		}
		if err := p.section(s); err != nil {
			return nil, err
		}
	}
	p.blocks(d)
	return p, doc.Error()
}

// firstPage gives up larger type where the sections before the first of a new page
// do not fit on one with it.
func (p *pdfPages) firstPage(ctx context.Context, sections []Section) error {
	n, high := 0, p.y
	for ; n < len(sections) && !(n > 0 && sections[n].NewPage); n++ {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		one, err := p.sectionHigh(sections[n])
		if err != nil {
			return err
		}
		high += sectionGap + one
	}
	for i := range sections[:n] {
		sections[i].Large = sections[i].Large && high <= p.bottom
	}
	return nil
}

// role is what a line of text is on its page.
type role uint8

const (
	isBody role = iota
	isHeading
	isCaption   // of a table
	isHead      // of a table
	isCell      // of a table
	isContinued // says that a table goes on
	isBlock     // of the title block
)

// placed is a line of text on a page, for tests.
type placed struct {
	role  role
	page  int
	table int // number of the table that it is of
	size  float64
	x, y  float64 // left end of its base line, points from the upper left corner
	wide  float64
	text  string
}

// pdfPages fills pages from the top. With dry it measures instead: it moves down
// an endless page and draws nothing.
type pdfPages struct {
	doc         *fpdf.Fpdf
	seen        func(placed)
	left, width float64 // of the column
	top, bottom float64
	body, cell  float64 // sizes of type
	y           float64 // of the next line's upper edge
	dry         bool
	tables      int
}

// turn begins a page.
func (p *pdfPages) turn() {
	p.doc.AddPage()
	p.y = p.top
}

// need turns the page unless so much room is left on it.
func (p *pdfPages) need(height float64) {
	if p.y+height > p.bottom && p.y > p.top {
		p.turn()
	}
}

// high is the height that draw takes on an endless page.
func (p *pdfPages) high(draw func()) float64 {
	was := *p
	p.dry, p.y, p.bottom = true, 0, math.Inf(1)
	draw()
	height := p.y
	*p = was
	return height
}

func (p *pdfPages) font(style string, size float64) {
	p.doc.SetFont(plot.PDFFamily, style, size)
	p.doc.SetTextColor(0x22, 0x22, 0x22)
}

// text writes s in the current font, as it stands.
func (p *pdfPages) text(x, base float64, s string, is role) {
	if p.dry {
		return
	}
	p.doc.Text(x, base, oneline.Harmless(s))
	if p.seen != nil {
		size, _ := p.doc.GetFontSize()
		p.seen(placed{is, p.doc.PageNo(), p.tables, size, x, base, p.doc.GetStringWidth(s), s})
	}
}

// rule draws a line of a grey.
func (p *pdfPages) rule(x1, y1, x2, y2, width float64, grey int) {
	if !p.dry {
		p.doc.SetLineWidth(width)
		p.doc.SetDrawColor(grey, grey, grey)
		p.doc.Line(x1, y1, x2, y2)
	}
}

func (p *pdfPages) fold(s string, room float64) []string {
	return foldWords(glued(plot.PDFText(s)), room, p.doc.GetStringWidth)
}

// mostTogether is how many lines of a paragraph stay on one page.
const mostTogether = 6

// write writes a paragraph, so far from the margin on both sides.
func (p *pdfPages) write(style string, size, indent float64, s string, is role) {
	if s == "" {
		return
	}
	p.font(style, size)
	lines := p.fold(s, p.width-2*indent)
	if len(lines) <= mostTogether {
		p.need(float64(len(lines)) * size * leading)
	}
	for _, l := range lines {
		p.need(size * leading)
		p.font(style, size)
		p.text(p.left+indent, p.y+size, l, is)
		p.y += size * leading
	}
}

// headingHigh is the room that a heading takes.
const headingHigh = headingSize*leading + pieceGap

func (p *pdfPages) section(s Section) error {
	page := p.bottom - p.top
	if whole, err := p.sectionHigh(s); err != nil {
		return err
	} else if s.Whole && whole <= page {
		p.need(whole)
	}
	if s.Heading != "" {
		least, err := p.least(s.Pieces)
		if err != nil {
			return err
		}
		p.need(headingHigh + least)
		p.heading(s)
	}
	for i, piece := range s.Pieces {
		if i > 0 {
			p.y += pieceGap
		}
		if leads(piece) { // what it leads to must follow on its page
			least, err := p.least(s.Pieces[i:])
			if err != nil {
				return err
			}
			p.need(least)
		}
		if err := p.piece(piece); err != nil {
			return err
		}
	}
	return nil
}

func (p *pdfPages) heading(s Section) {
	if s.Sub {
		p.write("B", subSize, 0, s.Heading, isHeading)
		p.y += 2
		return
	}
	if !p.dry {
		p.doc.Bookmark(plot.PDFText(s.Heading), 0, p.y)
	}
	p.write("B", headingSize, 0, s.Heading, isHeading)
	p.rule(p.left, p.y+1, p.left+p.width, p.y+1, 0.7, 0x77)
	p.y += pieceGap
}

// sectionHigh is the height of s on an endless page, and sets the sizes of its type.
func (p *pdfPages) sectionHigh(s Section) (height float64, err error) {
	p.body, p.cell = bodySize, cellSize
	if s.Large {
		p.body, p.cell = bodySize*larger, cellSize*larger
	}
	height = p.high(func() {
		if s.Heading != "" {
			p.heading(s)
		}
		for i, piece := range s.Pieces {
			if i > 0 {
				p.y += pieceGap
			}
			if e := p.piece(piece); e != nil && err == nil {
				err = e
			}
		}
	})
	return height, err
}

// leads tells whether a piece must not be the last on its page.
func leads(p Piece) bool {
	w, is := p.(Words)
	return is && strings.HasSuffix(string(w), ":")
}

// least is the room that a heading must find for what follows it: a line or two of
// words go with what they lead to, and what cannot be split is needed whole.
func (p *pdfPages) least(pieces []Piece) (height float64, err error) {
	few := mostTogether * p.body * leading
	for i, piece := range pieces {
		if i > 0 {
			height += pieceGap
		}
		if t, is := piece.(Table); is {
			return height + p.tableStart(t), nil
		}
		high := p.high(func() { err = p.piece(piece) })
		switch piece.(type) {
		case Words:
			if height += min(high, few); high > 2*p.body*leading+0.1 && !leads(piece) {
				return height, err
			}
		case Points, Lines:
			return height + min(high, few), err
		default:
			return height + high, err
		}
	}
	return height, nil
}

func (p *pdfPages) piece(piece Piece) error {
	switch t := piece.(type) {
	case Words:
		p.write("", p.body, 0, string(t), isBody)
	case Points:
		for _, s := range t {
			p.font("", p.body)
			p.need(float64(min(mostTogether, len(p.fold(s, p.width-18)))) * p.body * leading)
			p.text(p.left, p.y+p.body, "\u2022", isBody)
			p.write("", p.body, 9, s, isBody)
		}
	case Caution:
		p.caution(string(t))
	case Lines:
		for _, l := range t {
			p.need(p.body * leading)
			p.font("", p.body)
			p.text(p.left, p.y+p.body, plot.PDFText(l), isBody)
			p.y += p.body * leading
		}
	case Table:
		p.table(t)
	case Figure:
		return p.figure(t)
	case Photo:
		return p.photo(t)
	case Banner:
		p.banner(t)
	case Blanks:
		p.blanks(t)
	case Label:
		p.label(t)
	case Beside:
		return p.beside(t)
	}
	return p.doc.Error()
}
