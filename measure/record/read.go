package record

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"time"

	"tapload/measure/exactjson"
	"tapload/measure/impedance"
)

// The file types are a record as its file holds it.
type (
	recordFile struct {
		Format     string          `json:"format"`
		Version    int             `json:"version"`
		Label      string          `json:"label"`
		Simulated  bool            `json:"simulated,omitempty"`
		Taken      time.Time       `json:"taken"`
		Signal     json.RawMessage `json:"signal"`
		SenseOhm   float64         `json:"sense_ohm"`
		Jig        *jigFile        `json:"jig"`
		Hz         []float64       `json:"frequency_hz"`
		R          []float64       `json:"resistance_ohm"`
		X          []float64       `json:"reactance_ohm"`
		UR         []float64       `json:"u_resistance_ohm"`
		UX         []float64       `json:"u_reactance_ohm"`
		Cov        []float64       `json:"cov_noise_ohm2,omitempty"`
		Coherence  []float64       `json:"coherence,omitempty"`
		Drive      *driveFile      `json:"load_level,omitempty"`
		Distortion *distortionFile `json:"distortion,omitempty"`
		Shared     []sharedFile    `json:"shared"`
		Warnings   []warningFile   `json:"warnings"`
	}
	jigFile struct {
		ID        string    `json:"id"`
		Taken     time.Time `json:"taken"`
		Standards []string  `json:"standards"`
	}
	driveFile struct {
		RMSVolt  float64 `json:"rms_volt"`
		PeakVolt float64 `json:"peak_volt"`
		Watt     float64 `json:"watt,omitempty"`
	}
	distortionFile struct {
		Orders        []int       `json:"orders"`
		Hz            []float64   `json:"frequency_hz"`
		Level         [][]float64 `json:"level_db"`
		Floor         [][]float64 `json:"floor_db"`
		Residual      []float64   `json:"residual_db"`
		ResidualFloor []float64   `json:"residual_floor_db"`
	}
	sharedFile struct {
		ID string    `json:"id"`
		DR []float64 `json:"d_resistance_ohm"`
		DX []float64 `json:"d_reactance_ohm"`
	}
	warningFile struct {
		Code string       `json:"code"`
		Text string       `json:"text"`
		Hz   [][2]float64 `json:"hz,omitempty"`
	}
)

// fileOf returns r as its file holds it.
func fileOf(r Record) recordFile {
	f := recordFile{
		Format: Format, Version: Version, Label: r.Label, Simulated: r.Simulated, Taken: r.Taken, Signal: r.Signal, SenseOhm: r.SenseOhm,
		Jig: (*jigFile)(r.Jig), Coherence: r.Coherence, Drive: (*driveFile)(r.Drive),
	}
	correlated := false
	for _, p := range r.Curve.Points {
		f.Hz = append(f.Hz, p.Hz)
		f.R, f.X = append(f.R, real(p.Z)), append(f.X, imag(p.Z))
		f.UR, f.UX = append(f.UR, math.Sqrt(p.Noise.RR)), append(f.UX, math.Sqrt(p.Noise.II))
		f.Cov = append(f.Cov, p.Noise.RI)
		correlated = correlated || p.Noise.RI != 0
	}
	if !correlated {
		f.Cov = nil
	}
	if d := r.Distortion; d != nil {
		f.Distortion = &distortionFile{Hz: d.Hz, Residual: d.Residual, ResidualFloor: d.ResidualFloor}
		for _, o := range d.Orders {
			f.Distortion.Orders = append(f.Distortion.Orders, o.Number)
			f.Distortion.Level, f.Distortion.Floor = append(f.Distortion.Level, o.Level), append(f.Distortion.Floor, o.Floor)
		}
	}
	for _, s := range r.Curve.Shared {
		f.Shared = append(f.Shared, sharedFile{ID: s.ID})
		to := &f.Shared[len(f.Shared)-1]
		for _, dz := range s.DZ {
			to.DR, to.DX = append(to.DR, real(dz)), append(to.DX, imag(dz))
		}
	}
	for _, w := range r.Warnings {
		f.Warnings = append(f.Warnings, warningFile{Code: w.Code, Text: w.Text})
		to := &f.Warnings[len(f.Warnings)-1]
		for _, b := range w.Hz {
			to.Hz = append(to.Hz, [2]float64{b.Low, b.High})
		}
	}
	return f
}

// Read reads a record that Write wrote. It is strict: a text that is not
// JSON, another format or version, an unknown, missing or repeated key, arrays
// of unequal length, a number that is not finite, a frequency that does not
// rise, an uncertainty below 0 and anything after the record is an error that
// names the place. Array indices and points count from 0.
func Read(r io.Reader) (Record, error) {
	const thing = "sweep record"
	data, err := exactjson.Read(r, thing)
	if err != nil {
		return Record{}, err
	}
	if err := exactjson.Head(data, thing, Format, Version); err != nil {
		return Record{}, err
	}
	var f recordFile
	if err := exactjson.Decode(data, "record", &f); err != nil {
		return Record{}, err
	}
	return f.record()
}

func (f recordFile) record() (Record, error) {
	r := Record{
		Label: f.Label, Simulated: f.Simulated, Taken: f.Taken, Signal: f.Signal, SenseOhm: f.SenseOhm,
		Jig: (*JigNote)(f.Jig), Coherence: f.Coherence, Drive: (*Drive)(f.Drive),
	}
	for _, w := range f.Warnings {
		r.Warnings = append(r.Warnings, impedance.Warning{Code: w.Code, Text: w.Text})
		to := &r.Warnings[len(r.Warnings)-1]
		for _, b := range w.Hz {
			to.Hz = append(to.Hz, impedance.Band{Low: b[0], High: b[1]})
		}
	}
	var err error
	if r.Distortion, err = f.Distortion.distortion(); err != nil {
		return Record{}, err
	}
	if r.Curve, err = f.curve(); err != nil {
		return Record{}, err
	}
	if err := r.check(); err != nil {
		return Record{}, err
	}
	return r, nil
}

func (f *distortionFile) distortion() (*Distortion, error) {
	if f == nil {
		return nil, nil
	}
	d := Distortion{Hz: f.Hz, Residual: f.Residual, ResidualFloor: f.ResidualFloor}
	if len(f.Level) != len(f.Orders) || len(f.Floor) != len(f.Orders) {
		return nil, fmt.Errorf("distortion.orders has %d values, level_db %d rows and floor_db %d; they must be equally many", len(f.Orders), len(f.Level), len(f.Floor))
	}
	for i, n := range f.Orders {
		d.Orders = append(d.Orders, Order{Number: n, Level: f.Level[i], Floor: f.Floor[i]})
	}
	return &d, nil
}

// curve joins the columns, or names the first two that do not fit together.
func (f recordFile) curve() (impedance.Curve, error) {
	n := len(f.Hz)
	if n == 0 {
		return impedance.Curve{}, fmt.Errorf("frequency_hz is empty; a record holds at least one point")
	}
	cov := f.Cov
	if cov == nil {
		cov = make([]float64, n)
	}
	sameLength := func(key string, values []float64) error {
		if len(values) != n {
			return fmt.Errorf("%s has %d values and frequency_hz has %d; they must be equally long", key, len(values), n)
		}
		return nil
	}
	for _, col := range []struct {
		key    string
		values []float64
	}{{"resistance_ohm", f.R}, {"reactance_ohm", f.X}, {"u_resistance_ohm", f.UR}, {"u_reactance_ohm", f.UX}, {"cov_noise_ohm2", cov}} {
		if err := sameLength(col.key, col.values); err != nil {
			return impedance.Curve{}, err
		}
	}

	curve := impedance.Curve{Points: make([]impedance.Point, n)}
	for i := range curve.Points {
		rr, err := square("u_resistance_ohm", i, f.UR[i])
		if err != nil {
			return impedance.Curve{}, err
		}
		ii, err := square("u_reactance_ohm", i, f.UX[i])
		if err != nil {
			return impedance.Curve{}, err
		}
		curve.Points[i] = impedance.Point{Hz: f.Hz[i], Z: complex(f.R[i], f.X[i]), Noise: impedance.Cov{RR: rr, RI: cov[i], II: ii}}
	}
	for i, s := range f.Shared {
		place := fmt.Sprintf("shared[%d].", i)
		if err := sameLength(place+"d_resistance_ohm", s.DR); err != nil {
			return impedance.Curve{}, err
		}
		if err := sameLength(place+"d_reactance_ohm", s.DX); err != nil {
			return impedance.Curve{}, err
		}
		dz := make([]complex128, n)
		for k := range dz {
			dz[k] = complex(s.DR[k], s.DX[k])
		}
		curve.Shared = append(curve.Shared, impedance.Source{ID: s.ID, DZ: dz})
	}
	return curve, nil
}

// square returns the variance that belongs to the standard uncertainty u. It
// refuses a u whose square is no floating-point number, which would come back
// as 0 or as infinity.
func square(key string, i int, u float64) (float64, error) {
	switch v := u * u; {
	case u < 0:
		return 0, fmt.Errorf("%s[%d]: %v ohm is below 0; a standard uncertainty is at least 0", key, i, u)
	case math.Sqrt(v) != u:
		return 0, fmt.Errorf("%s[%d]: %v ohm is too small or too large; a standard uncertainty is 0 or within 1e-150 to 1e+40 ohm", key, i, u)
	default:
		return v, nil
	}
}
