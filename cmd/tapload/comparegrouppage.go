package main

import (
	"fmt"
	"io"
	"strings"

	"tapload/measure/impedance"
	"tapload/measure/quantity"
	"tapload/measure/verdict"
)

// placeText is how a quantity of a group is called and shown on a page.
func placeText(name string) quantityText {
	if t, ok := quantityTexts[name]; ok {
		return t
	}
	if hz, ok := strings.CutPrefix(name, "curve_"); ok {
		return quantityText{"|Z| " + strings.TrimSuffix(hz, "hz") + " Hz", 1, "ohm"}
	}
	return quantityText{name, 1, ""}
}

func (r stood) words() string {
	var out []string
	for _, p := range r.Places {
		if p.Verdict != verdict.Pass {
			out = append(out, placeText(p.Name).name)
		}
	}
	switch r.Verdict {
	case verdict.Fail:
		return fmt.Sprintf("Fail: %s is not like the other %d: %s.", r.label, r.Members, strings.Join(out, ", "))
	case verdict.Undecided:
		return fmt.Sprintf("Undecided: %s may be like the other %d or not: %s.", r.label, r.Members, strings.Join(out, ", "))
	}
	return fmt.Sprintf("Pass: %s is like the other %d.", r.label, r.Members)
}

func (r stood) print(w io.Writer) error {
	p := page{w: w}
	p.words(r.words())
	p.line("")
	const format = "%-14s%-16s%-11s%-17s%s"
	p.line(fmt.Sprintf(format, "± is k = 2", "median", "spread", "this one", "off by, in spreads"))
	for _, q := range r.Places {
		t := placeText(q.Name)
		unit := ""
		if t.unit != "" {
			unit = " " + t.unit
		}
		mark := ""
		switch q.Verdict {
		case verdict.Fail:
			mark = " FAIL"
		case verdict.Undecided:
			mark = " ?"
		}
		p.line(fmt.Sprintf(format, t.name, quantity.Digits(t.scale*q.Median, 4)+unit, quantity.Digits(q.Spread, 2)+" %", quantity.Digits(t.scale*q.Value.Value, 4)+unit,
			fmt.Sprintf("%+.1f ± %.1f%s", q.Z.Value, 2*q.Z.U, mark)))
	}
	p.line("")
	p.under(2, "-", fmt.Sprintf("more than %s spreads off is not alike: of groups of %d from one normal distribution 1 in 200 has a member so far off in one quantity", quantity.Digits(r.Limit, 3), r.Members))
	for _, s := range r.Strangers {
		p.under(2, "-", fmt.Sprintf("%s does not belong to the group: %s is %+.1f spreads off", s.Label, placeText(s.Name).name, s.Z))
	}
	return p.err
}

// standingObject is what a standing tells programs.
type standingObject struct {
	Verdict   string             `json:"verdict"`
	Members   int                `json:"members"`
	Limit     float64            `json:"limit_spreads"`
	Places    []placeObject      `json:"places"`
	Strangers []strangerObject   `json:"strangers"` // members that do not belong
	Warnings  impedance.Warnings `json:"warnings"`
}

type placeObject struct {
	Name    string         `json:"name"`
	Unit    string         `json:"unit"`
	Median  float64        `json:"median"`
	Spread  float64        `json:"spread_percent"`
	Value   quantity.Value `json:"value"`
	Percent quantity.Value `json:"off_percent"`
	Z       quantity.Value `json:"off_spreads"`
	Verdict string         `json:"verdict"`
}

type strangerObject struct {
	Label string   `json:"label"`
	Name  string   `json:"name"`
	Z     float64  `json:"off_spreads"`
	Also  []string `json:"also"`
}

func (r stood) object() standingObject {
	o := standingObject{Verdict: r.Verdict.String(), Members: r.Members, Limit: r.Limit, Places: []placeObject{}, Strangers: []strangerObject{}, Warnings: impedance.Warnings(r.warnings)}
	for _, p := range r.Places {
		o.Places = append(o.Places, placeObject{p.Name, p.Unit, p.Median, p.Spread, quantity.Value(p.Value), quantity.Value(p.Percent), quantity.Value(p.Z), p.Verdict.String()})
	}
	for _, s := range r.Strangers {
		o.Strangers = append(o.Strangers, strangerObject{s.Label, s.Name, s.Z, append([]string{}, s.Also...)})
	}
	return o
}
