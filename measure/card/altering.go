package card

import "context"

// Alteration is something that the way between the program and the converters
// does to sound, as the sound system itself says.
type Alteration struct {
	Code   string // one of those below; stable, for programs
	Spoils bool   // nothing that is measured through it can be right
	Text   string // one sentence: what is altered, and by how much
	Advice string // where to turn it off on this system
}

// The codes of alterations. Some are found in the sound as well, and then
// carry the same code there.
const (
	Resampled      = "resampled"       // the device runs at another rate than the program
	Mixed          = "mixed"           // sound of other programs is added
	SoftwareVolume = "software-volume" // a gain other than 1 by multiplying samples
	EchoCancel     = "echo-cancel"     // what is played is taken out of what is heard
	Filtered       = "filtered"        // an equaliser or another effect
	Muted          = "muted"
	MonoInput      = "mono-input" // one channel, handed out as two
	Monitor        = "monitor"    // the input is what the output plays, not what the card hears
)

// Altering is a Card that can say what its way does to sound.
//
//  1. Alterations speaks of sound at rateHz while a Play of the card runs; at
//     other times it may know of nothing. It never takes longer than 3 s, and
//     disturbs nothing.
//  2. No alteration known is an empty list. An error means that a sound system
//     that should have answered did not; what is returned beside it holds.
//  3. Remedy returns where this system turns off what has the given code, a
//     Cause's String or one of those above, and "" where that is not known.
type Altering interface {
	Card
	Alterations(ctx context.Context, rateHz int) ([]Alteration, error)
	Remedy(code string) string
}
