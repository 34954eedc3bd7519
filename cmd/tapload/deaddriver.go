package main

import (
	"fmt"
	"math"

	"tapload/fit/rating"
	"tapload/measure/quantity"
)

// suspect is a load that most likely has a dead driver.
type suspect struct {
	load string
	rating.Explanation
}

// suspects are those of one command, in the order of its loads.
type suspects []suspect

// words says which loads most likely have a dead driver; empty for none.
func (s suspects) words() string {
	var parts []string
	for _, d := range s {
		parts = append(parts, d.load+" ("+d.String()+", "+quantity.Probability(d.Odds)+")")
	}
	if len(parts) == 0 {
		return ""
	}
	return "MOST LIKELY A DEAD DRIVER in " + quantity.List(parts) + "; nothing is called safe before that is checked"
}

// of are those whose loads are among the names.
func (s suspects) of(has func(load string) bool) (some suspects) {
	for _, d := range s {
		if has(d.load) {
			some = append(some, d)
		}
	}
	return some
}

// deadDriverObject is a load that most likely has a dead driver.
type deadDriverObject struct {
	Load string `json:"load"`
	causeObject
}

// objects is never nil.
func (s suspects) objects() []deadDriverObject {
	all := []deadDriverObject{}
	for _, d := range s {
		all = append(all, deadDriverObject{d.load, causeOf(d.Explanation)})
	}
	return all
}

func causeOf(e rating.Explanation) causeObject {
	return causeObject{e.String(), e.Fault.String(), e.Ohm, e.ReOhm, e.MinOhm, e.Odds, e.Check}
}

// checkDrivers holds x to be a number of drivers.
func checkDrivers(load string, x float64) error {
	if x != math.Trunc(x) || x < 1 || x > rating.MostDrivers {
		return fmt.Errorf("--drivers %s=%s: must be a whole number from 1 to %d, of those on one jack", load, quantity.Plain(x), rating.MostDrivers)
	}
	return nil
}
