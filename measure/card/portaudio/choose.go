package portaudio

import (
	"fmt"
	"slices"
	"strings"

	"tapload/measure/card"
)

// choose returns the devices that record and play for o, or the fault that
// says what there is instead.
func choose(devices []device, o Options) (in, out device, err error) {
	if len(devices) == 0 {
		return in, out, &card.Fault{Cause: card.Absent, Text: "the sound system lists no sound card",
			Advice: "connect one, and start the sound server if it needs one"}
	}
	recording := func(d device) bool { return d.inputs > 0 }
	playing := func(d device) bool { return d.outputs > 0 }

	if o.Name == "" {
		i := slices.IndexFunc(devices, func(d device) bool { return d.defaultIn && recording(d) })
		if i < 0 {
			return in, out, absent(devices, "the sound system has no default sound card that records", thereIs)
		}
		in = devices[i]
	} else if in, err = find(devices, o.Name, "records", recording); err != nil {
		return in, out, err
	}

	sameAPI := func(d device) bool { return d.api == in.api }
	switch {
	case o.Output != "":
		out, err = find(devices, o.Output, "plays and belongs to "+in.api, func(d device) bool { return playing(d) && sameAPI(d) })
		if err != nil {
			return in, out, err
		}
	case o.Name == "":
		i := slices.IndexFunc(devices, func(d device) bool { return d.defaultOut && playing(d) && sameAPI(d) })
		if i < 0 {
			return in, out, absent(devices, "the sound system has no default sound card that plays", thereIs)
		}
		out = devices[i]
	case playing(in):
		out = in
	default:
		return in, out, absent(filter(devices, func(d device) bool { return playing(d) && sameAPI(d) }),
			fmt.Sprintf("card %q only records", in), "name one that plays as well:")
	}

	if need := max(o.Inputs[0], o.Inputs[1]); need > in.inputs {
		return in, out, &card.Fault{Cause: card.Absent,
			Text: fmt.Sprintf("card %q has %s; input %d is not there", in, plural(in.inputs, "input"), need)}
	}
	return in, out, nil
}

// find returns the one device that name means among those that can do what is
// needed of it.
func find(devices []device, name, does string, can func(device) bool) (device, error) {
	matches := match(devices, name)
	able := filter(matches, can)
	switch {
	case len(able) == 1:
		return able[0], nil
	case len(able) > 1:
		return device{}, absent(able, fmt.Sprintf("%d sound cards match %q", len(able), name), "say which:")
	case len(matches) > 0:
		return device{}, absent(filter(devices, can), fmt.Sprintf("no sound card that matches %q %s", name, does), thereIs)
	}
	return device{}, absent(filter(devices, can), fmt.Sprintf("no sound card matches %q", name), thereIs)
}

// match returns the devices that name means: by exact name, by interface and
// name, or by a part of the name, whichever is the first to find any.
func match(devices []device, name string) []device {
	if exact := filter(devices, func(d device) bool { return d.name == name || d.String() == name }); len(exact) > 0 {
		return exact
	}
	if api, rest, ok := strings.Cut(name, ": "); ok {
		of := filter(devices, func(d device) bool { return contains(d.api, api) })
		if exact := filter(of, func(d device) bool { return d.name == rest }); len(exact) > 0 {
			return exact
		}
		if part := filter(of, func(d device) bool { return contains(d.name, rest) }); len(part) > 0 {
			return part
		}
	}
	return filter(devices, func(d device) bool { return contains(d.name, name) })
}

func contains(s, part string) bool {
	return strings.Contains(strings.ToLower(s), strings.ToLower(part))
}

func filter(devices []device, keep func(device) bool) []device {
	var kept []device
	for _, d := range devices {
		if keep(d) {
			kept = append(kept, d)
		}
	}
	return kept
}

const thereIs = "there is"

// absent returns the fault of a card that was not found; its advice is lead,
// then the cards there are.
func absent(devices []device, text, lead string) *card.Fault {
	names := make([]string, len(devices))
	for i, d := range devices {
		names[i] = fmt.Sprintf("%q (%d in, %d out)", d, d.inputs, d.outputs)
	}
	if len(names) == 0 {
		names = []string{"none"}
	}
	return &card.Fault{Cause: card.Absent, Text: text, Advice: lead + " " + strings.Join(names, ", ")}
}
