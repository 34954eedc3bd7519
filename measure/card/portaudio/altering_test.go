package portaudio

import (
	"strings"
	"testing"

	"tapload/measure/card"
)

// Cards as PortAudio lists them on Windows and macOS, from memory: MME cuts
// names off at 31 characters.
func TestMixerResamples(t *testing.T) {
	cut := device{name: "Line (Bench Box 2 in 4 out of t", api: mme, inputs: 2, outputs: 2, rateHz: 44100}
	direct := device{name: "Line (Bench Box 2 in 4 out of the shop)", api: directSound, inputs: 2, outputs: 2, rateHz: 44100}
	wasapiIn := device{name: direct.name, api: wasapi, inputs: 2, rateHz: 48000}
	wasapiOut := device{name: direct.name, api: wasapi, outputs: 2, rateHz: 96000}
	all := []device{cut, direct, wasapiIn, wasapiOut}
	mac := device{name: "Bench Box", api: coreAudio, inputs: 2, outputs: 2, rateHz: 48000}
	for _, tc := range []struct {
		name    string
		in, out device
		rateHz  int
		want    []string // pieces of the text; none for nothing
	}{
		{"MME, output at another rate", cut, cut, 48000, []string{"the mixer of Windows resamples the output", "96000 Hz", "48000 Hz"}},
		{"DirectSound, input at another rate", direct, direct, 96000, []string{"resamples the input"}},
		{"DirectSound, both", direct, direct, 44100, []string{"the output", "and the input"}},
		{"WASAPI, which Windows refuses and Wine resamples", wasapiIn, wasapiOut, 44100, []string{"the output", "and the input"}},
		{"MME of a card that WASAPI does not list", device{name: "other", api: mme, inputs: 2}, device{name: "other", api: mme, outputs: 2}, 44100, nil},
		{"Core Audio", mac, mac, 96000, []string{"Core Audio resamples the output"}},
		{"Core Audio at its rate", mac, mac, 48000, nil},
		{"ALSA", device{name: "default", api: "ALSA", rateHz: 44100}, device{name: "default", api: "ALSA", rateHz: 44100}, 48000, nil},
	} {
		found := mixerResamples(all, tc.in, tc.out, tc.rateHz)
		if len(found) != min(1, len(tc.want)) {
			t.Errorf("%s: got %+v", tc.name, found)
			continue
		}
		for _, piece := range tc.want {
			if f := found[0]; f.Code != card.Resampled || !strings.Contains(f.Text, piece) || f.Advice == "" {
				t.Errorf("%s: got %+v, want %q in it", tc.name, f, piece)
			}
		}
	}
}

func TestWaysPastTheServer(t *testing.T) {
	hardware := device{api: alsa, name: "Bench Box: USB Audio (hw:1,0)", inputs: 2, outputs: 2}
	plugin := device{api: alsa, name: "default", inputs: 32, outputs: 32}
	for _, tc := range []struct {
		kind Kind
		out  device
		past bool
	}{
		{Direct, hardware, true},
		{Studio, device{api: jack, name: "system", inputs: 2, outputs: 2}, true},
		{Server, plugin, false},
		{Plugin, device{api: alsa, name: "sysdefault", inputs: 128, outputs: 128}, false},
		{Direct, plugin, false}, // the player is another
	} {
		if got := (&Card{kind: tc.kind, out: tc.out}).past(); got != tc.past {
			t.Errorf("%v, played by %s: past the server is %v", tc.kind, tc.out, got)
		}
	}
}
