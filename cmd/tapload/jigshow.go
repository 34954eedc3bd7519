package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"time"

	"github.com/spf13/cobra"

	"tapload/fixtures/jig"
	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/plot"
)

type showOptions struct {
	plot string
	json bool
}

func newJigShow(e env) *cobra.Command {
	var o showOptions
	c := &cobra.Command{
		Use:   "show JIG.json [--plot FILE.png]",
		Short: "Show what a jig file found",
		Long: `Show what the standards of a jig file found of the jig and the card. With --plot
the difference of the two channels is drawn over frequency.`,
		Example: `  tapload jig show jig.json --plot jig.png`,
		Args:    someArgs(1, 1, "one jig file"),
		RunE: func(c *cobra.Command, args []string) error {
			if o.plot != "" {
				if _, err := plot.ParseFormat(o.plot); err != nil {
					return usage(c, fmt.Errorf("--plot: %w", err))
				}
			}
			calibration, err := readJig(args[0])
			if err != nil {
				return err
			}
			if o.plot != "" {
				if err := plotJig(o.plot, calibration); err != nil {
					return err
				}
			}
			s, err := summarizeJig(args[0], calibration, e.now())
			if err != nil {
				return err
			}
			for _, w := range s.Warnings {
				e.warn(w.Text)
			}
			return s.show(e, o.json)
		},
	}
	f := c.Flags()
	f.SortFlags = false
	f.StringVar(&o.plot, "plot", "", "also draw the channels, into this .png, .svg or .pdf `file`")
	f.BoolVar(&o.json, "json", false, "print as JSON")
	return c
}

func plotJig(path string, c jig.Calibration) error {
	j, err := c.Jig()
	if err != nil {
		return err
	}
	found, err := j.Found()
	if err != nil {
		return err
	}
	if found.Hz == nil {
		return errors.New("--plot: a short alone says nothing of the channels; measure an open too")
	}
	format, err := plot.ParseFormat(path)
	if err != nil {
		return err
	}
	chart := plot.ChannelChart{Title: "channels of jig " + c.Name, Hz: found.Hz, Ratio: found.Channels}
	return writeFiles(file{path: path, force: true, write: func(w io.Writer) error { return chart.Write(w, format) }})
}

// jigSummary is what "jig show" tells people and programs.
type jigSummary struct {
	Name      string                  `json:"name"`
	File      string                  `json:"file"`
	ID        string                  `json:"id"`
	Card      string                  `json:"card"`
	Inputs    [2]int                  `json:"inputs"`
	SenseOhm  float64                 `json:"sense_ohm"`
	Standards map[string]standardLine `json:"standards"`
	AtHz      float64                 `json:"at_hz"`
	Channels  *channelsLine           `json:"channels"` // null while neither open nor known are measured
	Lead      *estimateLine           `json:"lead_ohm"`
	Sense     *estimateLine           `json:"sense_measured_ohm"`
	Loading   *estimateLine           `json:"loading_siemens"`
	Noise     [2]float64              `json:"noise_floor"` // rms, fraction of full scale
	Warnings  impedance.Warnings      `json:"warnings"`

	tolerance float64
}

type standardLine struct {
	Taken     time.Time `json:"taken"`
	Ohm       float64   `json:"ohm,omitempty"`
	Tolerance float64   `json:"tolerance,omitempty"`
}

// channelsLine is by how much channel 2 differs from channel 1.
type channelsLine struct {
	GainDB   float64 `json:"gain_db"`
	PhaseDeg float64 `json:"phase_deg"`

	// Largest and smallest over 20 Hz to 20 kHz.
	GainDBMin   float64 `json:"gain_db_min"`
	GainDBMax   float64 `json:"gain_db_max"`
	PhaseDegMin float64 `json:"phase_deg_min"`
	PhaseDegMax float64 `json:"phase_deg_max"`
}

type estimateLine struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"` // k = 1
}

func summarizeJig(path string, c jig.Calibration, now time.Time) (jigSummary, error) {
	j, err := c.Jig()
	if err != nil {
		return jigSummary{}, err
	}
	found, err := j.Found()
	if err != nil {
		return jigSummary{}, err
	}
	s := jigSummary{
		Name: c.Name, File: path, ID: j.Note().ID, Card: c.Card, Inputs: c.Inputs, SenseOhm: c.SenseOhm,
		Standards: map[string]standardLine{}, AtHz: found.AtHz, Channels: channelsOf(found),
		Lead: (*estimateLine)(found.Lead), Sense: (*estimateLine)(found.Sense), Loading: (*estimateLine)(found.Loading),
		Warnings: impedance.Warnings(j.Doubts(c.Conditions, now)), tolerance: c.Tolerance,
	}
	for k, st := range c.Standards {
		if st == nil {
			continue
		}
		line := standardLine{Taken: st.Taken}
		if jig.Kind(k) == jig.Known {
			line.Ohm, line.Tolerance = st.Resistor.Ohm, st.Resistor.Tolerance
		}
		s.Standards[jig.Kind(k).String()] = line
		for i := range s.Noise {
			s.Noise[i] = max(s.Noise[i], st.NoiseFloor[i])
		}
	}
	return s, nil
}

func (s jigSummary) show(e env, asJSON bool) error {
	if asJSON {
		return writeJSON(e.stdout, s)
	}
	s.print(e.stdout)
	return nil
}

func channelsOf(f jig.Found) *channelsLine {
	if f.Hz == nil {
		return nil
	}
	inf := math.Inf(1)
	l := channelsLine{GainDBMin: inf, GainDBMax: -inf, PhaseDegMin: inf, PhaseDegMax: -inf}
	near := inf
	for i, hz := range f.Hz {
		db := toDecibel(cmplx.Abs(f.Channels[i]))
		deg := cmplx.Phase(f.Channels[i]) * 180 / math.Pi
		if d := math.Abs(hz - f.AtHz); d < near {
			near, l.GainDB, l.PhaseDeg = d, db, deg
		}
		if hz < jig.ProofLowHz || hz > jig.ProofHighHz {
			continue
		}
		l.GainDBMin, l.GainDBMax = min(l.GainDBMin, db), max(l.GainDBMax, db)
		l.PhaseDegMin, l.PhaseDegMax = min(l.PhaseDegMin, deg), max(l.PhaseDegMax, deg)
	}
	if l.GainDBMin > l.GainDBMax { // the band has nothing in 20 Hz to 20 kHz
		l.GainDBMin, l.GainDBMax, l.PhaseDegMin, l.PhaseDegMax = l.GainDB, l.GainDB, l.PhaseDeg, l.PhaseDeg
	}
	return &l
}

// print writes what a technician reads; every ± is k = 2.
func (s jigSummary) print(w io.Writer) {
	fmt.Fprintf(w, "jig        %s: %s\n", s.File, s.Name)
	card := s.Card
	if card == "" {
		card = "unknown (recordings from files)"
	} else {
		card = fmt.Sprintf("%s, inputs %d and %d", card, s.Inputs[0], s.Inputs[1])
	}
	fmt.Fprintf(w, "card       %s\n", card)
	for k := jig.Open; k <= jig.Known; k++ {
		line, ok := s.Standards[k.String()]
		text := "not measured"
		if ok {
			text = line.Taken.Format(time.DateTime)
			if k == jig.Known {
				text += fmt.Sprintf(", %s ohm within %s", quantity.Plain(line.Ohm), quantity.Percent(line.Tolerance))
			}
		}
		fmt.Fprintf(w, "%-10s %s\n", k, text)
	}
	if c := s.Channels; c != nil {
		fmt.Fprintf(w, "channels   second over first %+.3f dB, %+.2f° at %s; %+.3f to %+.3f dB, %+.2f to %+.2f° from 20 Hz to 20 kHz\n",
			c.GainDB, c.PhaseDeg, quantity.Hz(s.AtHz), c.GainDBMin, c.GainDBMax, c.PhaseDegMin, c.PhaseDegMax)
	}
	if s.Lead != nil {
		fmt.Fprintf(w, "leads      %.2f mohm ± %.2g, crosstalk included\n", 1000*s.Lead.Value, 2000*s.Lead.U)
	}
	if s.Sense != nil {
		fmt.Fprintf(w, "sense      %s as measured, loaded by the second input; stated %s ohm within %s\n",
			quantity.Of(s.Sense.Value, s.Sense.U).In("ohm"), quantity.Plain(s.SenseOhm), quantity.Percent(s.tolerance))
	}
	if l := s.Loading; l != nil {
		most := l.Value + 2*l.U
		switch {
		case l.Value > 2*l.U:
			fmt.Fprintf(w, "loading    second input of %s ohm, %s to %s, if the sense resistor is as stated\n",
				quantity.Digits(1/l.Value, 2), quantity.Digits(1/most, 2), quantity.Digits(1/(l.Value-2*l.U), 2))
		case most > 0:
			fmt.Fprintf(w, "loading    second input of %s ohm or more, as far as the sense resistor's tolerance lets see\n", quantity.Digits(1/most, 2))
		default:
			fmt.Fprintf(w, "loading    none: the sense resistor measures higher than its tolerance allows\n")
		}
	}
	fmt.Fprintf(w, "noise      %s and %s dB of full scale\n", floorText(s.Noise[0]), floorText(s.Noise[1]))
}

func floorText(rms float64) string {
	if !(rms > 0) {
		return "no"
	}
	return fmt.Sprintf("%.0f", toDecibel(rms))
}
