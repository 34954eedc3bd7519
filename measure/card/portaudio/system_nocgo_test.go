//go:build !cgo

package portaudio

import (
	"testing"

	"tapload/measure/card"
)

func TestBuildWithoutSound(t *testing.T) {
	_, _, err := List()
	wantFault(t, err, card.Absent, "this build has no sound-card support", "portaudio19-dev", "CGO_ENABLED=1")
	_, err = Open(Options{})
	wantFault(t, err, card.Absent, "this build has no sound-card support", "portaudio19-dev", "CGO_ENABLED=1")
}
