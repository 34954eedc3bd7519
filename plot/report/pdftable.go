package report

import (
	"cmp"
	"slices"
	"strings"

	"tapload/plot"
)

// pdfTable is a table whose columns are laid out.
type pdfTable struct {
	Table
	size, pad float64
	columns   []float64 // widths
	heights   []float64 // of the rows
	names     []string  // of the rows, where their first cell is empty too
	head      float64   // height of caption and head
}

func (p *pdfPages) layout(t Table) pdfTable {
	l := pdfTable{Table: t.forPen(), size: p.cell, pad: cellPad}
	if t.Filled {
		l.size, l.pad = filledSize, filledPad
	}
	fit := func(row []string) []string {
		row = slices.Clone(row)
		for i, c := range row {
			row[i] = glued(plot.PDFText(c))
		}
		return row
	}
	if l.Head != nil {
		l.Head = fit(l.Head)
	}
	rows := l.Rows
	l.Rows = nil
	for _, row := range rows {
		l.Rows = append(l.Rows, fit(row))
	}
	p.font("B", l.size) // the widest, so that the head fits too
	natural, word := l.measure(p.doc.GetStringWidth)
	l.columns = widths(natural, word, p.width-cellGap*float64(len(natural)-1))
	name := ""
	for _, row := range l.Rows {
		name = cmp.Or(row[0], name)
		l.names = append(l.names, name)
		l.heights = append(l.heights, p.tall("", l, row))
	}
	l.head = p.high(func() { p.tableHead(l, false) })
	return l
}

// leastRows of a table stand together at either side of a page's end, and a
// table that is no higher than wholePart of a page is not split at all.
const (
	leastRows = 3
	wholePart = 0.2
)

// tableStart is the room that the beginning of a table takes.
func (p *pdfPages) tableStart(t Table) float64 {
	l := p.layout(t)
	return p.start(l)
}

func (p *pdfPages) start(l pdfTable) float64 {
	whole := l.head + sum(l.heights)
	if whole <= wholePart*(p.bottom-p.top) || len(l.heights) < 2*leastRows {
		return whole
	}
	return l.head + sum(l.heights[:leastRows])
}

func sum(all []float64) (s float64) {
	for _, x := range all {
		s += x
	}
	return s
}

// tableHead writes caption and head, or that the table goes on.
func (p *pdfPages) tableHead(l pdfTable, continued bool) {
	caption, is := l.Caption, isCaption
	if continued {
		is = isContinued
		if caption == "" {
			caption = "continued"
		} else {
			caption = strings.TrimSuffix(caption, ":") + " (continued):"
		}
	}
	if caption != "" {
		p.write("", p.body, 0, caption, is)
		p.y += 2
	}
	if l.Head != nil {
		p.row("B", l, l.Head, isHead)
	}
}

func (p *pdfPages) table(t Table) {
	p.tables++
	l := p.layout(t)
	p.need(p.start(l))
	p.tableHead(l, false)
	for i := 0; i < len(l.Rows); {
		n := l.fitting(i, p.bottom-p.y)
		if left := len(l.Rows) - i - n; left > 0 && left < leastRows {
			n = max(0, len(l.Rows)-i-leastRows)
		}
		if n == 0 && p.y <= p.top+l.head+2*p.body { // a row higher than a page
			n = 1
		}
		for k := i; k < i+n; k++ {
			row := l.Rows[k]
			if k == i && i > 0 {
				row = slices.Clone(row)
				row[0] = l.names[k]
			}
			p.row("", l, row, isCell)
		}
		if i += n; i < len(l.Rows) {
			p.turn()
			p.tableHead(l, true)
		}
	}
}

// fitting is how many rows from the first on fit into the room.
func (l pdfTable) fitting(first int, room float64) (n int) {
	for _, h := range l.heights[first:] {
		if room -= h; room < -1e-6 {
			break
		}
		n++
	}
	return n
}

// tall is the height of a row.
func (p *pdfPages) tall(style string, l pdfTable, row []string) float64 {
	p.font(style, l.size)
	lines := 1
	for i, c := range row {
		lines = max(lines, len(foldWords(c, l.columns[i], p.doc.GetStringWidth)))
	}
	return float64(lines)*l.size*leading + 2*l.pad
}

func (p *pdfPages) row(style string, l pdfTable, row []string, is role) {
	height := p.tall(style, l, row)
	x := p.left
	for i, c := range row {
		switch base := p.y + l.pad + l.size; {
		case l.Filled && c == toTick:
			p.frame(x, base-8.5, 9, 9, 0.8, 0x22)
		case l.Filled && c == toRead:
			p.rule(x, base+1, x+l.columns[i], base+1, 0.6, 0x22)
		default:
			for k, line := range foldWords(c, l.columns[i], p.doc.GetStringWidth) {
				p.text(x, base+l.size*leading*float64(k), line, is)
			}
		}
		x += l.columns[i] + cellGap
	}
	p.y += height
	width, grey := 0.35, 0xBB
	if is == isHead {
		width, grey = 0.8, 0x55
	}
	p.rule(p.left, p.y, min(x-cellGap, p.left+p.width), p.y, width, grey)
}
