package impedance

import (
	"encoding/json"
	"slices"
)

// Warning is something about a measurement that its reader must be told but
// that did not stop it.
type Warning struct {
	Code string `json:"code"`         // stable, for programs: "low-level"
	Text string `json:"text"`         // one sentence, for people
	Hz   []Band `json:"hz,omitempty"` // of the curve that it speaks of; nil where it speaks of all of it, or of none
}

// Band is a range of frequencies, from Low to High, in hertz.
type Band struct{ Low, High float64 }

// MarshalJSON writes b as an array of Low and High.
func (b Band) MarshalJSON() ([]byte, error) { return json.Marshal([2]float64{b.Low, b.High}) }

// UnmarshalJSON reads what MarshalJSON writes.
func (b *Band) UnmarshalJSON(data []byte) error {
	var ends [2]float64
	if err := json.Unmarshal(data, &ends); err != nil {
		return err
	}
	*b = Band{ends[0], ends[1]}
	return nil
}

// Warnings are the warnings of a result. As JSON none of them are an empty list.
type Warnings []Warning

// MarshalJSON writes a list, never null.
func (w Warnings) MarshalJSON() ([]byte, error) {
	return json.Marshal(append([]Warning{}, w...))
}

// Equal reports whether w and v say the same.
func (w Warning) Equal(v Warning) bool {
	return w.Code == v.Code && w.Text == v.Text && slices.Equal(w.Hz, v.Hz)
}
