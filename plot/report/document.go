// Package report lays out pages that people read, keep and print: the same
// document as text for a terminal, as an HTML file that needs no other, and as
// PDF. It is the one place besides the commands where prefixes and digits are
// chosen.
package report

import (
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"

	"tapload/measure/record"
	"tapload/plot"
)

// Document is what a page says, whatever it is written on.
type Document struct {
	Title    string
	Lead     string // the answer, in a sentence or two
	Sections []Section
	Imprint  Imprint
}

// Imprint is what the title block of a sheet says. What is empty in it is left to
// be written by hand.
type Imprint struct {
	Shop    string // whose sheets these are
	Address string
	Job     string    // its reference
	By      string    // who did the work
	Made    time.Time // of the sheet; the date of a PDF too

	Invented bool // what the sheet tells of was never measured
}

// date is the day of the sheet, "" where nobody says.
func (m Imprint) date() string {
	if m.Made.IsZero() {
		return ""
	}
	return m.Made.Format(time.DateOnly)
}

// cells are those of the title block, but for the number of the page.
func (d Document) cells() [][2]string {
	about := [2]string{"sheet", d.Title}
	if d.Imprint.Job != "" {
		about = [2]string{"job", d.Imprint.Job}
	}
	shop := slices.DeleteFunc([]string{d.Imprint.Shop, d.Imprint.Address}, func(s string) bool { return s == "" })
	return [][2]string{{"shop", strings.Join(shop, ", ")}, about, {"date", d.Imprint.date()}, {"by", d.Imprint.By}}
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
	Sub     bool // belongs to the section above it
	Large   bool // in larger type on sheets
	Whole   bool // stands on one page where it fits on one
	Details bool // at a terminal it stands only where details are asked for
	Brief   bool // it stands only where they are not, for a section of details that says all of it
	Pieces  []Piece
}

// Piece is one of Words, Points, Caution, Lines, Table, Figure, Photo, Label,
// Banner, Blanks and Beside.
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

	// Filled is a table to fill in at the bench: in larger type, with a line to
	// write a reading on and a box to tick in each row.
	Filled bool
}

// add adds a row.
func (t *Table) add(cells ...string) { t.Rows = append(t.Rows, cells) }

// What is written in the cells that a Filled table has for a pen.
const (
	toRead = "________"
	toTick = "[ ]"
)

// forPen is t as paper shows it: with its cells for a pen where it has some.
func (t Table) forPen() Table {
	if !t.Filled {
		return t
	}
	wide := Table{Caption: t.Caption, Filled: true}
	if t.Head != nil {
		wide.Head = append(slices.Clone(t.Head), "read", "ok")
	}
	for _, row := range t.Rows {
		wide.add(append(slices.Clone(row), toRead, toTick)...)
	}
	return wide
}

// Figure is a picture. Plain stands for it where only text can.
type Figure struct {
	Picture plot.Drawable
	Plain   string
}

// Photo is a picture that a camera took.
type Photo struct {
	Format string // "png" or "jpeg"
	Data   []byte
	About  string // what it shows
}

// Banner is what nobody may overlook: the largest type on the page, and a line
// under it.
type Banner struct{ Text, Under string }

// Beside is two columns where there is room for them, the left one Part of the
// width, else one below the other.
type Beside struct {
	Part        float64
	Left, Right []Piece
}

// inColumn are pieces one below the other.
func inColumn(pieces []Piece) (all []Piece) {
	for _, p := range pieces {
		if b, is := p.(Beside); is {
			all = append(append(all, b.Left...), b.Right...)
		} else {
			all = append(all, p)
		}
	}
	return all
}

// Blanks are lines to write on, each with what belongs there.
type Blanks []string

// Label is text to cut out and fix to something, its first line the largest.
type Label []string

func (Words) piece()   {}
func (Points) piece()  {}
func (Caution) piece() {}
func (Lines) piece()   {}
func (Table) piece()   {}
func (Figure) piece()  {}
func (Photo) piece()   {}
func (Label) piece()   {}
func (Banner) piece()  {}
func (Blanks) piece()  {}
func (Beside) piece()  {}

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

// inventedMark stands on every page of what was never measured.
const inventedMark = "invented data: nobody measured this"

// marked is a title that says so where what stands under it is invented.
func marked(title string, invented bool) string {
	if invented && !record.Invented(title) {
		title += " (invented)"
	}
	return title
}

// withUnit is a number before its unit, or a thing before its number.
var withUnit = regexp.MustCompile(`(\d) (%|(?:[kmM]?ohm|k?Hz|[kmµ]?W|[km]?V|m?A|mm|cm|m|mH|dB|ppm|ms|s|K|C|AWG)\b)|\b(box|jack|tip|sleeve|wire|page) (\d)`)

const noBreak = "\u00A0"

// Folded is what fold makes of s with each number beside its unit: fold must break
// lines at no space but a plain one.
func Folded(s string, fold func(string) string) string {
	return strings.ReplaceAll(fold(glued(s)), noBreak, " ")
}

// glued is s with the spaces at which a line must not break.
func glued(s string) string {
	s = withUnit.ReplaceAllString(s, "$1$3"+noBreak+"$2$4")
	return strings.NewReplacer("± ", "±"+noBreak, "k = 2", "k"+noBreak+"="+noBreak+"2").Replace(s)
}

// words are the parts of s that no line breaks.
func words(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return unicode.IsSpace(r) && r != '\u00A0' })
}
