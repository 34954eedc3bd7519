// Package plottest finds texts of a picture that lie over one another or leave it.
package plottest

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// Text is one line of text of a picture and the box of its capitals, in points
// from the upper left corner.
type Text struct {
	Words                    string
	Left, Top, Right, Bottom float64
	Size                     float64 // of the font, in points
}

// Layout is a picture as it is laid out for one width of screen.
type Layout struct {
	Width, Height float64 // points
	Texts         []Text
}

// affine is x' = a x + c y + e, y' = b x + d y + f.
type affine struct{ a, b, c, d, e, f float64 }

func (m affine) after(n affine) affine {
	return affine{
		m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b, m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d,
		m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f,
	}
}

// transform reads the attribute of an SVG element: scale, translate and rotate.
func transform(s string) (affine, error) {
	m := affine{a: 1, d: 1}
	for _, one := range strings.SplitAfter(s, ")") {
		name, list, ok := strings.Cut(strings.TrimSuffix(strings.TrimSpace(one), ")"), "(")
		if !ok {
			continue
		}
		v, err := numbers(list)
		if err != nil {
			return m, err
		}
		switch {
		case name == "scale" && len(v) == 2:
			m = m.after(affine{a: v[0], d: v[1]})
		case name == "translate" && len(v) == 2:
			m = m.after(affine{a: 1, d: 1, e: v[0], f: v[1]})
		case name == "rotate" && len(v) == 1:
			sin, cos := math.Sincos(v[0] * math.Pi / 180)
			m = m.after(affine{cos, sin, -sin, cos, 0, 0})
		default:
			return m, fmt.Errorf("transform %q is not known", one)
		}
	}
	return m, nil
}

func numbers(s string) (all []float64, err error) {
	for _, f := range strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == ' ' }) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			return nil, err
		}
		all = append(all, v)
	}
	return all, nil
}

// Read returns the layouts of an SVG, the wide one first.
func Read(svg []byte) ([]Layout, error) {
	dec := xml.NewDecoder(bytes.NewReader(svg))
	stack := []affine{{a: 1, d: 1}}
	var all []Layout
	var text *Text
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return all, nil
		}
		if err != nil {
			return nil, err
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			at := map[string]string{}
			for _, a := range tok.Attr {
				at[a.Name.Local] = a.Value
			}
			m, err := transform(at["transform"])
			if err != nil {
				return nil, err
			}
			scale := m.a
			m = stack[len(stack)-1].after(m)
			switch name := tok.Name.Local; {
			case name == "g" && at["class"] == "narrow":
				wide := all[0]
				all = append(all, Layout{Width: wide.Width / scale, Height: wide.Height / scale})
				m = affine{a: 1, d: 1}
			case name == "svg":
				box, err := numbers(at["viewBox"])
				if err != nil || len(box) != 4 {
					return nil, fmt.Errorf("viewBox %q", at["viewBox"])
				}
				all = append(all, Layout{Width: box[2], Height: box[3]})
			case name == "text":
				if text, err = placed(at, m); err != nil {
					return nil, err
				}
			}
			stack = append(stack, m)
		case xml.CharData:
			if text != nil {
				text.Words += string(tok)
			}
		case xml.EndElement:
			stack = stack[:len(stack)-1]
			if tok.Name.Local == "text" {
				last := &all[len(all)-1]
				last.Texts = append(last.Texts, *text)
				text = nil
			}
		}
	}
}

func placed(at map[string]string, m affine) (*Text, error) {
	_, size, _ := strings.Cut(at["style"], "font-size:")
	size, _, _ = strings.Cut(size, "px")
	v, err := numbers(at["x"] + " " + at["y"] + " " + at["textLength"] + " " + size)
	if err != nil || len(v) != 4 {
		return nil, fmt.Errorf("a text has no place, length or size: %v", at)
	}
	const capitals = 0.7 // height in sizes
	t := Text{Size: v[3], Left: math.Inf(1), Top: math.Inf(1), Right: math.Inf(-1), Bottom: math.Inf(-1)}
	for _, corner := range [][2]float64{{v[0], v[1]}, {v[0] + v[2], v[1] - capitals*v[3]}} {
		x, y := m.a*corner[0]+m.c*corner[1]+m.e, m.b*corner[0]+m.d*corner[1]+m.f
		t.Left, t.Right = math.Min(t.Left, x), math.Max(t.Right, x)
		t.Top, t.Bottom = math.Min(t.Top, y), math.Max(t.Bottom, y)
	}
	return &t, nil
}

// Problems says which texts of an SVG leave it, lie over one another, or are
// smaller than so many points in the layout for narrow screens.
func Problems(svg []byte, least float64) (all []string) {
	layouts, err := Read(svg)
	if err != nil {
		return []string{err.Error()}
	}
	const slack = 0.2 // points, of rounding
	for n, l := range layouts {
		name := fmt.Sprintf("%.0f points wide", l.Width)
		if len(l.Texts) == 0 {
			all = append(all, name+": there is no text")
		}
		for i, a := range l.Texts {
			if a.Left < -slack || a.Top < -slack || a.Right > l.Width+slack || a.Bottom > l.Height+slack {
				all = append(all, fmt.Sprintf("%s: %q leaves the picture", name, a.Words))
			}
			if n > 0 && a.Size < least {
				all = append(all, fmt.Sprintf("%s: %q has %.3g points", name, a.Words, a.Size))
			}
			for _, b := range l.Texts[:i] {
				if a.Left < b.Right-slack && b.Left < a.Right-slack && a.Top < b.Bottom-slack && b.Top < a.Bottom-slack {
					all = append(all, fmt.Sprintf("%s: %q lies over %q", name, a.Words, b.Words))
				}
			}
		}
	}
	return all
}
