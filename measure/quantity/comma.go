package quantity

import (
	"regexp"
	"strings"
	"sync"
)

// Few starts of the program meet a comma, and to compile what is looked for in one takes
// more than a millisecond.
var (
	commaNumber = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[-+]?\d{0,20},\d{1,20}[ \pL%°/]{0,20}$`) })
	thousands   = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[-+]?[1-9]\d{0,2},\d{3}[ \pL%°/]*$`) })
)

// CommaMeant asks back where s is a number written with a comma, which is a decimal
// point to some people and parts thousands to others; nil where it is not.
func CommaMeant(s string) error {
	s = strings.TrimSpace(s)
	if !strings.Contains(s, ",") || !commaNumber().MatchString(s) {
		return nil
	}
	text := "do you mean " + strings.Replace(s, ",", ".", 1)
	if thousands().MatchString(s) {
		text += " or " + strings.Replace(s, ",", "", 1)
	}
	return Question(text + "?")
}

// Question is an error that asks back instead of saying what must be.
type Question string

func (q Question) Error() string { return string(q) }
