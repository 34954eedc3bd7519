package report

import (
	"fmt"
	"strings"

	"tapload/measure"
)

// Check is the page of a check: whether to go on and at which level, or what is
// wrong and what to do about it, the worst first.
func Check(c measure.Checked) Document {
	d := Document{Title: "Check of card, jig and load"}
	var rows [][]string
	for _, severity := range []measure.Severity{measure.Problem, measure.Caution, measure.Remark} {
		for _, f := range c.Findings {
			if f.Severity != severity {
				continue
			}
			if d.Lead == "" && severity == measure.Problem {
				d.Lead = fmt.Sprintf("Fail: %s. To do: %s.", f.Text, f.Advice)
				continue
			}
			rows = append(rows, []string{severity.String(), f.Text}, []string{"  to do", f.Advice})
		}
	}
	if c.Pass() {
		d.Lead = fmt.Sprintf("Pass: sweep with --level %.0f, which leaves the inputs 6 dB of room.", c.LevelDB())
		if len(rows) > 0 && strings.TrimSpace(rows[0][0]) == measure.Caution.String() {
			d.Lead = fmt.Sprintf("Pass, with a warning: sweep with --level %.0f, which leaves the inputs 6 dB of room.", c.LevelDB())
		}
	}
	noise := c.NoiseDB()
	rows = append(rows, []string{"noise", fmt.Sprintf("V1 %.0f dB, V2 %.0f dB of full scale", noise[0], noise[1])})
	if c.HumHz > 0 {
		rows = append(rows, []string{"hum", fmt.Sprintf("%.1f Hz, %.0f dB of full scale", c.HumHz, c.HumDB())})
	}
	d.Sections = []Section{{Pieces: []Piece{Table{Rows: rows}}}}
	return d
}
