package server

import (
	"encoding/json"
	"os"
	"testing"

	"tapload/measure/infile/hostile"
)

// answers are what the tool of a sound server wrote.
func answers(t testing.TB, names ...string) []string {
	var all []string
	for _, name := range names {
		text, err := os.ReadFile("testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, string(text))
	}
	return all
}

// dumps are a dump's first object of each type, and a stream.
func dumps(t testing.TB) []string {
	var objects, some []map[string]any
	if err := json.Unmarshal([]byte(answers(t, "pipewire-44k1.json")[0]), &objects); err != nil {
		t.Fatal(err)
	}
	seen := map[any]int{}
	for _, o := range objects {
		if seen[o["type"]]++; seen[o["type"]] == 1 || seen[o["type"]] == 3 && o["type"] == "PipeWire:Interface:Node" {
			some = append(some, o)
		}
	}
	text, err := json.Marshal(some)
	if err != nil {
		t.Fatal(err)
	}
	return []string{string(text)}
}

func readDump(_ testing.TB, text string) error {
	s, err := parsePWDump([]byte(text))
	s.Alterations(9708, 48000)
	return err
}

// What another program writes was taken to be of its own kind.
func TestMalformedDumps(t *testing.T) {
	hostile.Test(t, hostile.JSON, dumps(t), readDump)
}

func FuzzDump(f *testing.F) { hostile.Fuzz(f, hostile.JSON, dumps(f), readDump) }

// list are the words that devices are told by in a list.
var list = hostile.Rows(" ", "Sink", "Source", "Sink Input", "#1", "#", "Sample", "Specification:", "s16le", "2ch", "0ch", "48000Hz", "0Hz", "Mute:", "yes", "Volume:", "100%", "-inf", "dB,", "=", "\"9708\"", "application.process.id")

func readInfo(_ testing.TB, text string) error {
	s, err := parsePactl([]byte(text), nil)
	s.Alterations(9708, 48000)
	return err
}

func FuzzInfo(f *testing.F) { hostile.Fuzz(f, list, answers(f, "pulseaudio-96k-info.txt"), readInfo) }

// Whatever a list holds, it is no panic; a line that says nothing is left out.
func TestMalformedLists(t *testing.T) {
	info, all := answers(t, "pulseaudio-96k-info.txt")[0], answers(t, "pulseaudio-96k.txt")
	for number := range uint64(500) {
		text := hostile.Make(list, all, number)
		_ = hostile.Read(t, text, func(t testing.TB, text string) error {
			s, err := parsePactl([]byte(info), []byte(text))
			s.Alterations(9708, 48000)
			return err
		})
	}
}

// Both were in the words of a decoder.
func TestSentencesOfBadDumps(t *testing.T) {
	for text, want := range map[string]string{
		`"x"`: "pw-dump wrote something else than a list of PipeWire's objects",
		`[{"id": 7, "type": "PipeWire:Interface:Core", "info": 3}]`: "pw-dump wrote of object 7 what such an object does not have",
	} {
		if err := hostile.Read(t, text, readDump); err == nil || err.Error() != want {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
}
