package portaudio

import (
	"errors"
	"slices"
	"strings"
)

// Library is the sound-card library that the program uses.
type Library struct {
	Version    string   // in its own words
	Interfaces []string // to sound systems that it was built with and that answer, by name
}

// About returns which library is used. Without one, the error says what to do.
func About() (Library, error) {
	var said strings.Builder
	return about(newSystem(&said))
}

func about(sys system) (Library, error) {
	if _, err := sys.list(); err != nil {
		return Library{}, systemFault(err)
	}
	l, err := sys.about()
	slices.Sort(l.Interfaces)
	return l, errors.Join(err, sys.close())
}
