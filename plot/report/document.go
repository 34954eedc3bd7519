// Package report lays out pages that people read, keep and print: the same
// document as text for a terminal, as an HTML file that needs no other, and as
// PDF. It is the one place besides the commands where prefixes and digits are
// chosen.
package report

import (
	"slices"

	"tapload/measure/record"
	"tapload/plot"
)

// Document is what a page says, whatever it is written on.
type Document struct {
	Title    string
	Lead     string // the answer, in a sentence or two
	Sections []Section
}

// add adds a section without a heading, of those pieces that say something.
func (d *Document) add(pieces ...Piece) { d.section(Section{Pieces: pieces}) }

// behind adds a section of details under a heading.
func (d *Document) behind(heading string, pieces ...Piece) {
	d.section(Section{Heading: heading, Details: true, Pieces: pieces})
}

// section adds s without its empty tables and lists, unless nothing is left of it.
func (d *Document) section(s Section) {
	if s.Pieces = slices.DeleteFunc(s.Pieces, empty); len(s.Pieces) > 0 {
		d.Sections = append(d.Sections, s)
	}
}

func empty(p Piece) bool {
	switch p := p.(type) {
	case Table:
		return len(p.Rows) == 0 && p.Caption == ""
	case Points:
		return len(p) == 0
	}
	return false
}

// whole are the sections of d with all its details.
func (d Document) whole() []Section {
	return slices.DeleteFunc(slices.Clone(d.Sections), func(s Section) bool { return s.Brief })
}

// Section is a part of a Document, with a heading of its own unless that is "".
type Section struct {
	Heading string
	NewPage bool // starts a page where there are pages
	Details bool // at a terminal it stands only where details are asked for
	Brief   bool // it stands only where they are not, for a section of details that says all of it
	Pieces  []Piece
}

// Piece is one of Words, Points, Caution, Lines, Table, Figure and Label.
type Piece interface{ piece() }

// Words is a paragraph.
type Words string

// Points is a list.
type Points []string

// Caution is a paragraph that nobody must miss.
type Caution string

// Lines stand as they are, never folded: what is to be typed, or copied.
type Lines []string

// Table is rows of cells, as many in each, under a head unless that is nil. The
// first cell of a row is its name; where it is empty, that of the row above goes
// on.
type Table struct {
	Caption string
	Head    []string
	Rows    [][]string
}

// add adds a row.
func (t *Table) add(cells ...string) { t.Rows = append(t.Rows, cells) }

// Figure is a picture. Plain stands for it where only text can.
type Figure struct {
	Picture plot.Drawable
	Plain   string
}

// Label is text to cut out and fix to something, its first line the largest.
type Label []string

func (Words) piece()   {}
func (Points) piece()  {}
func (Caution) piece() {}
func (Lines) piece()   {}
func (Table) piece()   {}
func (Figure) piece()  {}
func (Label) piece()   {}

// widths returns the widths of columns whose longest cells have the given
// lengths so that together they fit into room: the widest give way. None is
// made narrower than its longest word, unless the words alone do not fit.
func widths(natural, word []float64, room float64) []float64 {
	at := func(most float64) (w []float64, sum float64) {
		for i := range natural {
			w = append(w, min(natural[i], max(word[i], most)))
			sum += w[i]
		}
		return w, sum
	}
	low, high := 0., slices.Max(natural)
	if w, sum := at(high); sum <= room {
		return w
	}
	if w, sum := at(low); sum > room {
		return widths(w, make([]float64, len(w)), room)
	}
	for range 40 {
		if _, sum := at((low + high) / 2); sum > room {
			high = (low + high) / 2
		} else {
			low = (low + high) / 2
		}
	}
	w, _ := at(low)
	return w
}

// marked is a title that says so where what stands under it is invented.
func marked(title string, invented bool) string {
	if invented && !record.Invented(title) {
		title += " (invented)"
	}
	return title
}
