//go:build !cgo && !((linux || darwin || windows) && (amd64 || arm64))

package portaudio

import (
	"io"

	"tapload/measure/card"
)

func newSystem(io.Writer) system { return unbuilt{} }

// unbuilt is the sound system of a build that has none: without cgo, and for a
// machine on which the library cannot be loaded at run time either.
type unbuilt struct{}

func (unbuilt) fault() error {
	return &card.Fault{Cause: card.Absent, Text: "this build has no sound-card support",
		Advice: "install gcc, pkg-config and portaudio19-dev (the names of the Debian packages) and build again with CGO_ENABLED=1"}
}

func (u unbuilt) list() ([]device, error)              { return nil, u.fault() }
func (u unbuilt) about() (Library, error)              { return Library{}, u.fault() }
func (u unbuilt) supports(setup) error                 { return u.fault() }
func (u unbuilt) open(setup, callback) (stream, error) { return nil, u.fault() }
func (u unbuilt) close() error                         { return u.fault() }
