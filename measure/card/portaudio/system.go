package portaudio

import (
	"errors"
	"time"

	"tapload/measure/card"
)

// system is a library that reaches sound cards. All that is specific to one
// library lies behind it; a second one needs nothing else.
//
//  1. list brings the system up; after it succeeded close must be called once,
//     unless a call did not return or a stream went silent while it played:
//     then nothing of the system may be called.
//  2. open, supports and a stream's start say errRate, errBusy, errChannels,
//     errGone or errSlow where they know the cause.
//  3. open leaves nothing behind when it fails; a stream that opened must be
//     stopped, started or not.
type system interface {
	list() ([]device, error)
	about() (Library, error) // between list and close
	supports(setup) error
	open(setup, callback) (stream, error)
	close() error
}

// stream is an open connection to the cards of its setup.
type stream interface {
	rateHz() float64 // the rate the hardware really runs at
	start() error
	stop() error // plays what is buffered, stops, and closes the stream
}

// callback is called by the system's own thread for each block: it reads in,
// fills out, and must neither block nor allocate nor keep either slice.
// Channels are interleaved; in may be too short where there was no input.
type callback func(in, out []float32, s status)

// status is what the system says of lost or late blocks.
type status struct {
	inputOverflow, inputUnderflow   bool
	outputOverflow, outputUnderflow bool
}

// lapse returns s as recordings have it.
func (s status) lapse() (l card.Lapse) {
	if s.inputOverflow {
		l |= card.InputOverflow
	}
	if s.inputUnderflow {
		l |= card.InputUnderflow
	}
	if s.outputOverflow {
		l |= card.OutputOverflow
	}
	if s.outputUnderflow {
		l |= card.OutputUnderflow
	}
	return l
}

// setup is how a stream is opened.
type setup struct {
	in, out         device
	inputs, outputs int // channels
	rateHz          int
	latency         time.Duration // suggested, of each direction
}

// device is a sound card, or one direction of it.
type device struct {
	index                 int // of the system's own
	name, api             string
	inputs, outputs       int
	rateHz                float64 // default
	defaultIn, defaultOut bool
	// what the interface would take, whichever interface is the system's first
	apiDefaultIn, apiDefaultOut bool
}

// String returns the name under which choose finds d and no other.
func (d device) String() string { return d.api + ": " + d.name }

var (
	errRate     = errors.New("sample rate not supported")
	errBusy     = errors.New("device in use")
	errChannels = errors.New("number of channels not supported")
	errGone     = errors.New("device not there")
	errSlow     = errors.New("device not started in time")
)
