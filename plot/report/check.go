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
		verdict := "Pass"
		if len(rows) > 0 && strings.TrimSpace(rows[0][0]) == measure.Caution.String() {
			verdict = "Pass, with a warning"
		}
		d.Lead = fmt.Sprintf("%s: sweep with --level %.0f, which was tried and leaves the inputs room.", verdict, c.LevelDB())
		if c.Expected != measure.ExpectLoad {
			d.Lead = fmt.Sprintf("%s: %s, as expected. Measure standards and loads with --level %.0f.", verdict, c.Looks, c.LevelDB())
		}
	}
	if c.Looks != nil {
		rows = append(rows, []string{"connected", "looks like " + c.Looks.String()})
	}
	noise := c.NoiseDB()
	rows = append(rows, []string{"noise", fmt.Sprintf("V1 %.0f dB, V2 %.0f dB of full scale", noise[0], noise[1])})
	if c.HumHz > 0 {
		rows = append(rows, []string{"hum", fmt.Sprintf("%.1f Hz, %.0f dB of full scale", c.HumHz, c.HumDB())})
	}
	d.Sections = []Section{{Pieces: []Piece{Table{Rows: rows}}}}
	return d
}
