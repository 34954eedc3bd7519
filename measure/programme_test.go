package measure_test

import (
	"math"
	"math/rand/v2"
)

// programme is a kind of invented sound. It fills x, whose samples are at rate
// hertz, at any level; none of it is anybody's.
type programme struct {
	name string
	play func(x []float64, rate float64, r *rand.Rand)

	soft float64 // of full scale, 1 for 0
	hum  float64 // amplitude of mains hum in both inputs, of full scale; 0 for that of the card
}

var programmes = []programme{
	{name: "plucked, with pauses", play: func(x []float64, rate float64, r *rand.Rand) { pluckedNotes(x, rate, r, true) }},
	{name: "plucked, no pauses", play: func(x []float64, rate float64, r *rand.Rand) { pluckedNotes(x, rate, r, false) }},
	{name: "chords, overdriven", play: overdrivenChords},
	{name: "bass line", play: bassLine},
	{name: "soft", play: func(x []float64, rate float64, r *rand.Rand) { pluckedNotes(x, rate, r, true) }, soft: 0.01},
	{name: "loud hum", play: func(x []float64, rate float64, r *rand.Rand) { pluckedNotes(x, rate, r, true) }, hum: 0.01},
	{name: "drums", play: drums},
	{name: "speech", play: speech},
	{name: "swept notes", play: sweptNotes},
}

// sound returns seconds of p through an amplifier that passes no DC and hisses
// at -75 dB, its loudest sample at peak, with a tenth of a second of silence at either end.
func (p programme) sound(seconds, rate, peak float64, seed uint64) []float64 {
	const (
		hiss   = 2e-4
		lowHz  = 30.0
		rest   = 0.1  // s
		fading = 0.05 // s
	)
	r := rand.New(rand.NewPCG(seed, 0x50d4))
	x := make([]float64, int(seconds*rate))
	p.play(x, rate, r)
	var top float64
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	k := 1 - math.Exp(-2*math.Pi*lowHz/rate)
	var slow, before [2]float64
	for i, v := range x {
		edge := float64(min(i, len(x)-1-i)) / rate
		v = max(0, min(1, (edge-rest)/fading)) * (v/top + hiss*r.NormFloat64())
		for j := range slow {
			slow[j] += k * (v - slow[j])
			v -= slow[j]
		}
		// Nothing at half the sample rate, where a circuit's spectrum is cut off.
		x[i] = (v + 2*before[0] + before[1]) / 4
		before = [2]float64{v, before[0]}
	}
	top = 0
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	if p.soft > 0 {
		peak *= p.soft
	}
	for i := range x {
		x[i] *= peak / top
	}
	return x
}

// wire is a plucked string: a delay line that loses its treble as it goes round
// (K. Karplus, A. Strong, Computer Music J. 7(2), 43-55, 1983, from memory).
type wire struct {
	line       []float64
	at         int
	last, part float64
}

func (w *wire) pluck(hz, rate, strength float64, r *rand.Rand) {
	period := rate / hz
	n := max(2, int(period-0.1))
	w.part = math.Min(0.95, period-float64(n))
	w.line, w.at, w.last = make([]float64, n), 0, 0
	low := 0.0
	for i := range w.line {
		low += 0.35 * (2*r.Float64() - 1 - low)
		w.line[i] = strength * low
	}
}

func (w *wire) ring(x []float64, loss float64) {
	if len(w.line) == 0 {
		return
	}
	for i := range x {
		v := w.line[w.at]
		x[i] += v
		w.line[w.at] = loss * ((1-w.part)*v + w.part*w.last)
		w.last = v
		if w.at++; w.at == len(w.line) {
			w.at = 0
		}
	}
}

// semitones above 82.4 Hz, the low string of a guitar.
func semitones(n int) float64 { return 82.41 * math.Exp2(float64(n)/12) }

func pluckedNotes(x []float64, rate float64, r *rand.Rand, pauses bool) {
	wires := make([]wire, 6)
	rested := true
	for from := 0; from < len(x); {
		length, loss := 0.2+0.5*r.Float64(), 0.9965
		switch style := r.Float64(); {
		case pauses && !rested && style < 0.1:
			rested, loss, length = true, 0.8, 1+1.5*r.Float64()
		case style < 0.4:
			rested = false
			length *= 2
			at := r.IntN(9)
			for s := range wires {
				if r.Float64() < 0.85 {
					wires[s].pluck(semitones(5*s+at+r.IntN(4)), rate, 0.3+0.7*r.Float64(), r)
				}
			}
		default:
			rested = false
			s := r.IntN(len(wires))
			wires[s].pluck(semitones(5*s+r.IntN(13)), rate, 0.3+0.7*r.Float64(), r)
		}
		to := min(len(x), from+int(length*rate))
		for s := range wires {
			wires[s].ring(x[from:to], loss)
		}
		from = to
	}
}

// overdrivenChords are held for seconds, one after the other without a pause,
// through an amplifier that clips hard.
func overdrivenChords(x []float64, rate float64, r *rand.Rand) {
	for from := 0; from < len(x); {
		to := min(len(x), from+int((1+3*r.Float64())*rate))
		root := r.IntN(13)
		var hz, phase []float64
		for _, above := range [...]int{0, 7, 12, 15 + r.IntN(2)} {
			hz = append(hz, semitones(root+above)*(1+2e-3*r.NormFloat64()))
			phase = append(phase, r.Float64())
		}
		for i := from; i < to; i++ {
			t := float64(i-from) / rate
			v := 0.0
			for k, f := range hz {
				turn := 2 * math.Pi * (f*t + phase[k])
				v += math.Sin(turn) + 0.5*math.Sin(2*turn) + 0.3*math.Sin(3*turn)
			}
			x[i] = max(-1, min(1, 8*v*math.Exp(-0.8*t)))
		}
		from = to
	}
}

// bassLine is the notes of a bass alone, of little treble.
func bassLine(x []float64, rate float64, r *rand.Rand) {
	var low [2]float64
	k := 1 - math.Exp(-2*math.Pi*600/rate)
	var w wire
	for from := 0; from < len(x); {
		to := min(len(x), from+int((0.25+0.4*r.Float64())*rate))
		w.pluck(semitones(r.IntN(18)-12), rate, 0.5+0.5*r.Float64(), r)
		w.ring(x[from:to], 0.995)
		for i := from; i < to; i++ {
			low[0] += k * (x[i] - low[0])
			low[1] += k * (low[0] - low[1])
			x[i] = low[1]
		}
		from = to
	}
}

// drums are a skin that falls in pitch, and bursts of noise, on a beat.
func drums(x []float64, rate float64, r *rand.Rand) {
	beat := 0.18 + 0.12*r.Float64()
	for at := 0.0; at*rate < float64(len(x)); at += beat {
		if r.Float64() < 0.25 {
			continue
		}
		from := int(at * rate)
		to := min(len(x), from+int(0.6*rate))
		strength := 0.3 + 0.7*r.Float64()
		skin := r.Float64() < 0.5
		hz, decay := 45+60*r.Float64(), 6+10*r.Float64()
		if !skin {
			decay = 15 + 60*r.Float64()
		}
		var turn, last float64
		for i := from; i < to; i++ {
			t := float64(i-from) / rate
			n := r.NormFloat64()
			if skin {
				turn += 2 * math.Pi * hz * (1 + 2*math.Exp(-30*t)) / rate
				x[i] += strength * (math.Sin(turn)*math.Exp(-decay*t) + 0.1*n*math.Exp(-200*t))
			} else {
				x[i] += 0.4 * strength * (n - 0.6*last) * math.Exp(-decay*t)
			}
			last = n
		}
	}
}

// speech is syllables of a voice that glides, through three resonances of a
// mouth, between hisses and short pauses.
func speech(x []float64, rate float64, r *rand.Rand) {
	for from := 0; from < len(x); {
		to := min(len(x), from+int((0.08+0.25*r.Float64())*rate))
		style := r.Float64()
		if style < 0.2 {
			from = min(len(x), from+int((0.05+0.4*r.Float64())*rate))
			continue
		}
		formants := [3]float64{300 + 500*r.Float64(), 900 + 1300*r.Float64(), 2300 + 700*r.Float64()}
		var state [3][2]float64
		hz, slide, turn := 90+60*r.Float64(), 40*(2*r.Float64()-1), 0.0
		for i := from; i < to; i++ {
			t := float64(i-from) / float64(to-from)
			window := math.Sin(math.Pi * t)
			if style < 0.35 {
				x[i] = 0.3 * window * r.NormFloat64()
				continue
			}
			turn += (hz + slide*t) / rate
			in := 0.05 * r.NormFloat64()
			if turn >= 1 {
				turn--
				in += 10
			}
			for f, c := range formants {
				radius := math.Exp(-math.Pi * (60 + 0.04*c) / rate)
				v := (1-radius)*in + 2*radius*math.Cos(2*math.Pi*c/rate)*state[f][0] - radius*radius*state[f][1]
				state[f] = [2]float64{v, state[f][0]}
				x[i] += window * v / float64(f+1)
			}
		}
		from = to
	}
}

// sweptNotes glide from one pitch to the next, with harmonics, and hardly pause.
func sweptNotes(x []float64, rate float64, r *rand.Rand) {
	note, turn := float64(r.IntN(24)), 0.0
	for from := 0; from < len(x); {
		to := min(len(x), from+int((0.3+1.2*r.Float64())*rate))
		next := float64(r.IntN(36)) - 8
		bright := 0.5 + 0.4*r.Float64()
		for i := from; i < to; i++ {
			t := float64(i-from) / float64(to-from)
			turn = math.Mod(turn+82.41*math.Exp2((note+(next-note)*t)/12)/rate, 1)
			v, a := 0.0, 1.0
			for h := 1.0; h <= 12; h++ {
				v += a * math.Sin(2*math.Pi*h*turn)
				a *= bright
			}
			x[i] = v * (0.3 + 0.7*math.Exp(-3*t))
		}
		note, from = next, to
	}
}
