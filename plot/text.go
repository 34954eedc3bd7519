package plot

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"

	"tapload/measure/impedance"
)

// Least size of a chart in text, in characters.
const (
	minTextWidth  = 40
	minTextHeight = 10
)

// Text writes a chart of the modulus from 20 Hz to 20 kHz in plain ASCII, for
// a quick look on a terminal: width columns and height lines, and one more line
// per curve if there are several. A single curve is drawn in thirds of a line,
// several as letters. A curve narrower than a column shows as its points.
func Text(w io.Writer, traces []Trace, width, height int) error {
	if width < minTextWidth || height < minTextHeight {
		return fmt.Errorf("text chart: %d by %d characters are too few; use at least %d by %d", width, height, minTextWidth, minTextHeight)
	}
	c := ImpedanceChart{Traces: traces}.complete()
	sampled, err := c.check()
	if err != nil {
		return fmt.Errorf("text chart: %w", err)
	}
	const margin = 8 // columns left of the frame
	sheet := newTextSheet(width-margin, height-3)
	rows := float64(sheet.rows)
	ohms := c.modulusAxis(sampled, 1)
	ohms.ticks = logTicks(ohms.min, ohms.max, 1.5*ohms.decades()/rows, prefixed)
	hz := axis{min: c.LowHz, max: c.HighHz, log: true}
	hz.ticks = logTicks(hz.min, hz.max, 5*hz.decades()/float64(sheet.columns), prefixed)

	for i, t := range c.Traces {
		mark := byte(0)
		if len(c.Traces) > 1 {
			mark = byte('a' + i)
		}
		above, empty := math.NaN(), true // above: row of the last column
		for x := range sheet.columns {
			f := hz.min * math.Pow(hz.max/hz.min, (float64(x)+0.5)/float64(sheet.columns))
			ohm, ok := modulusAt(t.Curve, f)
			row := (1 - ohms.frac(ohm)) * rows
			if !ok || row < 0 || row >= rows {
				above = math.NaN()
				continue
			}
			sheet.join(x, above, row, mark)
			above, empty = row, false
		}
		for _, s := range sampled[i] {
			row := (1 - ohms.frac(s.ohm)) * rows
			if x := hz.frac(s.hz) * float64(sheet.columns); empty && c.inBand(s.hz) && row >= 0 && row < rows {
				sheet.join(min(int(x), sheet.columns-1), math.NaN(), row, mark)
			}
		}
	}

	labels := make([]string, sheet.rows)
	for _, t := range ohms.ticks {
		row := min(int((1-ohms.frac(t.at))*rows), sheet.rows-1)
		if t.label != "" && labels[row] == "" {
			labels[row] = t.label
		}
	}
	var out bytes.Buffer
	fmt.Fprintf(&out, "%*s\n", margin-1, "ohm")
	for row, cells := range sheet.cells {
		edge := "|"
		if labels[row] != "" {
			edge = "+"
		}
		fmt.Fprintf(&out, "%*s %s%s\n", margin-2, labels[row], edge, strings.TrimRight(string(cells), " "))
	}
	rule := bytes.Repeat([]byte("-"), sheet.columns)
	names := bytes.Repeat([]byte(" "), width)
	for _, t := range hz.ticks {
		if t.label == "" {
			continue
		}
		x := min(int(hz.frac(t.at)*float64(sheet.columns)), sheet.columns-1)
		rule[x] = '+'
		copy(names[min(margin+x-len(t.label)/2, width-len(t.label)):], t.label)
	}
	copy(names[2:], "Hz")
	fmt.Fprintf(&out, "%*s+%s\n%s\n", margin-1, "", rule, bytes.TrimRight(names, " "))
	if len(c.Traces) > 1 {
		for i, t := range c.Traces {
			fmt.Fprintf(&out, "%*c  %s\n", margin-1, 'a'+i, cutTo(t.Label, width-margin-1))
		}
	}
	_, err = w.Write(out.Bytes())
	return err
}

// cutTo returns at most n characters of s, without some of its middle: what it ends
// with may be "(invented)".
func cutTo(s string, n int) string {
	runes := []rune(s)
	if len(runes) <= n {
		return s
	}
	const gap = "..."
	tail := (n - len(gap)) / 2
	return string(runes[:n-len(gap)-tail]) + gap + string(runes[len(runes)-tail:])
}

// modulusAt returns |Z| at hz on a straight line in log |Z| over log f; false
// outside the curve and beside a zero.
func modulusAt(c impedance.Curve, hz float64) (ohm float64, ok bool) {
	for i := 1; i < len(c.Points); i++ {
		a, b := c.Points[i-1], c.Points[i]
		if hz < a.Hz || hz > b.Hz {
			continue
		}
		za, _ := c.Modulus(i - 1)
		zb, _ := c.Modulus(i)
		t := math.Log(hz/a.Hz) / math.Log(b.Hz/a.Hz)
		return za * math.Pow(zb/za, t), za > 0 && zb > 0
	}
	return 0, false
}

// textSheet is the inside of the frame of a chart in text.
type textSheet struct {
	columns, rows int
	cells         [][]byte
}

func newTextSheet(columns, rows int) textSheet {
	s := textSheet{columns: columns, rows: rows}
	for range rows {
		s.cells = append(s.cells, bytes.Repeat([]byte(" "), columns))
	}
	return s
}

// join marks the height row (in lines from the top, with its fraction) in
// column x, and the lines in between that a steep curve passes on its way from
// the height before.
func (s textSheet) join(x int, before, row float64, mark byte) {
	here := int(row)
	steep := mark
	if mark == 0 {
		mark = "'-."[int(3*(row-math.Floor(row)))]
		steep = '|'
	}
	if !math.IsNaN(before) {
		from := int(before)
		for y := min(from, here) + 1; y < max(from, here); y++ {
			s.cells[y][x] = steep
		}
	}
	s.cells[here][x] = mark
}
