package impedance

import "slices"

// Warning is something about a measurement that its reader must be told but
// that did not stop it.
type Warning struct {
	Code string // stable, for programs: "low-level"
	Text string // one sentence, for people
	Hz   []Band // of the curve that it speaks of; nil where it speaks of all of it, or of none
}

// Band is a range of frequencies, from Low to High, in hertz.
type Band struct{ Low, High float64 }

// Equal reports whether w and v say the same.
func (w Warning) Equal(v Warning) bool {
	return w.Code == v.Code && w.Text == v.Text && slices.Equal(w.Hz, v.Hz)
}
