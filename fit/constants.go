package fit

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"tapload/measure/quantity"
)

// Air is what a driver moves.
type Air struct {
	Density quantity.Value // kg/m^3
	Speed   quantity.Value // of sound, m/s
}

// RoomAir is dry air at 20 C and 101.325 kPa. Its uncertainties hold for 15 to
// 25 C near sea level; they are our estimate from the gas law.
var RoomAir = Air{Density: quantity.Of(1.2041, 0.015), Speed: quantity.Of(343.2, 1.8)}

// Free is a driver's resonance in free air or on the baffle it is measured on.
type Free struct {
	Hz, Qms, Qes quantity.Value
	Re           quantity.Value // ohm
	PerOhm       quantity.Value // Qms/Res = Qes/Re, 1/ohm: Qes without Re; the zero quantity.Value stands for Qes/Re, as uncertain as Qes
}

// Free returns resonance k of r, counted from 0, as a driver.
func (r Result) Free(k int) Free {
	s := r.Resonances[k]
	per := s.Qms.Value / s.Res.Value
	// Qms and Res rise and fall together, so that their ratio is known better
	// than either.
	q, ohm := r.parameter(fmt.Sprintf("qms%d", k+1)), r.parameter(fmt.Sprintf("res%d", k+1))
	toQ, toOhm := per/s.Qms.Value, -per/s.Res.Value
	variance := toQ*toQ*r.Covariance[q][q] + 2*toQ*toOhm*r.Covariance[q][ohm] + toOhm*toOhm*r.Covariance[ohm][ohm]
	for _, shift := range r.Shifts {
		d := toQ*shift.Parameters[q] + toOhm*shift.Parameters[ohm]
		variance += d * d
	}
	return Free{Hz: s.Hz, Qms: s.Qms, Qes: s.Qes, Re: r.Re, PerOhm: quantity.Of(per, math.Sqrt(max(variance, 0)))}
}

// parameter returns the place of a parameter that every fit with its resonance
// has.
func (r Result) parameter(name string) int {
	return slices.IndexFunc(r.Parameters, func(p Parameter) bool { return p.Name == name })
}

// perOhm is PerOhm or what stands for it.
func (f Free) perOhm() quantity.Value {
	if f.PerOhm.Value > 0 {
		return f.PerOhm
	}
	return quantity.Of(f.Qes.Value/f.Re.Value, f.Qes.U/f.Re.Value)
}

// Method is a way to find a driver's constants, which the electrical curve
// alone does not hold.
type Method int

// The methods. Both forms of the known volume agree where the box does not
// change the moving mass; the one with the quality factors is right even where
// it does, since a box loads the cone with other air than a room.
const (
	AddedMass            Method = iota
	KnownVolume                 // Vas = V (fc Qmc Ress/(fs Qms Resc) - 1)
	KnownVolumeFrequency        // Vas = V ((fc/fs)^2 - 1)
)

// String returns the name of m for people.
func (m Method) String() string {
	return [...]string{"added mass", "known volume, by frequency and Qes", "known volume, by frequency alone"}[m]
}

// MarshalText returns String.
func (m Method) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// Constants are the mechanical constants of a driver.
type Constants struct {
	Method      Method         `json:"method"`
	Sd          quantity.Value `json:"sd_m2"`               // effective area of the cone, m^2
	Mms         quantity.Value `json:"mms_kg"`              // moving mass with its air, kg
	Cms         quantity.Value `json:"cms_m_per_n"`         // compliance, m/N
	Rms         quantity.Value `json:"rms_n_s_per_m"`       // mechanical resistance, N s/m
	Bl          quantity.Value `json:"bl_t_m"`              // force factor, T m
	Vas         quantity.Value `json:"vas_m3"`              // volume of air as compliant as the suspension, m^3
	Efficiency  quantity.Value `json:"efficiency"`          // reference efficiency into a half space, 1
	Sensitivity quantity.Value `json:"sensitivity_1w_db"`   // dB re 20 uPa at 1 m in a half space, 1 W in Re
	At283V      quantity.Value `json:"sensitivity_2v83_db"` // the same for 2.83 V
}

// ByAddedMass returns the constants of a driver whose resonance moves from
// that of free to loadedHz when mass (kg) is fixed to its cone of that
// effective diameter (m, middle of the surround to middle of the surround).
//
//	Mms = mass/((fs/loadedHz)^2 - 1)
//
// The inputs count as independent of each other. Source: DTU course 34870,
// lecture 7, after Leach, Introduction to Electroacoustics, 11.7.
func ByAddedMass(free Free, loadedHz, mass, diameter quantity.Value, air Air) (Constants, error) {
	if err := above0([]quantity.Value{loadedHz, mass}, "resonance with the mass", "added mass"); err != nil {
		return Constants{}, err
	}
	switch apart := free.Hz.Value - loadedHz.Value; {
	case apart <= 0:
		return Constants{}, fmt.Errorf("the added mass of %v kg moved the resonance from %.4g to %.4g Hz; a mass must lower it, so check that it sits on the cone and which record is which", mass.Value, free.Hz.Value, loadedHz.Value)
	case apart <= 2*math.Hypot(free.Hz.U, loadedHz.U):
		return Constants{}, fmt.Errorf("the added mass of %v kg lowered the resonance by %.2g Hz, which is within its uncertainty (k = 2); use a larger mass", mass.Value, apart)
	}
	return constants(AddedMass, free, diameter, air, []quantity.Value{loadedHz, mass}, func(c *constantsOf, v []float64) {
		c.mms = v[1] / (math.Pow(c.hz/v[0], 2) - 1)
		c.cms = 1 / (c.w * c.w * c.mms)
		c.vas = c.rho * c.c * c.c * c.sd * c.sd * c.cms
	})
}

// ByKnownVolume returns the constants of a driver of that effective diameter
// (m) whose resonance moves from that of free to that of boxed on a closed,
// unlined box of the given volume (m^3), by method KnownVolume or
// KnownVolumeFrequency. The driver is one, and so is its Re: of Qec/Qes it
// cancels, whatever each curve says of it.
//
// The inputs count as independent of each other. Source: DTU course 34870,
// lecture 7 and Lab D, after Leach, Introduction to Electroacoustics, 11.7.
func ByKnownVolume(method Method, free, boxed Free, volume, diameter quantity.Value, air Air) (Constants, error) {
	if method != KnownVolume && method != KnownVolumeFrequency {
		return Constants{}, fmt.Errorf("%v is no method of the known volume", method)
	}
	at, on := free.perOhm(), boxed.perOhm()
	if err := above0([]quantity.Value{boxed.Hz, on, at, volume}, "resonance on the box", "Qms/Res on the box", "Qms/Res", "volume of the box"); err != nil {
		return Constants{}, err
	}
	switch apart := boxed.Hz.Value - free.Hz.Value; {
	case apart <= 0:
		return Constants{}, fmt.Errorf("the box of %v m^3 moved the resonance from %.4g to %.4g Hz; a closed box must raise it, so check that it is tight and which record is which", volume.Value, free.Hz.Value, boxed.Hz.Value)
	case apart <= 2*math.Hypot(free.Hz.U, boxed.Hz.U):
		return Constants{}, fmt.Errorf("the box of %v m^3 raised the resonance by %.2g Hz, which is within its uncertainty (k = 2); use a smaller box", volume.Value, apart)
	}
	if rose := boxed.Hz.Value * on.Value / (free.Hz.Value * at.Value); method == KnownVolume && rose <= 1 {
		return Constants{}, fmt.Errorf("on the box f Qms/Res is %.3g times what it is without, though the resonance rose from %.4g to %.4g Hz; a closed box raises it, so check that the box is tight", rose, free.Hz.Value, boxed.Hz.Value)
	}
	return constants(method, free, diameter, air, []quantity.Value{boxed.Hz, on, volume, at}, func(c *constantsOf, v []float64) {
		ratio := v[0] / c.hz
		if method == KnownVolume {
			ratio *= v[1] / v[3]
		} else {
			ratio *= ratio
		}
		c.vas = v[2] * (ratio - 1)
		c.cms = c.vas / (c.rho * c.c * c.c * c.sd * c.sd)
		c.mms = 1 / (c.w * c.w * c.cms)
	})
}

// constantsOf holds what every method starts from and what it must find.
type constantsOf struct {
	hz, w, qms, qes, re, sd, rho, c float64
	mms, cms, vas                   float64
}

// constants completes what find leaves in mms, cms and vas:
//
//	Rms = w Mms/Qms, Bl = sqrt(w Re Mms/Qes), w = 2 pi fs
//	efficiency = 4 pi^2 fs^3 Vas/(c^3 Qes) (Small 1972, from memory)
//	p^2 = efficiency P rho c/(2 pi r^2) at the distance r in a half space
func constants(method Method, free Free, diameter quantity.Value, air Air, more []quantity.Value, find func(*constantsOf, []float64)) (Constants, error) {
	x := []quantity.Value{free.Hz, free.Qms, free.Qes, free.Re, diameter, air.Density, air.Speed}
	if err := above0(x, "resonance", "Qms", "Qes", "DC resistance", "diameter", "density of air", "speed of sound"); err != nil {
		return Constants{}, err
	}
	own := len(x)
	out := propagate(append(x, more...), func(v []float64) []float64 {
		c := constantsOf{
			hz: v[0], w: 2 * math.Pi * v[0], qms: v[1], qes: v[2], re: v[3],
			sd: math.Pi / 4 * v[4] * v[4], rho: v[5], c: v[6],
		}
		find(&c, v[own:])
		efficiency := 4 * math.Pi * math.Pi * math.Pow(c.hz/c.c, 3) * c.vas / c.qes
		const quietest = 20e-6 // Pa
		level := 10 * math.Log10(efficiency*c.rho*c.c/(2*math.Pi)/(quietest*quietest))
		return []float64{
			c.sd, c.mms, c.cms, c.w * c.mms / c.qms, math.Sqrt(c.w * c.re * c.mms / c.qes),
			c.vas, efficiency, level, level + 10*math.Log10(2.83*2.83/c.re),
		}
	})
	for _, v := range out {
		if math.IsNaN(v.Value+v.U) || math.IsInf(v.Value+v.U, 0) {
			return Constants{}, errors.New("the inputs are too uncertain or too far apart for a driver")
		}
	}
	return Constants{method, out[0], out[1], out[2], out[3], out[4], out[5], out[6], out[7], out[8]}, nil
}

// above0 returns an error that names the first of v that no driver has.
func above0(v []quantity.Value, names ...string) error {
	for i, x := range v {
		if !(x.Value > 0) || math.IsInf(x.Value, 0) || !(x.U >= 0) || math.IsInf(x.U, 0) {
			return fmt.Errorf("%s is %v with the uncertainty %v; it must be above 0 and its uncertainty at least 0", names[i], x.Value, x.U)
		}
	}
	return nil
}

// propagate returns f at x with the standard uncertainties that those of x,
// independent of each other, give it to first order (JCGM 100:2008, 5.1.3
// note 2: differences over one standard uncertainty either way).
func propagate(x []quantity.Value, f func([]float64) []float64) []quantity.Value {
	at := make([]float64, len(x))
	for i, v := range x {
		at[i] = v.Value
	}
	mid := f(at)
	out := make([]quantity.Value, len(mid))
	for k, y := range mid {
		out[k].Value = y
	}
	for i, v := range x {
		if v.U == 0 {
			continue
		}
		// A small part of it: the whole could cross a pole of f.
		step := v.U / 64
		at[i] = v.Value + step
		up := f(at)
		at[i] = v.Value - step
		down := f(at)
		at[i] = v.Value
		for k := range out {
			out[k].U = math.Hypot(out[k].U, 32*(up[k]-down[k]))
		}
	}
	return out
}
