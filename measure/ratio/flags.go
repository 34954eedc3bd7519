package ratio

import (
	"errors"

	"tapload/measure/card"
)

// A driver's flag matters where it touches what counts: the counted periods of
// a periodic signal, the dwells of tones, all of program material.
//
// The lead-in of a periodic signal does not count, though the load comes to rest
// in it: what is lost there is a jump like the signal's own beginning, and a
// flag's frames (card.Flag) reach so far beyond its block that one which stays
// clear of the first counted period leaves about as long to come to rest.

// explained returns err, or what the driver said of lost blocks where err is
// what comes of those, of so many frames: samples that are missing, and a place, a
// clock or a gain that then make no sense.
func explained(err error, rec card.Recording, frames int) error {
	var fault, lost *card.Fault
	if !errors.As(err, &fault) {
		return err
	}
	switch fault.Cause {
	case card.Dropout, card.NoSignal, card.TooShort, card.WrongRate, card.AutomaticGain:
		if errors.As(rec.Lost(0, frames), &lost) {
			lost.Err = errors.New(fault.Text)
			return lost
		}
	}
	return err
}

// unflaggedFrom returns the first frame from the given one on after which no
// flag touches what lies before start.
func unflaggedFrom(rec card.Recording, from, start int) int {
	for _, f := range rec.Flags {
		if f.From < start {
			from = max(from, f.To)
		}
	}
	return from
}

// flagged returns how many blocks of rec carried a flag.
func flagged(rec card.Recording) (blocks int) {
	for _, f := range rec.Flags {
		blocks += f.Blocks
	}
	return blocks
}
