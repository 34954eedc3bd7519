package plot

import "gonum.org/v1/plot/vg"

// NarrowMM is how wide a picture is for a narrow screen, such as a telephone's, where
// it is as wide as the screen: 95 mm are 359 px.
const NarrowMM = 95.

const (
	narrowHigh = 105. // mm
	narrowUnit = 8.5  // points
)

// Narrow is d for a narrow screen; nil where there is no such picture of it.
func Narrow(d Drawable) Drawable {
	switch d := d.(type) {
	case Plugs:
		d.Narrow = true
		return d
	case JigDrawing:
		d.Brief = true
		return d
	case ImpedanceChart:
		d.WidthMM, d.HeightMM = NarrowMM, narrowHigh
		return Sized{Of: d, WidthMM: NarrowMM, HeightMM: narrowHigh, Points: narrowUnit}
	case ChangeChart:
		return Sized{Of: d, WidthMM: NarrowMM, HeightMM: narrowHigh, Points: narrowUnit}
	case Sized:
		return Narrow(d.Of)
	}
	return nil
}

// Sized is a chart of another size, whose text has a size of its own.
type Sized struct {
	Of                Drawable
	WidthMM, HeightMM float64
	Points            float64 // of the body text
}

// OnPage returns the chart as a picture of the size.
func (s Sized) OnPage() (Picture, error) {
	p, err := s.Of.OnPage()
	p.width, p.height, p.unit = mm(s.WidthMM), mm(s.HeightMM), vg.Points(s.Points)
	return p, err
}
