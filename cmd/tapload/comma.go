package main

import (
	"fmt"
	"regexp"
	"strings"
)

var (
	commaNumber = regexp.MustCompile(`^[-+]?\d*,\d+\s*[^\d,.]*$`)
	thousands   = regexp.MustCompile(`^[-+]?[1-9]\d{0,2},\d{3}\s*[^\d,.]*$`)
)

// commaMeant asks back where s is a number written with a comma, which is a decimal
// point to some people and parts thousands to others; nil where it is not.
func commaMeant(s string) error {
	s = strings.TrimSpace(s)
	if !commaNumber.MatchString(s) {
		return nil
	}
	text := "do you mean " + strings.Replace(s, ",", ".", 1)
	if thousands.MatchString(s) {
		text += " or " + strings.Replace(s, ",", "", 1)
	}
	return fmt.Errorf("%s?", text)
}
