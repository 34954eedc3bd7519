package fit

import (
	"math"
	"math/cmplx"

	"tapload/measure/impedance"
)

const (
	bodeSteps    = 12   // an octave, of the grid that the relation is worked out on
	bodeClear    = 0.5  // octaves at each end that count for nothing: they hang on what lies outside
	bodeLeast    = 0.04 // rad rms of phase from which a curve tells its sign
	bodeOffset   = 0.1  // rad that the phase may be off by throughout
	bodeMirrored = 4    // ratio of the squares, 2 in amplitude, that makes the sign wrong
)

// bodePhase returns the phase that Bode's relation gives to the slope of ln|Z|,
// in rad, on a grid of hz equal steps of ln f:
//
//	phase(w) = 1/pi integral d ln|Z|/du ln coth(|u - ln w|/2) du
//
// which holds for every passive load, since an impedance that is positive real
// has its poles and its zeros where they count as minimum phase. Outside the
// grid the slope is taken to go on as it ends. Source: H. W. Bode, Network
// Analysis and Feedback Amplifier Design, 1945, chapter 14 (from memory).
func bodePhase(modulus []float64, step float64) []float64 {
	n := len(modulus)
	slope := make([]float64, n-1)
	for i := range slope {
		slope[i] = math.Log(modulus[i+1]/modulus[i]) / step
	}
	// below[k] is the integral of ln coth(|u|/2) from 0 to k steps.
	below := make([]float64, n)
	for k := 1; k < n; k++ {
		below[k] = impedance.CothIntegral(float64(k) * step)
	}
	phase := make([]float64, n)
	for i := range phase {
		sum := slope[0]*(impedance.CothWhole-below[i]) + slope[n-2]*(impedance.CothWhole-below[n-1-i])
		for k, s := range slope {
			if k < i {
				sum += s * (below[i-k] - below[i-k-1])
			} else {
				sum += s * (below[k+1-i] - below[k-i])
			}
		}
		phase[i] = sum / math.Pi
	}
	return phase
}

// mirrored reports whether the phase of a curve has the wrong sign: whether it
// is the opposite of what the slope of |Z| asks for. No more is asked of it
// than the sign: a phase that is off by a few degrees is not mirrored.
func mirrored(points []impedance.Point) bool {
	low, high := math.Log(points[0].Hz), math.Log(points[len(points)-1].Hz)
	n := int((high-low)/math.Ln2*bodeSteps) + 1
	if n < 2*bodeSteps {
		return false
	}
	step := (high - low) / float64(n-1)
	modulus, phase := make([]float64, n), make([]float64, n)
	at := 0
	for i := range modulus {
		u := low + float64(i)*step
		for at < len(points)-2 && math.Log(points[at+1].Hz) < u {
			at++
		}
		a, b := points[at], points[at+1]
		t := min(max((u-math.Log(a.Hz))/math.Log(b.Hz/a.Hz), 0), 1)
		modulus[i] = math.Exp((1-t)*math.Log(cmplx.Abs(a.Z)) + t*math.Log(cmplx.Abs(b.Z)))
		phase[i] = cmplx.Phase(a.Z*complex(1-t, 0) + b.Z*complex(t, 0))
	}
	clear := int(bodeClear * bodeSteps)
	want := bodePhase(modulus, step)[clear : n-clear]
	got := phase[clear : n-clear]
	as := phaseApart(got, want, -1)
	mirror := phaseApart(got, want, 1)
	return phaseApart(make([]float64, len(want)), want, 1) > bodeLeast*bodeLeast && as > bodeMirrored*mirror
}

// phaseApart returns the mean square of got and sign times want together, less an
// offset that both may have.
func phaseApart(got, want []float64, sign float64) (square float64) {
	n := float64(len(got))
	offset := 0.0
	for i, g := range got {
		offset += (g + sign*want[i]) / n
	}
	offset = min(max(offset, -bodeOffset), bodeOffset)
	for i, g := range got {
		e := g + sign*want[i] - offset
		square += e * e / n
	}
	return square
}
