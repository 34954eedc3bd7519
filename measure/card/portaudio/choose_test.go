package portaudio

import (
	"fmt"
	"strings"
	"testing"

	"tapload/measure/card"
)

// The choice over real lists: what is taken, and what is said of it.
func TestChoose(t *testing.T) {
	two := [2]int{1, 2}
	for _, test := range []struct {
		listing, name, output string
		inputs                [2]int
		in, out               string // names of the devices; out may be left out where it is in
		kind                  Kind
		note                  string // a part of it; "" for none
	}{
		// A name that is exact and complete is taken in silence.
		{listing: "linux-workstation", name: "ALSA: USB Audio CODEC: USB Audio (hw:2,0)", in: "ALSA: USB Audio CODEC: USB Audio (hw:2,0)", kind: Direct},
		{listing: "linux-workstation", name: "USB Audio CODEC: USB Audio (hw:2,0)", in: "ALSA: USB Audio CODEC: USB Audio (hw:2,0)", kind: Direct},
		{listing: "linux-workstation", name: "default", in: "ALSA: default", kind: Server},
		{listing: "linux-workstation", name: "pulse", in: "ALSA: pulse", kind: Server},
		{listing: "linux-workstation", name: "sysdefault", in: "ALSA: sysdefault", kind: Plugin},
		// The card, by a part.
		{listing: "linux-workstation", name: "usb", in: "ALSA: USB Audio CODEC: USB Audio (hw:2,0)", kind: Direct, note: `(hw:2,0)" records and plays`},
		{listing: "linux-workstation", name: "alsa: usb", in: "ALSA: USB Audio CODEC: USB Audio (hw:2,0)", kind: Direct, note: "records and plays"},
		{listing: "linux-workstation", name: "onboard", in: "ALSA: Onboard Audio: Pond99 Analog (hw:0,0)", kind: Direct, note: "records and plays"},
		{listing: "linux-workstation", name: "onb...io", in: "ALSA: Onboard Audio: Pond99 Analog (hw:0,0)", kind: Direct, note: "records and plays"},
		// A half finds the other one.
		{listing: "linux-workstation", name: "Onboard Audio: Pond99 Alt Analog (hw:0,2)", in: "ALSA: Onboard Audio: Pond99 Alt Analog (hw:0,2)",
			out: "ALSA: Onboard Audio: Pond99 Analog (hw:0,0)", kind: Direct, note: `(hw:0,2)" records, "ALSA: Onboard Audio: Pond99 Analog (hw:0,0)" plays`},
		{listing: "linux-workstation", name: "", in: "ALSA: default", kind: Server, note: `"ALSA: default" records and plays`},
		{listing: "linux-workstation", name: "default (pipewire, pulse)", in: "ALSA: default", kind: Server, note: "records and plays"},
		{listing: "linux-workstation", name: "default", inputs: [2]int{3, 4}, in: "ALSA: default", kind: Server, note: `"default" makes as many inputs as it is asked for: input 4`},
		{listing: "linux-pulse", name: "default", in: "ALSA: default", kind: Server},
		{listing: "linux-two-equal", name: "USB Audio CODEC (hw:2)", in: "ALSA: USB Audio CODEC: USB Audio (hw:2,0)", kind: Direct},
		{listing: "linux-two-equal", name: "USB Audio CODEC: USB Audio (hw:1,0)", output: "hw:2", in: "ALSA: USB Audio CODEC: USB Audio (hw:1,0)", out: "ALSA: USB Audio CODEC: USB Audio (hw:2,0)", kind: Direct, note: "plays"},
		{listing: "linux-two-equal", name: "hw:1,0", in: "ALSA: USB Audio CODEC: USB Audio (hw:1,0)", kind: Direct, note: "records"},
		{listing: "linux-jack", name: "JACK Audio Connection Kit: system", in: "JACK Audio Connection Kit: system", kind: Studio},
		{listing: "linux-jack", name: "system", in: "JACK Audio Connection Kit: system", kind: Studio},
		{listing: "linux-jack", name: "jack: sys", in: "JACK Audio Connection Kit: system", kind: Studio, note: "records and plays"},
		{listing: "linux-jack", name: "jack", in: "ALSA: jack", kind: Studio},
		// Hardware before server, and a real input before a monitor.
		{listing: "linux-pulse-interface", name: "USB Audio", in: "ALSA: USB Audio CODEC: USB Audio (hw:1,0)", kind: Direct, note: "records and plays"},
		{listing: "linux-pulse-interface", name: "pulseaudio: usb", in: "PulseAudio: USB Audio CODEC Analog Stereo", kind: Server, note: "records, "},
		{listing: "linux-pulse-interface", name: "Monitor of USB Audio CODEC Analog Stereo", in: "PulseAudio: Monitor of USB Audio CODEC Analog Stereo",
			out: "PulseAudio: USB Audio CODEC Analog Stereo", kind: Server, note: "records what is played"},
		// The best interface, both halves by it.
		{listing: "windows", name: "USB Audio CODEC", in: "Windows WASAPI: Line In (USB Audio CODEC )", out: "Windows WASAPI: Speakers (USB Audio CODEC )", kind: Shared,
			note: `"Windows WASAPI: Line In (USB Audio CODEC )" records, "Windows WASAPI: Speakers (USB Audio CODEC )" plays`},
		{listing: "windows", name: "2- usb", in: "Windows WASAPI: Line In (2- USB Audio CODEC )", out: "Windows WASAPI: Speakers (2- USB Audio CODEC )", kind: Shared, note: "plays"},
		{listing: "windows", name: "Line In (USB Audio CODEC )", in: "Windows WASAPI: Line In (USB Audio CODEC )", out: "Windows WASAPI: Speakers (USB Audio CODEC )", kind: Shared, note: "plays"},
		{listing: "windows", name: "Speakers (2- USB Audio CODEC )", in: "Windows WASAPI: Line In (2- USB Audio CODEC )", out: "Windows WASAPI: Speakers (2- USB Audio CODEC )", kind: Shared, note: "plays"},
		{listing: "windows", name: "MME: Line In (USB Audio CODEC )", in: "MME: Line In (USB Audio CODEC )", out: "MME: Speakers (USB Audio CODEC )", kind: Resampling, note: "plays"},
		{listing: "windows", name: "directsound: 2- usb", in: "Windows DirectSound: Line In (2- USB Audio CODEC )", out: "Windows DirectSound: Speakers (2- USB Audio CODEC )", kind: Resampling, note: "plays"},
		{listing: "windows", name: "high def", in: "Windows WASAPI: Microphone (High Definition Audio Device)", out: "Windows WASAPI: Speakers (High Definition Audio Device)", kind: Shared, note: "plays"},
		{listing: "windows", name: "Digital Audio (S/PDIF) (High De", in: "MME: Microphone (High Definition Aud", out: "MME: Digital Audio (S/PDIF) (High De", kind: Resampling, note: "plays"},
		{listing: "windows", name: "Windows WASAPI: Line In (USB Audio CODEC )", output: "Windows WASAPI: Speakers (High Definition Audio Device)",
			in: "Windows WASAPI: Line In (USB Audio CODEC )", out: "Windows WASAPI: Speakers (High Definition Audio Device)", kind: Shared},
		{listing: "windows", name: "MME: Line In (USB Audio CODEC )", output: "high def", in: "MME: Line In (USB Audio CODEC )", out: "MME: Speakers (High Definition Audio", kind: Resampling, note: "plays"},
		{listing: "windows", name: "", in: "Windows WASAPI: Microphone (High Definition Audio Device)", out: "Windows WASAPI: Speakers (High Definition Audio Device)", kind: Shared, note: "plays"},
		{listing: "windows", name: "mapper", in: "Windows DirectSound: Primary Sound Capture Driver", out: "Windows DirectSound: Primary Sound Driver", kind: StandIn, note: "plays"},
		{listing: "windows", name: "MME: Microsoft Sound Mapper - Input", in: "MME: Microsoft Sound Mapper - Input", out: "MME: Microsoft Sound Mapper - Output", kind: StandIn, note: "plays"},
		{listing: "windows-long", name: "Messkasten mit acht Kanälen...", in: "Windows WASAPI: Leitung (Messkasten mit acht Kanälen und zwei Uhren)", out: "Windows WASAPI: Lautsprecher (Messkasten mit acht Kanälen und zwei Uhren)", kind: Shared, note: "plays"},
		{listing: "windows-long", name: "eingebauter klang", in: "Windows WASAPI: Mikrofon (Eingebauter Klang(R) hoher Auflösung)", out: "Windows WASAPI: Lautsprecher (Eingebauter Klang(R) hoher Auflösung)", kind: Shared, note: "plays"},
		{listing: "windows-long", name: "mme: 2- mess", in: "MME: Leitung (2- Messkasten mit acht", out: "MME: Lautsprecher (2- Messkasten mit", kind: Resampling, note: "plays"},
		// The line input of a card, not its microphone.
		{listing: "windows-german", name: "usb", in: "Windows WASAPI: Line-In-Eingang für Messungen (USB Audio)", out: "Windows WASAPI: Lautsprecher (USB Audio)", kind: Shared, note: "plays"},
		{listing: "windows-german", name: "mme: usb", in: "MME: Line-In-Eingang für Messungen (", out: "MME: Lautsprecher (USB Audio)", kind: Resampling, note: "plays"},
		{listing: "windows-french", name: "codec", in: "Windows WASAPI: Ligne (USB Audio CODEC)", out: "Windows WASAPI: Haut-parleurs (USB Audio CODEC)", kind: Shared, note: "plays"},
		{listing: "windows-mme-only", name: "high", in: "MME: Microphone (High Definition Aud", out: "MME: Speakers (High Definition Audio", kind: Resampling, note: "plays"},
		{listing: "windows-loopback", name: "usb", in: "Windows WASAPI: Line (USB Audio CODEC)", out: "Windows WASAPI: Speakers (USB Audio CODEC)", kind: Shared, note: "plays"},
		{listing: "wine", name: "Null Output", in: "Windows WASAPI: Monitor of Null Output", out: "Windows WASAPI: Null Output", kind: Shared, note: "records what is played, there is no input"},
		{listing: "wine", name: "mme: null", in: "MME: Monitor of Null Output", out: "MME: Null Output", kind: Resampling, note: "plays"},
		{listing: "wine", name: "Windows WASAPI: Monitor of Null Output", output: "Windows WASAPI: Null Output", in: "Windows WASAPI: Monitor of Null Output", out: "Windows WASAPI: Null Output", kind: Shared},
		{listing: "wine", name: "", in: "Windows WASAPI: PulseAudio", kind: StandIn, note: "plays"},
		{listing: "macos", name: "USB", in: "Core Audio: USB Audio CODEC", kind: Shared, note: "records, "},
		{listing: "macos", name: "studio box", in: "Core Audio: Studio Box", kind: Shared, note: "records and plays"},
		{listing: "macos", name: "Studio Box", inputs: [2]int{3, 4}, in: "Core Audio: Studio Box", kind: Shared},
		{listing: "macos", name: "built-in mic", inputs: [2]int{1, 1}, output: "built-in sp", in: "Core Audio: Built-in Microphone", out: "Core Audio: Built-in Speakers", kind: Shared, note: "plays"},
		{listing: "macos", name: "", inputs: [2]int{1, 1}, in: "Core Audio: Built-in Microphone", out: "Core Audio: Built-in Speakers", kind: Shared, note: "these defaults are two cards"},
		{listing: "macos-two-equal", name: "USB Audio CODEC (2)", in: "Core Audio: USB Audio CODEC", kind: Shared, note: "records, "},
	} {
		if test.inputs == [2]int{} {
			test.inputs = two
		}
		if test.out == "" {
			test.out = test.in
		}
		got, err := choose(Group(listingOf(t, test.listing)), Options{Name: test.name, Output: test.output, Inputs: test.inputs})
		what := fmt.Sprintf("%s, %q, %q", test.listing, test.name, test.output)
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		if got.in.String() != test.in || got.out.String() != test.out || got.kind != test.kind {
			t.Errorf("%s: %q and %q, %v; want %q and %q, %v", what, got.in, got.out, got.kind, test.in, test.out, test.kind)
		}
		if got.in.Inputs == 0 || got.out.Outputs == 0 || got.in.API != got.out.API {
			t.Errorf("%s: %+v and %+v do not go together", what, got.in, got.out)
		}
		if !strings.Contains(got.note, test.note) || (got.note == "") != (test.note == "") || strings.Contains(got.note, "\n") {
			t.Errorf("%s: note %q, want %q in it", what, got.note, test.note)
		}
	}
}

func TestChooseRefuses(t *testing.T) {
	for _, test := range []struct {
		listing, name, output string
		inputs                [2]int
		says                  []string
	}{
		{listing: "linux-two-equal", name: "usb", says: []string{`2 sound cards match "usb"; say which:`,
			"\n  \"USB Audio CODEC (hw:1)\" (2 in, 2 out)\n  \"USB Audio CODEC (hw:2)\" (2 in, 2 out)"}},
		{listing: "windows", name: "usb", says: []string{"2 sound cards match", "\n  \"USB Audio CODEC\" (2 in, 2 out)\n  \"2- USB Audio CODEC\" (2 in, 2 out)"}},
		{listing: "macos-two-equal", name: "USB Audio CODEC", says: []string{"2 sound cards match", `"USB Audio CODEC (1)"`, `"USB Audio CODEC (2)"`}},
		{listing: "linux-workstation", name: "heron", says: []string{`no sound card matches "heron"; there is`, `"USB Audio CODEC" (2 in, 2 out)`, `"default (pipewire, pulse)" (any in, any out)`}},
		{listing: "linux-workstation", name: "graphics", says: []string{`card "Graphics Audio" only plays; name one that records:`, "USB Audio CODEC"}},
		{listing: "linux-workstation", name: "usb", inputs: [2]int{3, 4}, says: []string{`card "USB Audio CODEC" has 2 inputs; input 4 is not there`}},
		{listing: "linux-workstation", name: "usb", output: "heron", says: []string{`no sound card that matches "heron" plays and belongs to ALSA`, "Graphics Audio"}},
		{listing: "linux-workstation", name: "usb", output: "surround", says: []string{`3 sound cards that play match "surround"`, `"surround51"`}},
		{listing: "linux-workstation", name: "default", inputs: [2]int{64, 65}, says: []string{"input 65 is not there"}},
		{listing: "linux-jack", name: "from the desktop", says: []string{`card "Sound from the desktop" only records; name one that plays as well:`, `"system" (4 in, 2 out)`, "Sound to the desktop"}},
		{listing: "macos", name: "", says: []string{`card "Built-in Microphone" has 1 input; input 2 is not there`}},
		{listing: "macos", name: "speakers", says: []string{"only plays"}},
	} {
		if test.inputs == [2]int{} {
			test.inputs = [2]int{1, 2}
		}
		got, err := choose(Group(listingOf(t, test.listing)), Options{Name: test.name, Output: test.output, Inputs: test.inputs})
		if err == nil {
			t.Errorf("%s, %q: took %q and %q", test.listing, test.name, got.in, got.out)
			continue
		}
		wantFault(t, err, card.Absent, test.says...)
	}
	_, err := choose(Group(listingOf(t, "linux-workstation")), Options{Name: "heron", Inputs: [2]int{1, 2}})
	if strings.Contains(err.Error(), "surround40") {
		t.Errorf("plug-ins among the cards: %v", err)
	}
}

// One name under two interfaces that are not known to reach one card.
func TestChooseAmongUnknownInterfaces(t *testing.T) {
	devices := []Device{
		{API: "One", Name: "system", Inputs: 2, Outputs: 2},
		{API: "Two", Name: "system", Inputs: 2, Outputs: 2},
		{API: "Two", Name: "ear", Inputs: 2},
		{API: "Two", Name: "One: system", Inputs: 2, Outputs: 2},
	}
	infos := Group(devices)
	both := Options{Inputs: [2]int{1, 2}}
	for name, place := range map[string]int{"Two: system": 1, "two: system": 1, "Two: One: system": 3, "system (One)": 0} {
		both.Name = name
		if got, err := choose(infos, both); err != nil || got.in.Place != place || got.kind != Unknown {
			t.Errorf("%q: %q, %v", name, got.in, err)
		}
	}
	for name, says := range map[string][]string{
		"system": {`2 sound cards match "system"`, `"system (One)"`, `"system (Two)"`},
		"sys":    {`3 sound cards match "sys"`},
		"ear":    {`card "ear" only records`, `"system (Two)"`},
	} {
		both.Name = name
		_, err := choose(infos, both)
		wantFault(t, err, card.Absent, says...)
	}
}

func TestChooseWithoutCards(t *testing.T) {
	for _, test := range []struct {
		devices []Device
		name    string
		says    []string
	}{
		{nil, "", []string{"no sound card", "connect"}},
		{[]Device{{Name: "Horn", API: "A", Outputs: 2, DefaultOut: true}}, "", []string{"default", "records", "Horn"}},
		{[]Device{{Name: "Ear", API: "A", Inputs: 2, DefaultIn: true}}, "", []string{"default", "plays", "Ear"}},
		{[]Device{{Name: "Ear", API: "A", Inputs: 2}}, "Ear", []string{"only records", "none"}},
		{[]Device{{Name: "Off", API: "A"}}, "Off", []string{"neither records nor plays"}},
	} {
		_, err := choose(Group(test.devices), Options{Name: test.name, Inputs: [2]int{1, 2}})
		wantFault(t, err, card.Absent, test.says...)
	}
}

// What is taken is handed on as the sound system counts it.
func TestOpenTakesBothHalves(t *testing.T) {
	f := newFake(t)
	f.devices = []device{
		{index: 5, api: wasapi, name: "Speakers (Bench Box)", outputs: 2, apiDefaultOut: true},
		{index: 6, api: wasapi, name: "Line (Bench Box)", inputs: 2, apiDefaultIn: true},
	}
	c := mustOpen(t, f, Options{Name: "bench"})
	defer mustClose(t, c)
	if c.in.index != 6 || c.out.index != 5 || c.Kind() != Shared || !strings.Contains(c.Note(), `"Windows WASAPI: Line (Bench Box)" records`) {
		t.Errorf("devices %d and %d, %v, note %q", c.in.index, c.out.index, c.Kind(), c.Note())
	}
	infos, err := list(f)
	if err != nil || len(infos) != 1 || infos[0].Name != "Bench Box" || infos[0].Default {
		t.Errorf("listed %+v, %v", infos, err)
	}
}
