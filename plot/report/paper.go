package report

import "fmt"

// Paper is a size of sheets.
type Paper uint8

const (
	A4     Paper = iota // ISO 216
	Letter              // 8.5 by 11 in
)

// String returns the name of p in flags and style sheets.
func (p Paper) String() string { return [...]string{"a4", "letter"}[p] }

// ParsePaper returns the size of a name.
func ParsePaper(name string) (Paper, error) {
	for p := A4; p <= Letter; p++ {
		if name == p.String() {
			return p, nil
		}
	}
	return 0, fmt.Errorf("there is no paper %q here; use a4 or letter", name)
}

// points returns width and height.
func (p Paper) points() (width, height float64) {
	if p == Letter {
		return 612, 792
	}
	return 595.28, 841.89
}

// mm returns width and height.
func (p Paper) mm() (width, height float64) {
	width, height = p.points()
	return width * 25.4 / 72, height * 25.4 / 72
}
