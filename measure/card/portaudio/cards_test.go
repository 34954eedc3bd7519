package portaudio

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// listing reads what a sound system lists. Those of linux-pulse, linux-pipewire
// and wine are what PortAudio 19.6 and 19.7 said on Debian 12; the others are
// made up after PortAudio's sources and from memory, with invented cards.
func listingOf(t *testing.T, name string) []Device {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", "listings", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var devices []Device
	if err := json.Unmarshal(data, &devices); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return devices
}

func listings(t *testing.T) map[string][]Device {
	t.Helper()
	files, err := filepath.Glob("testdata/listings/*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d listings, %v", len(files), err)
	}
	all := map[string][]Device{}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".json")
		all[name] = listingOf(t, name)
	}
	return all
}

func TestGroup(t *testing.T) {
	for name, want := range map[string]string{
		"linux-plain": `
			USB Audio: direct, 2 in, 2 out, 48000 Hz
			sysdefault: plug-in, any in, any out, 48000 Hz
			dmix: plug-in, - in, 2 out, 48000 Hz
			default: stand-in, any in, any out, 48000 Hz, default`,
		"linux-two-equal": `
			USB Audio CODEC (hw:1): direct, 2 in, 2 out, 48000 Hz
			USB Audio CODEC (hw:2): direct, 2 in, 2 out, 48000 Hz
			default (pulse): desktop-server, any in, any out, 44100 Hz, default`,
		"linux-pulse":    `default (pulse): desktop-server, any in, any out, 44100 Hz, default`,
		"linux-pipewire": `default (pipewire): desktop-server, any in, any out, 44100 Hz, default`,
		"linux-jack": `
			USB Audio CODEC: direct, 2 in, 2 out, 48000 Hz
			system: studio-server, 4 in, 2 out, 48000 Hz
			default: desktop-server, any in, any out, 44100 Hz, default
			Sound from the desktop: studio-server, 2 in, - out, 48000 Hz
			Sound to the desktop: studio-server, - in, 2 out, 48000 Hz`,
		"linux-pulse-interface": `
			USB Audio CODEC: direct, 2 in, 2 out, 48000 Hz
			Graphics Audio: direct, - in, 8 out, 44100 Hz
			default (pulse): desktop-server, any in, any out, 44100 Hz, default
			Built-in Audio Digital Stereo (HDMI): desktop-server, loop in, 2 out, 44100 Hz`,
		"linux-workstation": `
			Onboard Audio: direct, 2 in, 2 out, 44100 Hz
			Graphics Audio: direct, - in, 8 out, 44100 Hz
			USB Audio CODEC: direct, 2 in, 2 out, 48000 Hz
			sysdefault: plug-in, any in, any out, 48000 Hz
			front: plug-in, - in, 2 out, 44100 Hz
			surround40: plug-in, - in, 2 out, 44100 Hz
			surround51: plug-in, - in, 2 out, 44100 Hz
			surround71: plug-in, - in, 2 out, 44100 Hz
			iec958: plug-in, - in, 2 out, 44100 Hz
			spdif: plug-in, - in, 2 out, 44100 Hz
			hdmi: plug-in, - in, 2 out, 44100 Hz
			dmix: plug-in, - in, 2 out, 48000 Hz
			lavrate: plug-in, any in, any out, 44100 Hz
			samplerate: plug-in, any in, any out, 44100 Hz
			speexrate: plug-in, any in, any out, 44100 Hz
			upmix: plug-in, 8 in, 8 out, 44100 Hz
			vdownmix: plug-in, 6 in, 6 out, 44100 Hz
			default (pipewire, pulse): desktop-server, any in, any out, 44100 Hz, default
			jack: studio-server, 2 in, 2 out, 48000 Hz`,
		"windows": `
			Microsoft Sound Mapper: stand-in, 2 in, 2 out, 44100 Hz
			High Definition Audio Device: shared, 2 in, 2 out, 48000 Hz, default
			USB Audio CODEC: shared, 2 in, 2 out, 44100 Hz
			2- USB Audio CODEC: shared, 2 in, 2 out, 48000 Hz
			Graphics(R) Display Audio: shared, - in, 2 out, 48000 Hz`,
		"windows-long": `
			Microsoft Soundmapper: stand-in, 2 in, 2 out, 44100 Hz
			Digitale Sound-Technik für eingebaute Mikrofone: shared, 2 in, - out, 48000 Hz
			Messkasten mit acht Kanälen und zwei Uhren: shared, 8 in, 8 out, 96000 Hz
			2- Messkasten mit acht Kanälen und zwei Uhren: shared, 8 in, 8 out, 96000 Hz
			Eingebauter Klang(R) hoher Auflösung: shared, 2 in, 2 out, 48000 Hz, default
			Klang des Bildschirms: shared, - in, 2 out, 48000 Hz
			Teich 40 Stereo: shared, - in, 2 out, 44100 Hz
			Teich 40 Hands-Free AG Audio: shared, - in, 1 out, 16000 Hz`,
		"windows-german": `
			Microsoft Soundmapper: stand-in, 2 in, 2 out, 44100 Hz
			USB Audio: shared, 2 in, 2 out, 48000 Hz, default`,
		"windows-french": `
			Mappeur de sons Microsoft: stand-in, 2 in, 2 out, 44100 Hz
			USB Audio CODEC: shared, 2 in, 2 out, 48000 Hz, default`,
		"windows-mme-only": `
			Microsoft Sound Mapper: stand-in, 2 in, 2 out, 44100 Hz, default
			High Definition Audio: resampling, 2 in, 2 out, 44100 Hz`,
		"windows-loopback": `
			USB Audio CODEC: shared, 2 in, 2 out, 48000 Hz, default
			Display Audio: shared, loop in, 2 out, 48000 Hz`,
		"wine": `
			Wine Sound Mapper: stand-in, 2 in, 2 out, 44100 Hz
			PulseAudio: stand-in, 2 in, 2 out, 48000 Hz, default
			Null Output: shared, loop in, 2 out, 48000 Hz`,
		"macos": `
			Built-in Microphone: shared, 1 in, - out, 48000 Hz, default
			Built-in Speakers: shared, - in, 2 out, 48000 Hz, default
			USB Audio CODEC: shared, 2 in, 2 out, 48000 Hz
			Studio Box: shared, 4 in, 4 out, 96000 Hz`,
		"macos-two-equal": `
			USB Audio CODEC (1): shared, 2 in, 2 out, 48000 Hz, default
			USB Audio CODEC (2): shared, 2 in, 2 out, 48000 Hz`,
	} {
		var got, wanted []string
		for _, i := range Group(listingOf(t, name)) {
			line := fmt.Sprintf("%s: %v, %v in, %v out, %g Hz", i.Name, i.Best().Kind, i.Inputs(), i.Outputs(), i.RateHz())
			if i.Default {
				line += ", default"
			}
			got = append(got, line)
		}
		for line := range strings.Lines(strings.TrimSpace(want)) {
			wanted = append(wanted, strings.TrimSpace(line))
		}
		if !slices.Equal(got, wanted) {
			t.Errorf("%s:\n%s\nwant\n%s", name, strings.Join(got, "\n"), strings.Join(wanted, "\n"))
		}
	}
}

// checkCards fails unless each device belongs to one card, in one way of it, and
// is found, as its card is, by the name it has.
func checkCards(t *testing.T, devices []Device) {
	t.Helper()
	infos := Group(devices)
	seen := map[int]string{}
	for _, i := range infos {
		if again := Group(devices); !slices.ContainsFunc(again, func(j Info) bool { return i.Name == j.Name }) {
			t.Errorf("card %q has another name the second time", i.Name)
		}
		hits := match(infos, i.Name, func(Device) bool { return true })
		if len(hits) != 1 || hits[0].Name != i.Name {
			t.Errorf("%q finds %d cards", i.Name, len(hits))
		}
		for width := 8; width < 32; width++ {
			short := ShortName(infos, i, width)
			if hits := match(infos, short, func(Device) bool { return true }); len(hits) != 1 || hits[0].Name != i.Name {
				t.Errorf("%q for %q finds %d cards", short, i.Name, len(hits))
			}
		}
		for _, w := range i.Ways {
			for _, d := range w.Devices {
				if other, ok := seen[d.Place]; ok {
					t.Errorf("%q belongs to %q and to %q", d, other, i.Name)
				}
				seen[d.Place] = i.Name
				if d.API != w.API || d.Name != devices[d.Place].Name {
					t.Errorf("%q stands in a way of %s for device %d, %q", d, w.API, d.Place, devices[d.Place].Name)
				}
				if slices.ContainsFunc(w.Records, d.is) != (d.Inputs > 0) || slices.ContainsFunc(w.Plays, d.is) != (d.Outputs > 0) {
					t.Errorf("%q has %d inputs and %d outputs, and is not where it belongs", d, d.Inputs, d.Outputs)
				}
			}
		}
	}
	if len(seen) != len(devices) {
		t.Errorf("%d of %d devices belong to a card", len(seen), len(devices))
	}
	for place, d := range devices {
		hits := match(infos, d.String(), func(Device) bool { return true })
		found := slices.ContainsFunc(hits, func(h hit) bool {
			return h.Name == seen[place] && slices.ContainsFunc(h.devices, func(e Device) bool { return e.Place == place })
		})
		for _, h := range hits {
			for _, e := range h.devices {
				if devices[e.Place].String() != d.String() {
					t.Errorf("%q finds %q too", d, e)
				}
			}
		}
		if !found {
			t.Errorf("%q does not find its card %q", d, seen[place])
		}
	}
}

func TestEveryDeviceBelongsToOneCard(t *testing.T) {
	for name, devices := range listings(t) {
		t.Run(name, func(t *testing.T) { checkCards(t, devices) })
	}
}

// The same for lists that no sound system would have: devices of all listings,
// drawn and shuffled, some of them renamed.
func TestAnyDevicesBelongToOneCard(t *testing.T) {
	var pool []Device
	all := listings(t)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		pool = append(pool, all[name]...)
	}
	names := []string{"", "(", ")", "x (", "(x)", "default", "ALSA: default", "USB Audio CODEC (1)", "Monitor of ", "Monitor of X (Y)", " - Input", "a: b: (hw:1,0)"}
	r := rand.New(rand.NewPCG(13, 0))
	for range 500 {
		devices := make([]Device, 1+r.IntN(12))
		for i := range devices {
			devices[i] = pool[r.IntN(len(pool))]
			if r.IntN(4) == 0 {
				devices[i].Name = names[r.IntN(len(names))]
			}
		}
		checkCards(t, devices)
		if t.Failed() {
			t.Fatalf("of %q", devices)
		}
	}
}

func TestInBrackets(t *testing.T) {
	for name, want := range map[string]string{
		"Line In (USB Audio CODEC )":                            "USB Audio CODEC ",
		"Speakers (Realm(R) Audio)":                             "Realm(R) Audio",
		"Digital Audio (S/PDIF) (High Definition Audio Device)": "High Definition Audio Device",
		"Digital Audio (S/PDIF) (High De":                       "High De",
		"Speakers (Realm(R) Au":                                 "Realm(R) Au",
		"Speakers (Realm(":                                      "Realm(",
		"Speakers (X) ":                                         "X",
		"Null Output":                                           "",
		"(alone)":                                               "",
		"odd) (X)":                                              "X",
		"":                                                      "",
	} {
		if got := inBrackets(name); got != want {
			t.Errorf("inBrackets(%q) = %q, want %q", name, got, want)
		}
	}
}

// About names interfaces in order, and lets go of the library.
func TestAbout(t *testing.T) {
	f := newFake(t)
	got, err := about(f)
	if want := (Library{"Fake 1.0", []string{"a", "b"}}); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, %v, want %+v", got, err, want)
	}
	f.listErr = errors.New("gone")
	if _, err := about(f); err == nil {
		t.Error("without the library there is one")
	}
}
