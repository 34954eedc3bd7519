package ratio

import (
	"errors"

	"tapload/measure/card"
)

// A driver's flag matters where it touches what counts: the counted periods of
// a periodic signal, the dwells of tones, all of program material.
//
// A block lost before the first counted period, in the lead-in, is judged by
// what it may have spoilt, which a card takes to last for its way out and back
// at its longest (card.Flag). That is about as long as the lead-in gives
// transients to die; from then on the signal is as steady as if it had begun
// there.

// explained returns err, or what the driver said of lost blocks where err is
// what comes of those: samples that are missing, and a place, a clock or a
// gain that then make no sense.
func explained(err error, rec card.Recording) error {
	var fault, lost *card.Fault
	if !errors.As(err, &fault) {
		return err
	}
	switch fault.Cause {
	case card.Dropout, card.NoSignal, card.TooShort, card.WrongRate, card.AutomaticGain:
		if errors.As(rec.Lost(0, len(rec.V1)), &lost) {
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
