package fit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapload/measure/quantity"
)

func exact(x float64) quantity.Value { return quantity.Value{Value: x} }

// mechanics is the textbook's way from constants to curve, the other way
// round than the package: fs, Qms, Qes of mass, compliance, resistance.
type mechanics struct{ mms, cms, rms, bl, re float64 }

func (m mechanics) free() Free {
	w := 1 / math.Sqrt(m.mms*m.cms)
	return Free{
		Hz:  exact(w / (2 * math.Pi)),
		Qms: exact(w * m.mms / m.rms),
		Qes: exact(w * m.mms * m.re / (m.bl * m.bl)),
		Re:  exact(m.re),
	}
}

// with returns m with mass on its cone, on returns it on a box.
func (m mechanics) with(kg float64) mechanics {
	m.mms += kg
	return m
}

func (m mechanics) on(volume, sd float64, air Air) mechanics {
	box := volume / (air.Density.Value * math.Pow(air.Speed.Value*sd, 2))
	m.cms = m.cms * box / (m.cms + box)
	return m
}

func wantNear(t *testing.T, name string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s %.7g, want %.7g within %.1g", name, got, want, relative)
	}
}

func qts(f Free) float64 {
	return f.Qms.Value * f.Qes.Value / (f.Qms.Value + f.Qes.Value)
}

var lectureAir = Air{Density: exact(1.2), Speed: exact(344)}

// Case A: DTU course 34870, Problems 7, 1a (rho 1.2, c 344): Mms 38 g, Rms 1.5,
// Cms 0.9 mm/N, Bl 5, Re 6, radius 0.10 m gives fs 27.2149, Qms 4.33191,
// Qes 1.55949, Qts 1.14668, Vas 126.136 L, digits recomputed. The constants
// come back by mass and by volume.
func TestConstantsCaseA(t *testing.T) {
	m := mechanics{0.038, 0.9e-3, 1.5, 5, 6}
	free := m.free()
	wantNear(t, "fs", free.Hz.Value, 27.2149, 5e-6)
	wantNear(t, "Qms", free.Qms.Value, 4.33191, 5e-6)
	wantNear(t, "Qes", free.Qes.Value, 1.55949, 5e-6)
	wantNear(t, "Qts", qts(free), 1.14668, 5e-6)
	check := func(c Constants, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, "Vas", c.Vas.Value, 0.126136, 5e-6)
		wantNear(t, "Mms", c.Mms.Value, 0.038, 1e-9)
		wantNear(t, "Cms", c.Cms.Value, 0.9e-3, 1e-9)
		wantNear(t, "Rms", c.Rms.Value, 1.5, 1e-9)
		wantNear(t, "Bl", c.Bl.Value, 5, 1e-9)
	}
	sd := math.Pi * 0.01
	check(ByAddedMass(free, m.with(0.01).free().Hz, exact(0.01), exact(0.2), lectureAir))
	for _, form := range []Method{KnownVolume, KnownVolumeFrequency} {
		check(ByKnownVolume(form, free, m.on(0.05, sd, lectureAir).free(), exact(0.05), exact(0.2), lectureAir))
	}
}

// Cases B, C and D: same course, no. 2 and lecture 7. Free air Mms 80.2 g and
// Qes 0.49 with Bl 11.6 give Re 5.46017; with the baffle's air Mms is 88.2 g.
func TestConstantsCasesBCD(t *testing.T) {
	const re = 5.46017
	m := mechanics{0.0802, 0.55e-3, 3.25, 11.6, re}
	wantNear(t, "fs in free air", m.free().Hz.Value, 23.9636, 5e-6)
	wantNear(t, "Qes in free air", m.free().Qes.Value, 0.49, 5e-6)
	m.mms = 0.0882
	free := m.free()
	wantNear(t, "fs on the baffle", free.Hz.Value, 22.85096, 5e-6)
	wantNear(t, "Qes on the baffle", free.Qes.Value, 0.513858, 5e-6)
	wantNear(t, "Qms on the baffle", free.Qms.Value, 3.896454, 5e-6)
	wantNear(t, "Qts on the baffle", qts(free), 0.453987, 5e-6)
	wantNear(t, "Zmax", re*(1+free.Qms.Value/free.Qes.Value), 46.8632, 5e-6)

	// Sd 518.54 cm^2 makes Vas 210 L.
	c, err := ByAddedMass(free, m.with(0.02).free().Hz, exact(0.02), exact(math.Sqrt(4*0.051854/math.Pi)), lectureAir)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "Vas", c.Vas.Value, 0.210, 5e-5)

	// C: read off the printed curve, to its digits.
	read, err := readOff(exact(46.86/8.583), exact(46.86), exact(22.85), exact(15.82), exact(33.00))
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "C: Qms", read.Qms.Value, 3.90, 0.005/3.90)
	wantNear(t, "C: Qes", read.Qes.Value, 0.514, 0.0005/0.514)
	wantNear(t, "C: Qts", qts(read), 0.454, 0.0005/0.454)

	// D: 20 g moves 22.85 Hz to 20.63 Hz: 88.18 g from these rounded figures.
	free.Hz = exact(22.85)
	c, err = ByAddedMass(free, exact(20.63), exact(0.02), exact(0.257), lectureAir)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "D: Mms", c.Mms.Value, 0.08818, 0.005/88.18)
}

// Case E: Georgia Tech ECE 4445 design project appendix (T. Wells). The box
// holds one cubic foot, and so Vas, 2.5381, is in cubic feet.
func TestConstantsCaseE(t *testing.T) {
	free, err := readOff(exact(5.16), exact(42.28047), exact(33.73340), exact(21.36206), exact(50.56323))
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "Qms", free.Qms.Value, 3.3068, 2e-5)
	wantNear(t, "Qes", free.Qes.Value, 0.4597, 2e-4)
	wantNear(t, "Qts", qts(free), 0.4036, 2e-4)
	boxed, err := readOff(exact(5.16), exact(42.38421), exact(61.95850), exact(48.07739), exact(75.87695))
	if err != nil {
		t.Fatal(err)
	}
	const cubicFoot = 0.0283168
	c, err := ByKnownVolume(KnownVolume, free, boxed, exact(cubicFoot), exact(0.25), RoomAir)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "Vas in cubic feet", c.Vas.Value/cubicFoot, 2.5381, 5e-5)
	wantNear(t, "Vas", c.Vas.Value, 0.0718695, 5e-5)
}

// Case H: DTU course 34870, Lab D (rho 1.2041, c 343.2; synthetic): Vas 25 L on
// a box of 0.25 x 0.35 x 0.23 m. fc 59.9 Hz and alpha 1.24 as printed.
func TestConstantsCaseH(t *testing.T) {
	air := Air{Density: exact(1.2041), Speed: exact(343.2)}
	free, err := readOff(exact(6), exact(59.33333), exact(40), exact(27.256021), exact(58.702625))
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "Qms", free.Qms.Value, 4, 1e-6)
	wantNear(t, "Qes", free.Qes.Value, 0.45, 1e-6)
	box := exact(0.25 * 0.35 * 0.23)
	fc := 40 * math.Sqrt(1+0.025/box.Value)
	wantNear(t, "fc", fc, 59.9, 0.05/59.9)
	wantNear(t, "alpha", 0.025/box.Value, 1.24, 0.005/1.24)
	boxed := Free{Hz: exact(fc), Qms: free.Qms, Qes: exact(0.45 * fc / 40), Re: free.Re}
	for _, form := range []Method{KnownVolume, KnownVolumeFrequency} {
		c, err := ByKnownVolume(form, free, boxed, box, exact(0.13), air)
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, "Vas", c.Vas.Value, 0.025, 1e-6)
		wantNear(t, "Mms", c.Mms.Value, 0.01582306, 1e-6)
		wantNear(t, "Bl", c.Bl.Value, 7.281730, 1e-6)
	}
}

// The efficiency has a second, longer form: rho Bl^2 Sd^2/(2 pi c Re Mms^2)
// (Small 1972, from memory). One percent is 92.2 dB by hand: sqrt of
// 0.01*1.2041*343.2/(2 pi) is 0.8110 Pa, over 20 uPa.
func TestEfficiency(t *testing.T) {
	m := mechanics{0.02, 0.5e-3, 1.5, 9, 6}
	c, err := ByAddedMass(m.free(), m.with(0.01).free().Hz, exact(0.01), exact(0.2), RoomAir)
	if err != nil {
		t.Fatal(err)
	}
	rho, speed := RoomAir.Density.Value, RoomAir.Speed.Value
	want := rho * math.Pow(9*c.Sd.Value, 2) / (2 * math.Pi * speed * 6 * 0.02 * 0.02)
	wantNear(t, "efficiency", c.Efficiency.Value, want, 1e-9)
	wantNear(t, "level of 1 %", c.Sensitivity.Value-10*math.Log10(c.Efficiency.Value/0.01), 92.16, 1e-4)
	wantNear(t, "level at 2.83 V", c.At283V.Value-c.Sensitivity.Value, 10*math.Log10(2.83*2.83/6), 1e-9)
}

// Any driver comes back by every method.
func TestConstantsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		m := mechanics{draw("mms", 2e-3, 0.3), draw("cms", 5e-5, 2e-3), draw("rms", 0.3, 10), draw("bl", 2, 30), draw("re", 1, 60)}
		d := draw("diameter", 0.05, 0.5)
		sd := math.Pi / 4 * d * d
		dm, v := m.mms*draw("mass", 0.2, 2), draw("volume", 0.005, 0.2)
		got := map[Method]Constants{}
		var err error
		if got[AddedMass], err = ByAddedMass(m.free(), m.with(dm).free().Hz, exact(dm), exact(d), RoomAir); err != nil {
			t.Fatal(err)
		}
		for _, form := range []Method{KnownVolume, KnownVolumeFrequency} {
			if got[form], err = ByKnownVolume(form, m.free(), m.on(v, sd, RoomAir).free(), exact(v), exact(d), RoomAir); err != nil {
				t.Fatal(err)
			}
		}
		for method, c := range got {
			for name, pair := range map[string][2]float64{
				"Mms": {c.Mms.Value, m.mms}, "Cms": {c.Cms.Value, m.cms}, "Rms": {c.Rms.Value, m.rms}, "Bl": {c.Bl.Value, m.bl},
			} {
				if math.Abs(pair[0]/pair[1]-1) > 1e-8 {
					t.Errorf("%v: %s %v, want %v", method, name, pair[0], pair[1])
				}
			}
		}
	})
}

// The stated uncertainty is that of 4000 drawn inputs, within 5 %: four
// standard deviations of a scatter's own, 1/sqrt(2*4000), are 4.5 %.
func TestConstantsUncertaintyIsTheScatter(t *testing.T) {
	m := mechanics{0.02, 0.5e-3, 1.5, 9, 6}
	free := m.free()
	u := func(x float64) quantity.Value { return quantity.Of(x, 0.003*x) }
	free = Free{Hz: u(free.Hz.Value), Qms: u(free.Qms.Value), Qes: u(free.Qes.Value), Re: u(free.Re.Value)}
	loaded, mass, diameter := u(m.with(0.02).free().Hz.Value), u(0.02), u(0.2)
	stated, err := ByAddedMass(free, loaded, mass, diameter, RoomAir)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 4))
	draw := func(v quantity.Value) quantity.Value { return exact(v.Value + v.U*rng.NormFloat64()) }
	list := func(c Constants) []quantity.Value {
		return []quantity.Value{c.Sd, c.Mms, c.Cms, c.Rms, c.Bl, c.Vas, c.Efficiency, c.Sensitivity, c.At283V}
	}
	names := []string{"Sd", "Mms", "Cms", "Rms", "Bl", "Vas", "efficiency", "sensitivity", "at 2.83 V"}
	const runs = 4000
	sum, squares := make([]float64, len(names)), make([]float64, len(names))
	for range runs {
		c, err := ByAddedMass(Free{Hz: draw(free.Hz), Qms: draw(free.Qms), Qes: draw(free.Qes), Re: draw(free.Re)}, draw(loaded), draw(mass), draw(diameter),
			Air{draw(RoomAir.Density), draw(RoomAir.Speed)})
		if err != nil {
			t.Fatal(err)
		}
		for k, v := range list(c) {
			d := v.Value - list(stated)[k].Value
			sum[k] += d
			squares[k] += d * d
		}
	}
	for k, v := range list(stated) {
		mean := sum[k] / runs
		wantNear(t, "u of "+names[k], v.U, math.Sqrt(squares[k]/runs-mean*mean), 0.05)
	}
}

// A driver has one Re: what two curves make of it, by a warm coil or by a sweep
// that begins too high, does not move its Vas, since the height and the width of
// the peak above Re stay. Qec/Qes would be off by as much as their Re differ.
func TestKnownVolumeNeedsNoRe(t *testing.T) {
	m := mechanics{0.02, 0.5e-3, 1.5, 9, 6}
	const volume, diameter = 0.03, 0.2
	boxed := m.on(volume, math.Pi/4*diameter*diameter, RoomAir)
	boxed.re *= 1.07
	c, err := ByKnownVolume(KnownVolume, m.free(), boxed.free(), exact(volume), exact(diameter), RoomAir)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "Mms", c.Mms.Value, m.mms, 1e-9)

	// The whole way, through two noisy curves.
	curve := func(m mechanics, seed uint64) Free {
		r, err := Curve(t.Context(), measured(motor{re: m.re, bl: m.bl, rms: m.rms, mms: m.mms, cms: m.cms}.z, 1e-4, seed), Options{})
		if err != nil {
			t.Fatal(err)
		}
		return r.Free(0)
	}
	at, on := curve(m, 1), curve(boxed, 2)
	c, err = ByKnownVolume(KnownVolume, at, on, exact(volume), exact(diameter), Air{exact(RoomAir.Density.Value), exact(RoomAir.Speed.Value)})
	if err != nil {
		t.Fatal(err)
	}
	if off := math.Abs(c.Mms.Value - m.mms); off > 3*c.Mms.U || c.Mms.U > 2e-3*m.mms {
		t.Errorf("Mms %.6g kg with u %.2g, want %.6g", c.Mms.Value, c.Mms.U, m.mms)
	}
	if rel := at.PerOhm.U / at.PerOhm.Value; rel > math.Hypot(at.Qms.U/at.Qms.Value, at.Qes.U/at.Qes.Value) {
		t.Errorf("Qms/Res is known to %.2g only", rel)
	}
}

func TestConstantsErrors(t *testing.T) {
	m := mechanics{0.02, 0.5e-3, 1.5, 9, 6}
	free := m.free()
	boxed := m.on(0.02, 0.0314, RoomAir).free()
	byMass := func(free Free, hz, kg, diameter quantity.Value) error {
		_, err := ByAddedMass(free, hz, kg, diameter, RoomAir)
		return err
	}
	byBox := func(method Method, boxed Free, volume quantity.Value) error {
		_, err := ByKnownVolume(method, free, boxed, volume, exact(0.2), RoomAir)
		return err
	}
	readOff := func(re, zmax, hz, low, high float64) error {
		_, err := readOff(exact(re), exact(zmax), exact(hz), exact(low), exact(high))
		return err
	}
	vague := free
	vague.Hz.U = 3
	leaky := boxed
	leaky.Qes = exact(free.Qes.Value / 3)
	for _, c := range []struct {
		err  error
		want string
	}{
		{byMass(free, exact(60), exact(0.01), exact(0.2)), "the added mass of 0.01 kg moved the resonance from 50.3"},
		{byMass(vague, exact(46), exact(0.01), exact(0.2)), "which is within its uncertainty (k = 2); use a larger mass"},
		{byMass(free, exact(40), exact(0), exact(0.2)), "added mass is 0"},
		{byMass(free, exact(40), exact(0.01), exact(-1)), "diameter is -1"},
		{byMass(free, quantity.Of(40, math.NaN()), exact(0.01), exact(0.2)), "resonance with the mass is 40 with the uncertainty NaN"},
		{byBox(KnownVolume, m.with(0.01).free(), exact(0.02)), "a closed box must raise it"},
		{byBox(KnownVolume, leaky, exact(0.02)), "on the box f Qms/Res is 0."},
		{byBox(KnownVolume, boxed, exact(math.Inf(1))), "volume of the box is +Inf"},
		{byBox(AddedMass, boxed, exact(0.02)), "added mass is no method of the known volume"},
		{readOff(6, 5, 40, 30, 50), "peak of 5 ohm must be above"},
		{readOff(6, 50, 40, 41, 50), "resonance 40 Hz must lie between"},
		{readOff(0, 50, 40, 30, 50), "DC resistance is 0"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("error %v\nwant  %s", c.err, c.want)
		}
	}
}

// readOff returns the driver of a curve's reading at five places: the DC
// resistance re, the peak zmax at hz, and the frequencies low and high on both
// sides where |Z| is sqrt(re zmax):
//
//	r0 = zmax/re, Qms = hz sqrt(r0)/(high - low), Qes = Qms/(r0 - 1)
//
// It is exact for one peak and a coil without inductance only; a fit has
// neither limit. Ohm and hertz. Source: R. H. Small, J. Audio Eng. Soc. 20(5),
// 383-395, 1972 (from memory); DTU course 34870, lecture 7.
func readOff(re, zmax, hz, low, high quantity.Value) (Free, error) {
	x := []quantity.Value{re, zmax, hz, low, high}
	if err := above0(x, "DC resistance", "peak", "resonance", "lower frequency", "upper frequency"); err != nil {
		return Free{}, err
	}
	switch {
	case zmax.Value <= re.Value:
		return Free{}, fmt.Errorf("peak of %v ohm must be above the DC resistance, %v ohm", zmax.Value, re.Value)
	case low.Value >= hz.Value || high.Value <= hz.Value:
		return Free{}, fmt.Errorf("resonance %v Hz must lie between the lower and the upper frequency, %v and %v Hz", hz.Value, low.Value, high.Value)
	}
	q := propagate(x, func(v []float64) []float64 {
		r0 := v[1] / v[0]
		qms := v[2] * math.Sqrt(r0) / (v[4] - v[3])
		return []float64{qms, qms / (r0 - 1), qms / (v[1] - v[0])}
	})
	return Free{Hz: hz, Qms: q[0], Qes: q[1], Re: re, PerOhm: q[2]}, nil
}
