package portaudio

import (
	"testing"

	"tapload/measure/card"
)

func TestChoose(t *testing.T) {
	devices := []device{
		{index: 0, api: "ALSA", name: "Pond: USB Audio (hw:1,0)", inputs: 2, outputs: 2},
		{index: 1, api: "ALSA", name: "Marsh: Analog (hw:0,0)", inputs: 2, outputs: 2},
		{index: 2, api: "ALSA", name: "default", inputs: 32, outputs: 32, defaultIn: true, defaultOut: true},
		{index: 3, api: "JACK Audio Connection Kit", name: "system", inputs: 4, outputs: 2},
		{index: 4, api: "JACK Audio Connection Kit", name: "system two", inputs: 2, outputs: 2},
		{index: 5, api: "Apart", name: "Line in (Pond)", inputs: 2},
		{index: 6, api: "Apart", name: "Line out (Pond)", outputs: 2},
		{index: 7, api: "Apart", name: "Line out (Marsh)", outputs: 2},
		{index: 8, api: "Apart", name: "Mouth", inputs: 1, outputs: 1},
		{index: 9, api: "Other", name: "system", inputs: 2, outputs: 2},
	}
	for _, test := range []struct {
		name, output string
		in, out      int // index
		says         []string
	}{
		{name: "", in: 2, out: 2},
		{name: "default", in: 2, out: 2},
		{name: "usb", in: 0, out: 0},
		{name: "Pond: USB Audio (hw:1,0)", in: 0, out: 0},
		{name: "ALSA: pond", in: 0, out: 0},
		{name: "ALSA: Marsh: Analog (hw:0,0)", in: 1, out: 1},
		{name: "jack: system", in: 3, out: 3},
		{name: "JACK Audio Connection Kit: system", in: 3, out: 3},
		{name: "other: sys", in: 9, out: 9},
		{name: "system two", in: 4, out: 4},
		{name: "TWO", in: 4, out: 4},
		{name: "Line in", output: "Line out (Pond)", in: 5, out: 6},
		{name: "line in", output: "marsh", in: 5, out: 7},
		{name: "", output: "marsh", in: 2, out: 1},

		{name: "system", says: []string{`2 sound cards match "system"`, `"JACK Audio Connection Kit: system" (4 in, 2 out)`, `"Other: system" (2 in, 2 out)`}},
		{name: "jack: sys", says: []string{`2 sound cards match`, `system two"`}},
		{name: "pond", says: []string{`2 sound cards match`, "Pond: USB", "Line in (Pond)"}},
		{name: "heron", says: []string{`no sound card matches "heron"`, `"ALSA: default" (32 in, 32 out)`, "Mouth"}},
		{name: "line out (marsh)", says: []string{`no sound card that matches "line out (marsh)" records`}},
		{name: "Line in", says: []string{`"Apart: Line in (Pond)" only records`, "Line out (Marsh)"}},
		{name: "Line in", output: "system", says: []string{`plays and belongs to Apart`, "Line out (Pond)"}},
		{name: "mouth", says: []string{`"Apart: Mouth" has 1 input; input 2 is not there`}},
	} {
		in, out, err := choose(devices, Options{Name: test.name, Output: test.output, Inputs: [2]int{1, 2}})
		if test.says != nil {
			wantFault(t, err, card.Absent, test.says...)
			continue
		}
		if err != nil || in.index != test.in || out.index != test.out {
			t.Errorf("%q, %q: cards %d and %d, %v; want %d and %d", test.name, test.output, in.index, out.index, err, test.in, test.out)
		}
	}
}

// Whatever the list, its own names choose.
func TestEveryCardHasAName(t *testing.T) {
	devices := []device{
		{index: 0, api: "A", name: "x", inputs: 2, outputs: 2},
		{index: 1, api: "B", name: "x", inputs: 2, outputs: 2},
		{index: 2, api: "B", name: "A: x", inputs: 2, outputs: 2},
		{index: 3, api: "B", name: "xx", inputs: 2, outputs: 2},
	}
	for _, d := range devices[1:] {
		if in, _, err := choose(devices, Options{Name: d.String(), Inputs: [2]int{1, 2}}); err != nil || in.index != d.index {
			t.Errorf("%q chooses card %d, %v", d, in.index, err)
		}
	}
}

func TestChooseWithoutCards(t *testing.T) {
	_, _, err := choose(nil, Options{Inputs: [2]int{1, 2}})
	wantFault(t, err, card.Absent, "no sound card", "connect")
	_, _, err = choose([]device{{name: "Horn", api: "A", outputs: 2, defaultOut: true}}, Options{Inputs: [2]int{1, 2}})
	wantFault(t, err, card.Absent, "default", "records", "Horn")
	_, _, err = choose([]device{{name: "Ear", api: "A", inputs: 2, defaultIn: true}}, Options{Inputs: [2]int{1, 2}})
	wantFault(t, err, card.Absent, "default", "plays", "Ear")
	_, _, err = choose([]device{{name: "Ear", api: "A", inputs: 2}}, Options{Name: "Ear", Inputs: [2]int{1, 2}})
	wantFault(t, err, card.Absent, "only records", "none")
}
