package signal

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"

	"tapload/measure/exactjson"
)

const kindChirp = "chirp"

// Chirp is a repeated exponential chirp. Within a period of T = Period/Rate
// seconds
//
//	x(t) = Peak w(t) sin(2 pi StartHz L (exp(t/L) - 1)),  L = T / ln(StopHz/StartHz),
//
// so that the frequency StartHz exp(t/L) rises by the same factor in equal
// times and every octave gets the same share of the time (A. Farina, AES 108th
// Convention, 2000). StartHz L and StopHz L are whole numbers: the period ends
// on a whole cycle and joins the next without a step, and the responses of
// the harmonics keep their phase (A. Novak, P. Lotton, L. Simon, J. Audio Eng.
// Soc. 63(10), 786-798, 2015).
//
// The chirp starts below and stops above the band in which it measures. On the
// first half (in octaves) of the way into the band the envelope w rises from 0
// to 1, on the way out of it it falls back, as half a cosine over time: the
// jump of frequency at the joint is silent, and the spectrum has neither
// ripples nor a tail above StopHz.
type Chirp struct {
	RateHz  int
	Peak    float64 // largest sample, fraction of full scale
	StartHz float64
	StopHz  float64
	frame   Frame
}

// ChirpOptions chooses a Chirp. The zero value of a field takes its default.
type ChirpOptions struct {
	RateHz        int     // default 48000
	LowHz, HighHz float64 // band to measure in; default 10 Hz to 20 kHz
	Peak          float64 // fraction of full scale; default 0.5 (-6 dB)
	PeriodSeconds float64 // default 2^18/48000 = 5.46 s; the nearest fit length is taken
	Periods       int     // counted periods; default 2
}

// Defaults of ChirpOptions.
const (
	DefaultRateHz  = 48000
	DefaultLowHz   = 10.0
	DefaultHighHz  = 20000.0
	DefaultPeak    = 0.5
	DefaultSeconds = 262144.0 / 48000
	DefaultPeriods = 2
)

const beyondLow, beyondHigh = 0.75, 1.05 // how far the chirp runs past its band

// NewChirp returns the chirp for o, or an error that names the option at
// fault.
func NewChirp(o ChirpOptions) (Chirp, error) {
	o.RateHz = cmp.Or(o.RateHz, DefaultRateHz)
	o.Periods = cmp.Or(o.Periods, DefaultPeriods)
	o.LowHz = cmp.Or(o.LowHz, DefaultLowHz)
	o.HighHz = cmp.Or(o.HighHz, DefaultHighHz)
	o.Peak = cmp.Or(o.Peak, DefaultPeak)
	o.PeriodSeconds = cmp.Or(o.PeriodSeconds, DefaultSeconds)

	nyquist := float64(o.RateHz) / 2
	switch {
	case o.RateHz < minRateHz || o.RateHz > maxRateHz:
		return Chirp{}, fmt.Errorf("sample rate %d Hz is outside %d to %d Hz", o.RateHz, minRateHz, maxRateHz)
	case !(o.PeriodSeconds >= 0.1 && o.PeriodSeconds <= 120):
		return Chirp{}, fmt.Errorf("period of %g s is outside 0.1 to 120 s", o.PeriodSeconds)
	case o.Periods < 2 || !Smooth(o.Periods):
		return Chirp{}, fmt.Errorf("%d periods: at least two are needed, and no prime factor above 5", o.Periods)
	case !(o.Peak > 0 && o.Peak <= 1):
		return Chirp{}, fmt.Errorf("peak %g of full scale is outside 0 to 1", o.Peak)
	case !(o.LowHz > 0 && o.HighHz >= 2*o.LowHz):
		return Chirp{}, fmt.Errorf("band from %g to %g Hz must start above 0 and span at least an octave", o.LowHz, o.HighHz)
	case o.HighHz*beyondHigh > 0.98*nyquist:
		return Chirp{}, fmt.Errorf("band up to %g Hz does not fit a sample rate of %d Hz, which carries up to %.0f Hz", o.HighHz, o.RateHz, math.Floor(0.98*nyquist/beyondHigh))
	}

	period := PeriodNear(o.RateHz, o.PeriodSeconds)
	t := float64(period) / float64(o.RateHz)

	// With a = StartHz L and b = StopHz L whole, L = T/ln(b/a): the start
	// frequency is a ln(b/a)/T and the stop frequency b ln(b/a)/T.
	ratio := math.Log(o.HighHz * beyondHigh / (o.LowHz * beyondLow))
	cycles := o.LowHz * beyondLow * t / ratio
	a := math.Max(1, math.Floor(cycles))
	b := math.Ceil(o.HighHz * beyondHigh * t / ratio)
	for (b-1)*math.Log((b-1)/a)/t >= o.HighHz*beyondHigh {
		b-- // rounding a down has raised the ratio
	}
	if start := a * math.Log(b/a) / t; cycles < 1 || start > o.LowHz {
		const ample = 1.25 // since a and b move in whole steps
		return Chirp{}, fmt.Errorf("band from %g Hz needs a period longer than %.2f s; raise the low end to %.1f Hz or more", o.LowHz, t, math.Ceil(10*ample*max(start, ratio/(beyondLow*t)))/10)
	}
	c := Chirp{
		RateHz:  o.RateHz,
		Peak:    o.Peak,
		StartHz: a * math.Log(b/a) / t,
		StopHz:  b * math.Log(b/a) / t,
		frame:   frameOf(o.RateHz, period, o.Periods, o.LowHz, o.HighHz),
	}
	return c, c.check()
}

// check returns an error that names what no NewChirp would have made.
func (c Chirp) check() error {
	f := c.frame
	if err := f.check(c.RateHz); err != nil {
		return fmt.Errorf("chirp: %w", err)
	}
	if n := PeriodNear(c.RateHz, float64(f.Period)/float64(c.RateHz)); n != f.Period {
		return fmt.Errorf("chirp: a period of %d samples at %d Hz is odd or holds a whole number of mains cycles; the nearest that does not has %d", f.Period, c.RateHz, n)
	}
	if !(c.Peak > 0 && c.Peak <= 1) {
		return fmt.Errorf("chirp: peak %g of full scale is outside 0 to 1", c.Peak)
	}
	if !(c.StartHz > 0 && c.StartHz <= f.LowHz && c.StopHz >= f.HighHz && c.StopHz < float64(c.RateHz)/2) {
		return fmt.Errorf("chirp: sweep from %g to %g Hz must enclose its band from %g to %g Hz and stay below %d Hz", c.StartHz, c.StopHz, f.LowHz, f.HighHz, c.RateHz/2)
	}
	const near = 1e-6 // far above rounding, far below a step that could be seen
	if a, b := c.StartHz*c.Rise(), c.StopHz*c.Rise(); a < 1-near || math.Abs(a-math.Round(a)) > near || math.Abs(b-math.Round(b)) > near {
		return fmt.Errorf("chirp: sweep from %g to %g Hz does not join the next period: %g and %g cycles per rise by e must be whole numbers", c.StartHz, c.StopHz, a, b)
	}
	return nil
}

// Rate returns the sample rate in hertz.
func (c Chirp) Rate() int { return c.RateHz }

// Frame returns the layout of c in time and frequency.
func (c Chirp) Frame() Frame { return c.frame }

// Rise returns L of the law, the time in seconds in which the frequency rises
// by the factor e. The response of the k-th harmonic arrives L ln k earlier
// than that of the fundamental.
func (c Chirp) Rise() float64 {
	return float64(c.frame.Period) / float64(c.RateHz) / math.Log(c.StopHz/c.StartHz)
}

// Samples returns the whole signal.
func (c Chirp) Samples() []float64 {
	return c.frame.unroll(whole(c.Cycle(context.Background())))
}

// Cycle returns one period.
func (c Chirp) Cycle(ctx context.Context) ([]float64, error) {
	l, rate := c.Rise(), float64(c.RateHz)
	period := make([]float64, c.frame.Period)
	for n := range period {
		if n%often == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		t := float64(n) / rate
		period[n] = c.Peak * math.Sin(2*math.Pi*c.StartHz*l*math.Expm1(t/l))
	}
	in := l * math.Log(c.frame.LowHz/c.StartHz) / 2 * rate
	out := l * math.Log(c.StopHz/c.frame.HighHz) * rate
	for n := 0; float64(n) < in; n++ {
		period[n] *= halfCosine(float64(n) / in)
	}
	for n := len(period) - 1; float64(len(period)-n) < out; n-- {
		period[n] *= halfCosine(float64(len(period)-n) / out)
	}
	return period, nil
}

// often is after how many samples the context is asked.
const often = 1 << 14

type chirpJSON struct {
	Kind    string  `json:"kind"`
	RateHz  int     `json:"rate_hz"`
	LowHz   float64 `json:"low_hz"`
	HighHz  float64 `json:"high_hz"`
	Peak    float64 `json:"peak"`
	StartHz float64 `json:"start_hz"`
	StopHz  float64 `json:"stop_hz"`
	LeadIn  int     `json:"lead_in"`
	Period  int     `json:"period"`
	Periods int     `json:"periods"`
	Tail    int     `json:"tail"`
	Fade    int     `json:"fade"`
}

// MarshalJSON writes the law of c; Decode reads it.
func (c Chirp) MarshalJSON() ([]byte, error) {
	f := c.frame
	return json.Marshal(chirpJSON{kindChirp, c.RateHz, f.LowHz, f.HighHz, c.Peak, c.StartHz, c.StopHz, f.LeadIn, f.Period, f.Periods, f.Tail, f.Fade})
}

func decodeChirp(data []byte) (Signal, error) {
	var j chirpJSON
	if err := exactjson.Decode(data, "law", &j); err != nil {
		return nil, fmt.Errorf("chirp law: %w", err)
	}
	c := Chirp{j.RateHz, j.Peak, j.StartHz, j.StopHz, Frame{j.LeadIn, j.Period, j.Periods, j.Tail, j.Fade, j.LowHz, j.HighHz}}
	if err := c.check(); err != nil {
		return nil, err
	}
	return c, nil
}
