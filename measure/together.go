package measure

import (
	"fmt"
	"math"

	"tapload/fixtures/jig"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
)

const (
	// A delay of more than so many samples is none of one card, which takes its
	// inputs at once or in turn, half a sample apart (common practice, no source).
	oneCard = 0.75
	// It is refused where it moves |Z| by so much of it, up to such a frequency:
	// up to there a load is compared and its power shared.
	apartMoves  = 0.1
	apartHighHz = 5e3

	// Loads are rated from their main resonance, which is looked for up to here, to here.
	resonatesBelow = 300.0 // Hz
	ratedToHz      = 10e3

	apartSurely = 2 // standard uncertainties that a delay is reckoned smaller
)

// together returns a Fault where the inputs hear the signal so far apart in time, as
// a says, that the curve is not that of the load: where that moves the lowest |Z|
// by more than its uncertainty, k = 2, and where no card's inputs are so far apart
// and |Z| is far off below 5 kHz. A delay that does less is said in a warning.
func together(a jig.Apart, g ratio.Ratio, j jig.Jig, rec card.Recording) error {
	if !a.Sure(rec.RateHz) {
		return nil
	}
	least := math.Copysign(math.Abs(a.Seconds)-apartSurely*a.U, a.Seconds)
	as := g
	as.Points = jig.Apart{Seconds: least}.Without(g.Points)
	is, err := j.Curve(g)
	if err != nil {
		return nil // which is said where the curve is made
	}
	was, err := j.Curve(as)
	if err != nil {
		return nil
	}
	off, falls := farOff(is, was), lowestMoves(is, was)
	if falls == "" && !(math.Abs(least) > oneCard/float64(rec.RateHz) && off != "") {
		return nil
	}
	if falls == "" {
		falls = off
	}
	advice := "use two inputs of one card, or, where they are and it stays, calibrate the jig, which measures it"
	if j.Note() != nil {
		advice = "it was not so when the jig was calibrated: use the same two inputs of one card, and calibrate it anew"
	}
	return &card.Fault{
		Cause:  card.Apart,
		Text:   fmt.Sprintf("%s, by the phase of the curve: %s", a.Words(rec.Inputs, rec.RateHz), falls),
		Advice: advice,
	}
}

// lowestMoves says that the lowest |Z| of the rated range is not what it was, ""
// where it is within its uncertainty.
func lowestMoves(is, was impedance.Curve) string {
	lowest := func(c impedance.Curve) (ohm, u float64) {
		ohm = math.Inf(1)
		for i := peakBelow(was, resonatesBelow); i < len(c.Points) && c.Points[i].Hz <= ratedToHz; i++ {
			if m, v := c.Modulus(i); m < ohm {
				ohm, u = m, v
			}
		}
		return ohm, u
	}
	ohm, u := lowest(is)
	right, v := lowest(was)
	if math.Abs(ohm-right) <= 2*max(u, v) {
		return ""
	}
	return fmt.Sprintf("the lowest |Z| would be %.3g ohm and not about %.3g", ohm, right)
}

// peakBelow returns where |Z| of c is highest below hz, or the first point.
func peakBelow(c impedance.Curve, hz float64) (peak int) {
	most := 0.0
	for i, p := range c.Points {
		if p.Hz > hz {
			break
		}
		if m, _ := c.Modulus(i); m > most {
			peak, most = i, m
		}
	}
	return peak
}

// farOff says where |Z| is moved most below apartHighHz, "" where that is not far.
func farOff(is, was impedance.Curve) string {
	most, at := apartMoves, 0.0
	for i, p := range is.Points {
		if p.Hz > apartHighHz {
			break
		}
		m, u := is.Modulus(i)
		right, _ := was.Modulus(i)
		if part := math.Abs(m-right) / right; part > most && math.Abs(m-right) > 2*u {
			most, at = part, p.Hz
		}
	}
	if at == 0 {
		return ""
	}
	return fmt.Sprintf("|Z| would be off by %.2g %% at %.0f Hz", 100*most, at)
}
