package ratio

import (
	"encoding/binary"
	"fmt"
	"hash"
	"hash/fnv"
	"math"
)

const (
	// Periods are compared up to driftHz, by lines that the signal carries, in
	// cells whose noise is that of driftLines of them about each.
	driftHz    = 1000.0
	driftLines = 24

	// driftSure is by how much a drift must lower the sum of squares over its
	// variance: chi-square of three degrees of freedom (both sizes and the time
	// constant) exceeds it once in 10^6.
	driftSure = 32.0

	// driftLeast is the least drift that counts, as a part of G.
	driftLeast = 2e-5

	// sourceLeast is the least change of the level that is taken out of both
	// inputs.
	sourceLeast = 1e-3

	// driftOneEnough is by how much one cause alone may fit worse than both.
	driftOneEnough = 9.0

	// driftNext is the part of the larger cause below which the other is not named.
	driftNext = 0.1

	// driftShape is what the law of the drift is trusted to, of the correction.
	driftShape = 0.05
)

// Drift is what changed slowly while the signal played, by both causes that act
// on all frequencies at once: a coil that warms, and the gains of the inputs. The
// curve is that of the middle of the measurement.
type Drift struct {
	Warms  float64 // change of the load's resistance from the first to the last moment, as a part of it
	UWarms float64 // its standard uncertainty
	Gain   float64 // change of the ratio of the inputs' gains, as a part of it
	UGain  float64
	Cause  DriftCause
}

// DriftCause says which of the two explains what was seen.
type DriftCause int

// Causes of a drift. Where the load is little more than a resistance either
// explains it.
const (
	Warming DriftCause = iota + 1
	Gain
	WarmingOrGain
	WarmingAndGain
)

// DriftSource is the kind with which the IDs of what stays unsure of a drift
// begin.
const DriftSource = "drift"

// Shift is an error that many points of a ratio have in common: DG is the change
// of G at each point for one standard uncertainty. ID names what it comes from.
type Shift struct {
	ID string
	DG []complex128
}

// course is a course in time, from -1/2 or so to 1/2 or so while x goes from 0 to
// 1 and 0 in the middle: with kappa the length over the time constant,
//
//	theta(x) = (exp(-kappa/2) - exp(-kappa x))/(1 - exp(-kappa)),
//
// which is x - 1/2 for kappa = 0. What warms, warms like this.
func course(kappa, x float64) float64 {
	if math.Abs(kappa) < 1e-6 {
		return x - 0.5
	}
	return (math.Exp(-kappa/2) - math.Exp(-kappa*x)) / -math.Expm1(-kappa)
}

// moments are when the signal was at a frequency, as parts of its length, with
// how much of it.
type moments []struct{ at, part float64 }

// mean returns that of a course over m.
func (m moments) mean(kappa float64) (mean float64) {
	for _, x := range m {
		mean += x.part * course(kappa, x.at)
	}
	return mean
}

// kappas are the courses that are weighed against each other.
var kappas = [...]float64{-2, -1, 0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 8, 10}

// changed is by how much the ratio changed in one cell, dG per what x is of the
// difference.
type changed struct {
	hz       float64
	g        complex128 // the mean ratio
	dg       complex128 // what its change is seen as
	variance float64    // of dg, E|e|^2
}

// drifting is a fit of both causes to what changed, over all courses,
//
//	dG = (gain G + warms (1 - G)^2) h,
//
// with h what a course makes of the comparison. The first is d ln G; the second
// is dG/dZ = (1 - G)^2/R of G = Z/(Z + R) for a real dZ, and warms is dZ/R.
// Neither hangs on frequency, so that all cells together tell a change far below
// the noise of any one.
type drifting struct {
	weight []float64    // of each course
	size   [][2]float64 // gain and warms, likewise
	cov    [2][2]float64
	better [3]float64 // by how much gain alone, warms alone and both lower chi-square
}

// fitDrift weighs the courses by their likelihood. h returns what a course makes
// of cell i.
func fitDrift(cells []changed, h func(kappa float64, i int) float64) drifting {
	d := drifting{weight: make([]float64, len(kappas)), size: make([][2]float64, len(kappas))}
	best := math.Inf(-1)
	chi := make([]float64, len(kappas))
	covs := make([][2][2]float64, len(kappas))
	for i, kappa := range kappas {
		var n [2][2]float64 // normal equations
		var b [2]float64
		for j, c := range cells {
			if c.variance == 0 {
				continue
			}
			w := 2 / c.variance // of each part
			x := h(kappa, j)
			shape := [2]complex128{c.g * complex(x, 0), (1 - c.g) * (1 - c.g) * complex(x, 0)}
			for p := range shape {
				b[p] += w * (real(shape[p])*real(c.dg) + imag(shape[p])*imag(c.dg))
				for q := range shape {
					n[p][q] += w * (real(shape[p])*real(shape[q]) + imag(shape[p])*imag(shape[q]))
				}
			}
		}
		// A load that is all resistance leaves the two alike: what then tells
		// them apart is that neither is larger than the other by orders.
		for p := range n {
			n[p][p] *= 1 + 1e-9
		}
		det := n[0][0]*n[1][1] - n[0][1]*n[1][0]
		if !(det > 0) {
			continue
		}
		covs[i] = [2][2]float64{{n[1][1] / det, -n[0][1] / det}, {-n[1][0] / det, n[0][0] / det}}
		for p := range b {
			d.size[i][p] = covs[i][p][0]*b[0] + covs[i][p][1]*b[1]
		}
		chi[i] = d.size[i][0]*b[0] + d.size[i][1]*b[1]
		d.better[0] = max(d.better[0], b[0]*b[0]/n[0][0])
		d.better[1] = max(d.better[1], b[1]*b[1]/n[1][1])
		if chi[i] > best {
			best, d.cov, d.better[2] = chi[i], covs[i], chi[i]
		}
	}
	var sum float64
	for i := range kappas {
		d.weight[i] = math.Exp((chi[i] - best) / 2)
		sum += d.weight[i]
	}
	for i := range kappas {
		d.weight[i] /= sum
	}
	return d
}

// sure reports whether the change stands out of the noise and counts.
func (d drifting) sure() bool {
	if d.better[2] < driftSure {
		return false
	}
	mean := d.mean()
	return math.Hypot(mean[0], mean[1]) > driftLeast
}

// mean returns the sizes over all courses.
func (d drifting) mean() (m [2]float64) {
	for i, w := range d.weight {
		for p := range m {
			m[p] += w * d.size[i][p]
		}
	}
	return m
}

// at returns gain and warms at a moment x of the whole, 0 in its middle.
func (d drifting) at(x float64) [2]float64 { return d.over(moments{{x, 1}}) }

// over returns their mean over several.
func (d drifting) over(at moments) (m [2]float64) {
	for i, w := range d.weight {
		c := w * at.mean(kappas[i])
		for p := range m {
			m[p] += c * d.size[i][p]
		}
	}
	return m
}

// found says what d is, for a load whose resistance is the given part of the
// sense resistor.
func (d drifting) found(resistance float64) *Drift {
	m, v := d.mean(), [2]float64{d.cov[0][0], d.cov[1][1]}
	for i, w := range d.weight {
		for p := range m {
			v[p] += w * (d.size[i][p] - m[p]) * (d.size[i][p] - m[p])
		}
	}
	if !(resistance > 0) || math.IsInf(resistance, 0) {
		resistance = 1
	}
	f := &Drift{Cause: WarmingAndGain, Gain: m[0], UGain: math.Sqrt(v[0]), Warms: m[1] / resistance, UWarms: math.Sqrt(v[1]) / resistance}
	gain := d.better[2]-d.better[0] < driftOneEnough
	warms := d.better[2]-d.better[1] < driftOneEnough
	switch {
	case gain && warms:
		f.Cause = WarmingOrGain
	case gain || math.Abs(m[1]) < driftNext*math.Abs(m[0]):
		f.Cause = Gain
	case warms || math.Abs(m[0]) < driftNext*math.Abs(m[1]):
		f.Cause = Warming
	}
	return f
}

// shifts returns what is unsure of the correction at points that were corrected by
// the mean of d over the moments of each: both sizes, by the Cholesky factor of
// their covariance; the course; and its law.
func (d drifting) shifts(points []Point, id string, when func(hz float64) moments) []Shift {
	factor := [2][2]float64{{math.Sqrt(d.cov[0][0]), 0}, {}}
	if factor[0][0] > 0 {
		factor[1][0] = d.cov[1][0] / factor[0][0]
	}
	factor[1][1] = math.Sqrt(max(0, d.cov[1][1]-factor[1][0]*factor[1][0]))
	var kappa, spread float64
	for i, w := range d.weight {
		kappa += w * kappas[i]
	}
	for i, w := range d.weight {
		spread += w * (kappas[i] - kappa) * (kappas[i] - kappa)
	}
	spread = math.Sqrt(spread)
	names := [...]string{"gain", "warming", "course", "law"}
	s := make([]Shift, len(names))
	for i, name := range names {
		s[i] = Shift{ID: DriftSource + ":" + name + ":" + id, DG: make([]complex128, len(points))}
	}
	for i, p := range points {
		shape := [2]complex128{p.G, (1 - p.G) * (1 - p.G)}
		at := when(p.Hz)
		for j, w := range d.weight {
			part := complex(w*at.mean(kappas[j]), 0)
			for q := range 2 {
				s[q].DG[i] += part * (complex(factor[0][q], 0)*shape[0] + complex(factor[1][q], 0)*shape[1])
			}
			whole := part * (complex(d.size[j][0], 0)*shape[0] + complex(d.size[j][1], 0)*shape[1])
			if spread > 0 {
				s[2].DG[i] += whole * complex((kappas[j]-kappa)/spread, 0)
			}
			s[3].DG[i] += whole * driftShape
		}
	}
	return s
}

// leastOhms returns the least resistance of a load, over the sense resistor: of
// Z = R G/(1 - G).
func leastOhms(points []Point) float64 {
	least := math.Inf(1)
	for _, p := range points {
		if z := real(p.G / (1 - p.G)); z > 0 {
			least = min(least, z)
		}
	}
	return least
}

// identity tells a recording of v1 and v2 from all others.
func identity(v1, v2 []float64) string {
	f := newFingerprint(len(v1))
	f.add(v1, v2)
	return f.identity()
}

// fingerprint is made of some thousand samples of a recording.
type fingerprint struct {
	hash       hash.Hash64
	every      int
	seen, next int
}

func newFingerprint(samples int) *fingerprint {
	return &fingerprint{hash: fnv.New64a(), every: 1 + samples/4096}
}

// add adds the samples that follow.
func (f *fingerprint) add(v1, v2 []float64) {
	var b [8]byte
	for ; f.next < f.seen+len(v1); f.next += f.every {
		i := f.next - f.seen
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(v1[i])^math.Float64bits(v2[i])<<1)
		f.hash.Write(b[:])
	}
	f.seen += len(v1)
}

func (f *fingerprint) identity() string { return fmt.Sprintf("%016x", f.hash.Sum64()) }
