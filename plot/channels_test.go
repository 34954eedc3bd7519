package plot

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"
)

func channelChart() ChannelChart {
	c := ChannelChart{Title: "invented"}
	for f := 10.0; f < 25000; f *= 1.05 {
		c.Hz = append(c.Hz, f)
		c.Ratio = append(c.Ratio, 1.04/complex(1, -2/f)/complex(1, f/90e3))
	}
	return c
}

func TestChannelChart(t *testing.T) {
	for f, magic := range map[Format]string{PNG: "\x89PNG", SVG: "<?xml", PDF: "%PDF"} {
		var a, b bytes.Buffer
		if err := Write(&a, f, channelChart()); err != nil {
			t.Fatal(err)
		}
		if err := Write(&b, f, channelChart()); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(a.String(), magic) || !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Errorf("%s: %d bytes that start with %.8q; the same chart must give the same picture", f, a.Len(), a.String())
		}
	}
	var svg bytes.Buffer
	if err := Write(&svg, SVG, channelChart()); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{">gain (dB)<", ">phase (°)<", ">frequency (Hz)<", ">invented<", ">1k<"} {
		if !strings.Contains(svg.String(), text) {
			t.Errorf("the picture does not say %s", text)
		}
	}
}

// Labels of an axis have as many digits as its step, but for 0 itself.
func TestChannelAxisLabels(t *testing.T) {
	c := ChannelChart{Hz: []float64{20, 100}, LowHz: 20, HighHz: 20000}
	a := c.axis("gain (dB)", []float64{-0.005, 0.005}, 0.01, 8)
	var labels []string
	for _, tick := range a.ticks {
		labels = append(labels, tick.label)
	}
	if got, want := strings.Join(labels, " "), "−0.006 −0.004 −0.002 0 0.002 0.004 0.006"; got != want {
		t.Errorf("the labels are %s, want %s", got, want)
	}
	if a = c.axis("gain (dB)", []float64{-0.055, -0.0549}, 0.01, 8); a.ticks[len(a.ticks)-1].label != "−0.048" || !slices.ContainsFunc(a.ticks, func(t tick) bool { return t.label == "−0.050" }) {
		t.Errorf("the ticks are %v", a.ticks)
	}
}

func TestChannelChartErrors(t *testing.T) {
	for _, tc := range []struct {
		change func(*ChannelChart)
		says   string
	}{
		{func(c *ChannelChart) { c.Hz, c.Ratio = nil, nil }, "no point from 20 to 20000 Hz"},
		{func(c *ChannelChart) { c.Hz = c.Hz[1:] }, "must be as many"},
		{func(c *ChannelChart) { c.Hz[3] = 1 }, "frequency 3"},
		{func(c *ChannelChart) { c.Ratio[2] = 0 }, "no decibels"},
		{func(c *ChannelChart) { c.Ratio[2] = complex(math.NaN(), 0) }, "no decibels"},
		{func(c *ChannelChart) { c.WidthMM = 5 }, "side of 5 mm"},
		{func(c *ChannelChart) { c.HighHz = 10 }, "band from 20 to 10 Hz"},
	} {
		c := channelChart()
		tc.change(&c)
		var b bytes.Buffer
		if err := Write(&b, SVG, c); err == nil || !strings.Contains(err.Error(), tc.says) || b.Len() > 0 {
			t.Errorf("error %v should say %q and leave nothing written", err, tc.says)
		}
	}
}
