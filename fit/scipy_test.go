package fit

import (
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"

	"tapload/measure/processor"
)

// scipyFit fits Re + K s^n + Res/(1 + j Qms (f/fs - fs/f)) to lines of frequency,
// real and imaginary part by scipy's own least squares, from a start that is off by
// a tenth, and prints the processor time of a fit in seconds, and Re.
const scipyFit = `
import sys, time
import numpy as np
from scipy.optimize import least_squares
f, re, im = np.loadtxt(sys.stdin, unpack=True)
z, s = re + 1j*im, 2j*np.pi*f
def left(p):
    r, k, n, f0, q, res = p
    m = r + k*s**n + res/(1 + 1j*q*(f/f0 - f0/f))
    e = (m - z)/abs(z)
    return np.concatenate([e.real, e.imag])
start = np.array([5.5, 0.0106, 0.76, 24, 3.9, 41])*1.1
rounds = 20
t = time.process_time()
for _ in range(rounds):
    fit = least_squares(left, start, x_scale=start)
print((time.process_time() - t)/rounds, fit.x[0])
`

// BenchmarkBesideScipy fits one load of one resonance at 500 points, whose model
// scipy is told and Curve has to find among all, in one run of both: processor time
// of a fit, and by how many percent the two differ in Re. Kept in
// testdata/figures/fit.txt. Reference: scipy of Debian (python3-scipy).
func BenchmarkBesideScipy(b *testing.B) {
	c := ofPoints(inventedLoads[2].load, 500)
	var text strings.Builder
	for _, p := range c.Points {
		fmt.Fprintln(&text, p.Hz, real(p.Z), imag(p.Z))
	}
	cmd := exec.Command("python3", "-c", scipyFit)
	cmd.Stdin = strings.NewReader(text.String())
	out, err := cmd.Output()
	if err != nil {
		b.Skipf("scipy is not installed here: %v", err)
	}
	var scipySeconds, scipyRe float64
	if _, err := fmt.Sscan(string(out), &scipySeconds, &scipyRe); err != nil {
		b.Fatal(err)
	}
	begun, fits := processor.Time(), 0
	var r Result
	for b.Loop() {
		if r, err = Curve(b.Context(), c, Options{}); err != nil {
			b.Fatal(err)
		}
		fits++
	}
	took := processor.Time() - begun
	b.ReportMetric(1000*scipySeconds, "ms-scipy")
	b.ReportMetric(1000*took.Seconds()/float64(fits), "ms-here")
	b.ReportMetric(100*math.Abs(r.Re.Value/scipyRe-1), "%Re")
}
