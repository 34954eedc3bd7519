//go:build linux && !race

package portaudio

import (
	"testing"

	"tapload/measure/card"
	"tapload/measure/card/portaudio/rig"
)

// The binding hands the number of a stream to C in the guise of a pointer. The
// pointer check that comes with the race detector ends the program over the
// second stream; other builds are not harmed.
func TestRigPlaysTwice(t *testing.T) {
	r := rig.Start(t, rig.Options{})
	o := do(t, r, job{Options: Options{Name: r.Card()}, Output: card.Output{RateHz: 48000, Channels: [][]float64{noise(1, 10000)}}, Twice: true})
	if o.Failed != "" || o.Again != "" {
		t.Errorf("first time: %q, second time: %q", o.Failed, o.Again)
	}
}
