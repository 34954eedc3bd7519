package plot

import (
	"bytes"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"tapload/fit"
)

// fitChart is the fit of an invented driver with noise that a comb of signs
// stands in for.
func fitChart(t *testing.T) FitChart {
	t.Helper()
	d := driver{re: 6.4, res: 52, fs: 84, qms: 5.5, k: 0.0125, n: 0.7}
	c := curve(d.z, 10, 20000, 264, even(0.002))
	for i := range c.Points {
		sign := float64(1 - 2*(i/2%2))
		c.Points[i].Z += c.Points[i].Z * complex(0.001*sign, 0)
	}
	load, err := fit.Curve(t.Context(), c, fit.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return FitChart{Title: "invented driver", Curve: c, Load: load}
}

func TestFitChart(t *testing.T) {
	chart := fitChart(t)
	for f, magic := range map[Format]string{PNG: "\x89PNG", SVG: "<?xml", PDF: "%PDF"} {
		var a, b bytes.Buffer
		if err := Write(&a, f, chart); err != nil {
			t.Fatal(err)
		}
		if err := Write(&b, f, chart); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(a.String(), magic) || !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Errorf("%s: %d bytes that start with %.8q; the same chart must give the same picture", f, a.Len(), a.String())
		}
	}
	var svg bytes.Buffer
	if err := Write(&svg, SVG, chart); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{
		">modulus (Ω)<", ">residual of |Z|: in modulus<", ">frequency (Hz)<", ">invented driver<",
		">measured<", ">fitted load<", ">shade: k = 2<", ">Re 6.4", ">84", "Qts", ">min ",
	} {
		if !strings.Contains(svg.String(), text) {
			t.Errorf("the picture does not say %s", text)
		}
	}
}

// The residual is along and across Z: closed form for an error made here.
func TestFitChartResidual(t *testing.T) {
	chart := fitChart(t)
	for i, p := range chart.Curve.Points {
		// 0.3 % more modulus and 0.2 % of a radian ahead, to first order.
		z := chart.Load.Impedance(p.Hz)
		chart.Curve.Points[i].Z = z / (1 - complex(0.003, 0.002))
	}
	d := fitDrawing{ImpedanceChart: ImpedanceChart{LowHz: 10, HighHz: 20000}, curve: chart.Curve, load: chart.Load}
	d.compare()
	for i := range d.along {
		if math.Abs(d.along[i].ohm-0.3) > 1e-9 || math.Abs(d.across[i].ohm-0.2) > 1e-9 {
			t.Fatalf("at %g Hz the residual is %g %% and %g %%, want 0.3 and 0.2", d.along[i].hz, d.along[i].ohm, d.across[i].ohm)
		}
		p := chart.Curve.Points[i]
		if want := 100 * math.Sqrt(p.Noise.Along(p.Z)) / cmplx.Abs(p.Z); math.Abs(d.along[i].uOhm-want) > 1e-12 {
			t.Fatalf("at %g Hz the noise is %g %%, want %g", p.Hz, d.along[i].uOhm, want)
		}
	}
}

func TestFitChartErrors(t *testing.T) {
	good := fitChart(t)
	for _, tc := range []struct {
		change func(*FitChart)
		says   string
	}{
		{func(c *FitChart) { c.Load = fit.Result{} }, "no fitted load"},
		{func(c *FitChart) { c.Curve.Points = nil }, "no points"},
		{func(c *FitChart) { c.WidthMM = 5 }, "side of 5 mm"},
		{func(c *FitChart) { c.LowHz, c.HighHz = 200, 100 }, "band from 200 to 100 Hz"},
	} {
		c := good
		tc.change(&c)
		var b bytes.Buffer
		if err := Write(&b, SVG, c); err == nil || !strings.Contains(err.Error(), tc.says) || b.Len() > 0 {
			t.Errorf("error %v should say %q and leave nothing written", err, tc.says)
		}
	}
}
