package measure

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"

	"tapload/measure/card"
	"tapload/measure/impedance"
)

// asking asks a card what its way does to sound, once while it plays.
type asking struct {
	of    card.Altering // nil where the card cannot say
	once  sync.Once
	done  chan struct{}
	ended <-chan struct{} // the context
	found []card.Alteration
}

// tooLong bounds the time that an answer may take after the sound is over.
const tooLong = 3 * time.Second

func askWhilePlaying(c card.Card) *asking {
	if w, ok := c.(*stopwatch); ok {
		c = w.Card
	}
	a := &asking{done: make(chan struct{})}
	a.of, _ = c.(card.Altering)
	return a
}

// progress returns a report that asks, at its first call, for sound at rateHz,
// and passes everything on.
func (a *asking) progress(ctx context.Context, rateHz int, on func(card.Progress)) func(card.Progress) {
	if a.of == nil {
		return on
	}
	a.ended = ctx.Done()
	return func(p card.Progress) {
		a.once.Do(func() {
			go func() {
				defer close(a.done)
				// That a server does not answer says nothing of the sound.
				a.found, _ = a.of.Alterations(ctx, rateHz)
			}()
		})
		if on != nil {
			on(p)
		}
	}
}

// answer returns what was found out, nothing where the card did not play.
func (a *asking) answer() []card.Alteration {
	asked := true
	a.once.Do(func() { asked = false })
	if a.of == nil || !asked {
		return nil
	}
	select {
	case <-a.done:
		return a.found
	case <-a.ended:
		return nil
	case <-time.After(tooLong):
		return nil
	}
}

// known is answer as far as it is there.
func (a *asking) known() []card.Alteration {
	select {
	case <-a.done:
		return a.found
	default:
		return nil
	}
}

// remedy returns where the system of c turns off what has the code, or what is
// said of every system.
func remedy(c card.Card, code, everywhere string) string {
	if a, ok := c.(card.Altering); ok {
		if r := a.Remedy(code); r != "" {
			return r
		}
	}
	return everywhere
}

// altered returns the alterations as warnings of a record.
func altered(by []card.Alteration) []impedance.Warning {
	var w []impedance.Warning
	for _, a := range by {
		w = append(w, impedance.Warning{Code: a.Code, Text: a.Text + "; " + a.Advice})
	}
	return w
}

// alterations adds those to the findings that are not there yet.
func (c *Checked) alterations(by []card.Alteration) {
	for _, a := range by {
		if slices.ContainsFunc(c.Findings, func(f Finding) bool { return f.Code == a.Code }) {
			continue
		}
		s := Caution
		if a.Spoils {
			s = Problem
		}
		c.add(a.Code, s, a.Advice, "%s", a.Text)
	}
}

// explained returns err with those alterations that may be behind it: a fault
// is often the first that people hear of a setting of their system.
func explained(err error, by []card.Alteration) error {
	var fault *card.Fault
	if !errors.As(err, &fault) {
		return err
	}
	more := *fault
	for _, a := range by {
		if a.Code == card.Resampled || a.Code == card.SoftwareVolume {
			continue // neither spoils a recording
		}
		more.Advice = strings.TrimPrefix(more.Advice+"; "+a.Text+": "+a.Advice, "; ")
	}
	return &more
}

// resampled adds to the warnings what the sound shows of a lower sample rate on
// its way, where the sound system said nothing of it.
func resampled(by []impedance.Warning, t taken) []impedance.Warning {
	if slices.ContainsFunc(by, func(w impedance.Warning) bool { return w.Code == card.Resampled }) {
		return by
	}
	if w := t.passage.wall(t.ratio.Seen.NoiseFloor[0]); w.hz > 0 {
		by = append(by, impedance.Warning{Code: card.Resampled, Text: "what is played " + w.words(t.recording.RateHz) + "; " + oneRate})
	}
	return by
}
