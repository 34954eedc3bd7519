package portaudio

import (
	"context"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"

	"tapload/measure/card"
	"tapload/measure/card/server"
)

var _ card.Altering = (*Card)(nil)

// Alterations implements card.Altering. On Linux it asks the sound server of
// the streams of this process; a card that is opened itself, past any server,
// alters nothing. On Windows and macOS it goes by the rate that the system
// runs the card at.
func (c *Card) Alterations(ctx context.Context, rateHz int) ([]card.Alteration, error) {
	if found := mixerResamples(c.devices, c.in, c.out, rateHz); len(found) > 0 {
		return found, nil
	}
	if runtime.GOOS != "linux" || c.past() {
		return nil, nil
	}
	state, ok, err := server.Ask(ctx, server.Run)
	if !ok {
		return nil, err
	}
	return state.Alterations(os.Getpid(), rateHz), nil
}

// past reports whether the way to both halves goes past the desktop's sound
// server.
func (c *Card) past() bool {
	player := Group(exported([]device{c.out}))[0].Ways[0].Kind
	return (c.kind == Direct || c.kind == Studio) && (player == Direct || player == Studio)
}

// Remedy implements card.Altering.
func (c *Card) Remedy(code string) string {
	return server.Remedy(server.SystemOf(runtime.GOOS), code)
}

// mixerResamples returns that the mixer of Windows, or Core Audio, runs the
// cards at another rate than rateHz. PortAudio lists a card of Windows once for
// each interface; what WASAPI lists is the rate of the mixer that the others go
// through as well. From memory: neither was seen on a computer with a real card.
func mixerResamples(all []device, in, out device, rateHz int) []card.Alteration {
	var words []string
	what, system := "the mixer of Windows", server.Windows
	for _, side := range []struct {
		name  string
		d     device
		alike func(device) bool
	}{
		{"output", out, func(d device) bool { return d.outputs > 0 }},
		{"input", in, func(d device) bool { return d.inputs > 0 }},
	} {
		d := side.d
		switch d.api {
		case coreAudio:
			what, system = "Core Audio", server.MacOS
		case mme, directSound:
			// MME cuts names off.
			i := slices.IndexFunc(all, func(o device) bool {
				return o.api == wasapi && side.alike(o) && strings.HasPrefix(o.name, d.name)
			})
			if i < 0 {
				continue
			}
			d = all[i]
		case wasapi:
			// Windows itself does not open a card at another rate; Wine does.
		default:
			continue
		}
		if d.rateHz > 0 && math.Abs(d.rateHz-float64(rateHz)) > rateTolerance*float64(rateHz) {
			words = append(words, fmt.Sprintf("the %s: %q runs at %g Hz, the program at %d Hz", side.name, d.name, d.rateHz, rateHz))
		}
	}
	if len(words) == 0 {
		return nil
	}
	return []card.Alteration{{
		Code: card.Resampled, Text: what + " resamples " + strings.Join(words, ", and "), Advice: server.Remedy(system, card.Resampled),
	}}
}
