package report

import (
	"fmt"

	"tapload/fit/recone"
	"tapload/measure/quantity"
	"tapload/measure/record"
	"tapload/plot"
)

// Levels is the page of one driver at several levels.
func Levels(s recone.Series) Document {
	d := Document{Title: marked("Levels of "+s.Records[0].Label, s.Records[0].Invented()), Lead: s.Words()}
	t := Table{Head: []string{"level", "peak", "lowest |Z|", "against " + s.Name(0)}}
	loud := Table{Head: []string{"level", "harmonics of the current", "scraping"}}
	for i, r := range s.Records {
		against := ""
		if i > 0 {
			if against = s.Changes[i-1].String(); !s.Changes[i-1].Sure {
				against = "no change"
			}
		}
		low, peak := lowAndPeak(r)
		ohm := func(at int) string {
			z, u := r.Curve.Modulus(at)
			return quantity.Of(z, u).In("ohm")
		}
		t.add(s.Name(i), ohm(peak)+" at "+quantity.Hz(r.Curve.Points[peak].Hz), ohm(low), against)
		if r.Distortion == nil {
			continue
		}
		h := r.Distortion.Harmonics()
		loudest := "lost in noise"
		if o := h.Loudest(); len(o) > 0 {
			loudest = fmt.Sprintf("order %d at most %.0f dB, at %s", o[0].Order, o[0].LevelDB, quantity.Hz(o[0].Hz))
		}
		loud.add(s.Name(i), loudest, scrapes(h))
	}
	d.add(t)
	d.add(loud)
	d.add(Words(fmt.Sprintf("± is k = 2; a change counts that is beyond doubt and more than %s %% (ours, no source).", quantity.Plain(recone.LeastBend))))
	return d
}

// lowAndPeak returns the points of the lowest |Z|, and of the highest inside the
// band where it turns there.
func lowAndPeak(r record.Record) (low, peak int) {
	low, peak = r.Curve.Extremes()
	if _, inside := r.Curve.Turns(); inside >= 0 && (peak == 0 || peak == len(r.Curve.Points)-1) {
		peak = inside
	}
	return low, peak
}

// linearity is the answer of a series in the fewest words.
func linearity(s recone.Series) string {
	switch last := s.LinearTo(); last {
	case -1:
		return "bends even at " + s.Name(1)
	case len(s.Changes):
		return "linear to " + s.Name(last)
	default:
		return "linear to " + s.Name(last) + ", bends at " + s.Name(last+1)
	}
}

// LevelCurves is the curve at each level, and by how much it differs from that at
// the quietest.
func LevelCurves(s recone.Series, title string) plot.ImpedanceChart {
	c := plot.ImpedanceChart{Title: title + ": " + linearity(s)}
	for i, r := range s.Records {
		c.Traces = append(c.Traces, plot.Trace{Label: s.Name(i), Curve: r.Curve})
		if i > 0 {
			c.Gaps = append(c.Gaps, ratioGap("change from "+s.Name(0), i, s.Records[0].Curve, r.Curve, plot.Limit{Percent: recone.LeastBend})...)
		}
	}
	return c
}

// LevelHarmonics is the harmonics at each level that has them.
func LevelHarmonics(s recone.Series) plot.DistortionChart {
	c := plot.DistortionChart{Title: "Harmonics of the current"}
	if len(s.Records) > 0 {
		c.Title = marked(c.Title, s.Records[0].Invented())
	}
	for i, r := range s.Records {
		if r.Distortion != nil {
			c.Records = append(c.Records, plot.Harmonics{Label: s.Name(i), Short: s.Name(i), Distortion: *r.Distortion})
		}
	}
	return c
}
