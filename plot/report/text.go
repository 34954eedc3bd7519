package report

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"tapload/measure/oneline"
)

// screenRows are those of a terminal that nobody has made larger.
const screenRows = 24

// Terminal writes d for somebody at a terminal of so many columns: the answer
// first, then what stands behind it, and, where that does not fit one screen, the
// answer again. Sections of details stand on it only where they are asked for;
// else their headings are named.
func (d Document) Terminal(w io.Writer, columns int, details bool) error {
	t := textPage{columns: columns}
	t.words("", "  ", d.Lead)
	var more []string
	for _, s := range d.Sections {
		if s.Brief && details {
			continue
		}
		if s.Details && !details {
			if s.Heading != "" {
				more = append(more, s.Heading)
			}
			continue
		}
		t.line("")
		if s.Heading != "" {
			t.words("", "", s.Heading)
		}
		t.pieces(s.Pieces)
	}
	if len(more) > 0 {
		t.words("", "  ", "(--details: "+strings.Join(more, ", ")+")")
	}
	if bytes.Count(t.buf.Bytes(), []byte("\n")) > screenRows {
		t.line("")
		t.words("", "  ", d.Lead)
	}
	_, err := w.Write(t.buf.Bytes())
	return err
}

// onOneScreen returns the page with most rows that one screen of a terminal has
// room for without details, and with one in any case.
func onOneScreen(most int, page func(rows int) Document) Document {
	for rows := most; rows > 1; rows-- {
		d := page(rows)
		var screen bytes.Buffer
		if d.Terminal(&screen, textColumns, false) == nil && bytes.Count(screen.Bytes(), []byte("\n")) <= screenRows {
			return d
		}
	}
	return page(1)
}

// Text writes d as a file to read and print, columns characters a line.
func (d Document) Text(w io.Writer, columns int) error {
	t := textPage{columns: columns, paper: true}
	t.words("", "", d.Title)
	t.imprint(d)
	t.words("", "", d.Lead)
	for _, s := range d.whole() {
		t.line("")
		if s.Heading != "" {
			t.words("", "", s.Heading)
			t.line(strings.Repeat("-", min(utf8.RuneCountInString(s.Heading), t.columns)))
		}
		t.pieces(s.Pieces)
	}
	_, err := w.Write(t.buf.Bytes())
	return err
}

func (t *textPage) pieces(all []Piece) {
	all = inColumn(all)
	for i, p := range all {
		if i > 0 && apart(all[i-1], p) {
			t.line("")
		}
		t.piece(p)
	}
}

// apart says whether an empty line stands between two pieces.
func apart(above, below Piece) bool {
	switch above.(type) {
	case Words, Caution:
		switch below.(type) {
		case Words, Caution, Points:
			return false
		}
	}
	return true
}

type textPage struct {
	buf     bytes.Buffer
	columns int
	paper   bool // to print, and to write on
}

// imprint is the title block, where there is something in it.
func (t *textPage) imprint(d Document) {
	var known []string
	for _, cell := range d.cells() {
		if cell[1] != "" && cell[1] != d.Title {
			known = append(known, cell[0]+": "+cell[1])
		}
	}
	if d.Imprint.Invented {
		known = append(known, inventedMark)
	}
	if len(known) > 0 {
		t.words("", "  ", strings.Join(known, "; "))
	}
}

func (t *textPage) line(s string) {
	t.buf.WriteString(strings.TrimRight(oneline.Harmless(s), " ") + "\n")
}

// words writes s folded, first ahead of it and rest ahead of the lines below.
func (t *textPage) words(first, rest, s string) {
	for i, l := range foldText(first+s, t.columns-utf8.RuneCountInString(rest)) {
		if i > 0 {
			l = rest + l
		}
		t.line(l)
	}
}

func (t *textPage) piece(p Piece) {
	switch p := p.(type) {
	case Words:
		t.words("", "", string(p))
	case Points:
		for _, s := range p {
			t.words("- ", "  ", s)
		}
	case Caution:
		t.words("CAUTION: ", "  ", string(p))
	case Lines:
		for _, l := range p {
			t.line(l)
		}
	case Table:
		if t.paper {
			p = p.forPen()
		}
		t.table(p)
	case Photo:
		t.words("(photo: ", "", p.About+")")
	case Banner:
		t.words(">>> ", "    ", p.Text)
		for _, l := range foldText(p.Under, t.columns-4) {
			t.line("    " + l)
		}
	case Blanks:
		for _, s := range p {
			t.line(s + ": " + strings.Repeat("_", max(10, min(40, t.columns-utf8.RuneCountInString(s)-2))))
		}
	case Figure:
		if p.Plain == "" {
			t.words("(", "", "the drawing is too wide for this page; the tables say the same)")
			return
		}
		for _, l := range strings.Split(strings.TrimRight(p.Plain, "\n"), "\n") {
			t.line(l)
		}
	case Label:
		rule := "+" + strings.Repeat("-", t.columns-2) + "+"
		t.line(rule)
		for _, s := range p {
			for _, l := range foldText(s, t.columns-4) {
				t.line(fmt.Sprintf("| %-*s |", t.columns-4, l))
			}
		}
		t.line(rule)
	}
}

func (t *textPage) table(p Table) {
	const gap = 2
	if p.Caption != "" {
		t.words("", "", p.Caption)
	}
	rows := p.all()
	natural, word := p.measure(func(s string) float64 { return float64(utf8.RuneCountInString(s)) })
	w := widths(natural, word, float64(t.columns-gap*(len(natural)-1)))
	for _, row := range rows {
		cells, tall := make([][]string, len(row)), 0
		for i, c := range row {
			cells[i] = foldText(c, int(math.Floor(w[i]+1e-6)))
			tall = max(tall, len(cells[i]))
		}
		for k := range tall {
			var line strings.Builder
			for i := range row {
				text := ""
				if k < len(cells[i]) {
					text = cells[i][k]
				}
				fmt.Fprintf(&line, "%-*s", int(math.Floor(w[i]+1e-6))+gap, text)
			}
			t.line(line.String())
		}
	}
}

// all are the rows of t, its head among them.
func (t Table) all() [][]string {
	if t.Head == nil {
		return t.Rows
	}
	return append([][]string{t.Head}, t.Rows...)
}

// measure returns for each column the width of its longest cell and that of
// its longest word.
func (t Table) measure(width func(string) float64) (natural, word []float64) {
	rows := t.all()
	columns := 0
	if len(rows) > 0 {
		columns = len(rows[0])
	}
	natural, word = make([]float64, columns), make([]float64, columns)
	for _, row := range rows {
		for i, c := range row {
			natural[i] = max(natural[i], width(c))
			for _, s := range words(glued(c)) {
				word[i] = max(word[i], width(s))
			}
		}
	}
	return natural, word
}

// foldText breaks s at spaces into lines of at most width characters, and a
// word that is longer where it must be. A number stays with its unit; the space
// between them is written as one that can be searched for.
func foldText(s string, width int) []string {
	width = max(width, 1)
	lines := foldWords(glued(s), float64(width), func(s string) float64 { return float64(utf8.RuneCountInString(s)) })
	for i, l := range lines {
		lines[i] = strings.ReplaceAll(l, noBreak, " ")
	}
	return lines
}

// foldWords is foldText by any measure of width.
func foldWords(s string, room float64, width func(string) float64) []string {
	var lines []string
	line := ""
	for _, word := range words(s) {
		if line != "" && width(line+" "+word) <= room+1e-6 {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		line = word
		for width(line) > room+1e-6 && utf8.RuneCountInString(line) > 1 {
			r := []rune(line)
			n := len(r) - 1
			for n > 1 && width(string(r[:n])) > room+1e-6 {
				n--
			}
			lines = append(lines, string(r[:n]))
			line = string(r[n:])
		}
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}
