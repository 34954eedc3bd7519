package ratio

import (
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"tapload/measure/card"
	"tapload/measure/record"
	"tapload/measure/signal"
)

// hammerstein records a current that is bent first and filtered after,
//
//	V1 - V2 = h * (x + c3 x^3 + c5 x^5),
//
// of which the harmonics are known in closed form.
type hammerstein struct {
	c3, c5 float64
	h      func(hz float64) complex128
	noise  float64
	late   int // samples of the signal that the recording misses
}

func (y hammerstein) record(c signal.Chirp, seed uint64) card.Recording {
	x := c.Samples()
	n := signal.SmoothLength(len(x) + c.Rate())
	bent := make([]float64, n)
	for i, v := range x {
		bent[i] = v + y.c3*v*v*v + y.c5*v*v*v*v*v
	}
	fft := fourier.NewFFT(n)
	spec := fft.Coefficients(nil, bent)
	for k := range spec {
		spec[k] *= y.h(fft.Freq(k)*float64(c.Rate())) / complex(float64(n), 0)
	}
	current := fft.Sequence(nil, spec)
	rec := card.Recording{RateHz: c.Rate(), Source: "a synthetic recording", Inputs: [2]int{1, 2}}
	r := rand.New(rand.NewPCG(seed, 0x4a3))
	for i := y.late; i < len(x); i++ {
		rec.V1 = append(rec.V1, x[i]+y.noise*r.NormFloat64())
		rec.V2 = append(rec.V2, x[i]-current[i]+y.noise*r.NormFloat64())
	}
	return rec
}

// level is that of a harmonic against a fundamental at hz, in dB, from
//
//	sin^3 a = (3 sin a - sin 3a)/4,  sin^5 a = (10 sin a - 5 sin 3a + sin 5a)/16.
func (y hammerstein) level(order int, hz, peak float64) float64 {
	c3, c5 := y.c3*math.Pow(peak, 2), y.c5*math.Pow(peak, 4)
	a := map[int]float64{1: 1 + 3*c3/4 + 5*c5/8, 3: c3/4 + 5*c5/16, 5: c5 / 16}
	return 20 * math.Log10(math.Abs(a[order])/math.Abs(a[1])*cmplx.Abs(y.h(float64(order)*hz)/y.h(hz)))
}

func admittance(hz float64) complex128 { return 6 / (10 + cabinet(hz)) }

func harmonics(t testing.TB, rec card.Recording, c signal.Chirp) record.Distortion {
	t.Helper()
	d, err := harmonicsAlone(t.Context(), rec, c)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// A rate of 192 kHz holds the fifth harmonic of the whole chirp, so that the
// bent samples alias nothing.
func TestHarmonicsOfAHammersteinModel(t *testing.T) {
	plainOnly(t)
	c := chirp(t, signal.ChirpOptions{RateHz: 192000, PeriodSeconds: 2.7, LowHz: 20, Peak: 0.8})
	for _, y := range []hammerstein{
		{c5: -0.05, h: admittance, late: 70000},
		{c3: 0.1, c5: 0.05, h: admittance},
		{c3: 1e-3, c5: 1e-3, h: admittance},
	} {
		d := harmonics(t, y.record(c, 1), c)
		checked := 0
		for _, o := range d.Orders {
			if o.Number != 3 && o.Number != 5 {
				continue
			}
			for i, l := range o.Level {
				checked++
				if want := y.level(o.Number, d.Hz[i], c.Peak); math.Abs(l-want) > 0.5 {
					t.Errorf("c3 %g, c5 %g: order %d at %.1f Hz is %.2f dB, want %.2f", y.c3, y.c5, o.Number, d.Hz[i], l, want)
				}
			}
		}
		if checked < 80 {
			t.Errorf("c3 %g, c5 %g: %d levels compared, want 80 or more", y.c3, y.c5, checked)
		}
	}
}

// A linear load has no harmonics: what is read is the method's own. Its third of
// an octave above the low end is the worst, where the chirp begins.
func TestHarmonicsOfALinearLoad(t *testing.T) {
	c := chirp(t, signal.ChirpOptions{})
	d := harmonics(t, hammerstein{h: admittance}.record(c, 1), c)
	for _, o := range d.Orders {
		if i := o.Loudest(); i >= 0 {
			t.Errorf("order %d at %.1f Hz is %.1f dB and stands clear of its floor of %.1f dB", o.Number, d.Hz[i], o.Level[i], o.Floor[i])
		}
	}
	for i, hz := range d.Hz {
		for _, o := range d.Orders {
			if i < len(o.Level) && (o.Level[i] > -75 || hz > 30 && o.Level[i] > -110) {
				t.Errorf("order %d at %.1f Hz is %.1f dB", o.Number, hz, o.Level[i])
			}
		}
		if i < len(d.Residual) && d.Residual[i] > -140 {
			t.Errorf("residual at %.1f Hz is %.1f dB", hz, d.Residual[i])
		}
	}
}

// Of noise alone, levels scatter about their floor: over some hundred points of
// some lines each their mean power is known to a few per cent.
func TestHarmonicsFloorIsThatOfNoise(t *testing.T) {
	plainOnly(t)
	c := chirp(t, signal.ChirpOptions{Periods: 4})
	d := harmonics(t, hammerstein{h: admittance, noise: 1e-3}.record(c, 5), c)
	mean := func(level, floor []float64) float64 {
		var sum float64
		n := 0.0
		for i, l := range level {
			if d.Hz[i] > 30 {
				sum += math.Pow(10, (l-floor[i])/10)
				n++
			}
		}
		return sum / n
	}
	for _, o := range d.Orders {
		if m := mean(o.Level, o.Floor); m < 0.85 || m > 1.15 {
			t.Errorf("order %d: noise has %.2f of the power that the floor says", o.Number, m)
		}
	}
	if m := mean(d.Residual, d.ResidualFloor); m < 0.85 || m > 1.15 {
		t.Errorf("residual: noise has %.2f of the power that its floor says", m)
	}
}

// Short pulses at the same place of each cycle, as of something that knocks,
// are of every order: with duty 1/64 the harmonics up to the 8th have nearly one
// level, and those from the 9th on hold the more of the pulses' power.
func TestResidualOfPulses(t *testing.T) {
	c := chirp(t, signal.ChirpOptions{})
	rec := hammerstein{h: func(float64) complex128 { return 0.5 }}.record(c, 1)
	f := c.Frame()
	const height, fromHz, toHz = 1e-3, 80.0, 160.0
	const duty = 1.0 / 64
	for i := range rec.V2 {
		at := float64(((i-f.LeadIn)%f.Period+f.Period)%f.Period) / float64(c.Rate())
		hz := c.StartHz * math.Exp(at/c.Rise())
		if turn := math.Mod(c.StartHz*c.Rise()*math.Expm1(at/c.Rise()), 1); hz > fromHz && hz < toHz && turn < duty {
			rec.V2[i] -= height
		}
	}
	d := harmonics(t, rec, c)
	// A Fourier series: a_k = 2 height sin(pi k duty)/(pi k).
	fundamental := 0.5 * c.Peak
	var above float64
	for k := lastOrder + 1; k < mostOrder; k++ {
		a := 2 * height * math.Sin(math.Pi*float64(k)*duty) / (math.Pi * float64(k))
		above += a * a / 2
	}
	want := 10 * math.Log10(above/(fundamental*fundamental/2))
	for i, hz := range d.Hz {
		switch {
		case hz > fromHz*1.1 && hz < toHz/1.1:
			if math.Abs(d.Residual[i]-want) > 0.5 {
				t.Errorf("residual at %.1f Hz is %.1f dB, want %.1f", hz, d.Residual[i], want)
			}
		case (hz < fromHz/1.2 || hz > toHz*1.2) && i < len(d.Residual) && d.Residual[i] > want-30:
			t.Errorf("residual at %.1f Hz, where nothing knocks, is %.1f dB", hz, d.Residual[i])
		}
	}
}

func TestHarmonicsRefusals(t *testing.T) {
	c := chirp(t, signal.ChirpOptions{PeriodSeconds: 0.7, LowHz: 50})
	rec := hammerstein{h: func(float64) complex128 { return 0 }}.record(c, 1)
	_, err := harmonicsAlone(t.Context(), rec, c)
	wantFault(t, err, card.NoSignal, "no current flows in a synthetic recording at")
	rec.RateHz = 44100
	_, err = harmonicsAlone(t.Context(), rec, c)
	wantFault(t, err, card.WrongRate, "was recorded at 44100 Hz")
	for high, refused := range map[float64]bool{100: true, 240: true, 320: false, 400: false} {
		c := chirp(t, signal.ChirpOptions{LowHz: 20, HighHz: high})
		y := hammerstein{c3: 0.1, h: func(float64) complex128 { return 0.5 }}
		d, err := harmonicsAlone(t.Context(), y.record(c, 1), c)
		if refused {
			if err == nil || !strings.Contains(err.Error(), "is too narrow to tell 8 orders apart; let it reach from 20 to 320 Hz or more") {
				t.Errorf("up to %g Hz: error %v", high, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("up to %g Hz: %v", high, err)
			continue
		}
		if l, want := d.Orders[1].Level[4], y.level(3, 30, c.Peak); math.Abs(l-want) > 0.5 {
			t.Errorf("up to %g Hz: third harmonic %.2f dB, want %.2f", high, l, want)
		}
	}
}

// harmonicsAlone returns the harmonics of a recording of which no ratio is wanted.
func harmonicsAlone(ctx context.Context, rec card.Recording, c signal.Chirp) (record.Distortion, error) {
	if _, err := ringOf(c); err != nil {
		return record.Distortion{}, err
	}
	if err := sameRate(rec, c); err != nil {
		return record.Distortion{}, err
	}
	heard, err := inputsOf(ctx, rec)
	if err != nil {
		return record.Distortion{}, err
	}
	s, _, err := spectrumOf(ctx, rec, heard, c, mostAtOnce)
	if err != nil {
		return record.Distortion{}, err
	}
	d := s.harmonics(ctx, rec, c)
	return d.Distortion, d.Err
}
