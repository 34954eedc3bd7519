package impedance

import (
	"slices"
	"testing"
)

func TestNamed(t *testing.T) {
	low, far := Warning{Code: "low", Text: "too quiet"}, Warning{Code: "far", Text: "too far", Hz: []Band{{1, 2}}}
	var n Named
	n.Add("a", []Warning{low, far})
	n.Say(Warning{Text: "one for all"})
	n.Add("b", []Warning{low, {Code: "far", Text: "too far"}})
	var got []string
	for _, w := range n.List() {
		got = append(got, w.Text)
	}
	if want := []string{"a, b: too quiet", "a: too far", "one for all", "b: too far"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if (&Named{}).List() != nil {
		t.Error("warnings of nothing")
	}
}
