package measure

import (
	"context"
	"slices"

	"tapload/measure/card"
	"tapload/measure/hum"
)

// quietness is what a recording of silence shows.
type quietness struct {
	offset, noise [2]float64
	humHz, hum    float64
}

const (
	humLowHz  = 10.0 // from which on hum is looked for
	humHighHz = 0.45 // to this part of the rate
)

// listenTo takes offset, the strongest hum and the noise beside all hum from a
// recording of silence.
func listenTo(ctx context.Context, rec card.Recording) (q quietness, err error) {
	run := hum.Run{X: [2][]float64{slices.Clone(rec.V1), slices.Clone(rec.V2)}}
	for ch, v := range run.X {
		for _, s := range v {
			q.offset[ch] += s / float64(len(v))
		}
		for i := range v {
			v[i] -= q.offset[ch]
		}
	}
	rate := float64(rec.RateHz)
	tones, err := hum.Standing(ctx, []hum.Run{run}, rate, humLowHz, humHighHz*rate)
	for ch, v := range run.X {
		q.noise[ch] = card.RMS(v) // what the tones left
	}
	if len(tones) == 0 || err != nil {
		return q, err
	}
	strongest := tones[0]
	q.hum, q.humHz = max(strongest.Peak[0], strongest.Peak[1]), strongest.Hz
	for _, f := range hum.Families(tones) {
		if f.Has(strongest.Hz) {
			q.humHz = f.BaseHz
			break
		}
	}
	return q, nil
}
