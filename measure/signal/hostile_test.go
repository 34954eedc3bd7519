package signal

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"

	"tapload/measure/infile/hostile"
)

// soundLaws are laws of each kind, of short signals where there are such.
func soundLaws(t testing.TB) []string {
	band := Band{100, 1000, 0.9}
	listen, err := NewListen(8000, 1, band)
	if err != nil {
		t.Fatal(err)
	}
	tones := mustTones(t, TonesOptions{RateHz: 8000, LowHz: 200, HighHz: 800, PerOctave: 1})
	var all []string
	for _, s := range []Signal{
		mustChirp(t, ChirpOptions{}), mustChirp(t, ChirpOptions{RateHz: 8000, LowHz: 100, HighHz: 1000, PeriodSeconds: 0.2, Periods: 3}),
		mustMultitone(t, MultitoneOptions{RateHz: 8000, LowHz: 100, HighHz: 1000, PeriodSeconds: 0.2}), tones, Rounds{tones, tones}, listen,
		Program{8000, "a.wav", "00ff", 0.5, band, 2, nil},
	} {
		law, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, string(law))
	}
	return all
}

// readLaw holds a law that reads to be written and read as the same one, and to
// make as many samples as it says, none of them beyond full scale.
func readLaw(t testing.TB, text string) error {
	s, err := Decode([]byte(text))
	if err != nil {
		if s != nil {
			t.Errorf("%v came with error %v", s, err)
		}
		return err
	}
	again, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	if back, err := Decode(again); err != nil || !reflect.DeepEqual(back, s) {
		t.Errorf("%s became %+v with error %v, want %+v", again, back, err, s)
	}
	p, is := s.(Periodic)
	if !is || p.Frame().Len() > 1<<14 {
		return nil
	}
	x := s.Samples()
	if len(x) != p.Frame().Len() {
		t.Errorf("%d samples, want %d", len(x), p.Frame().Len())
	}
	for i, v := range x {
		if !(math.Abs(v) <= 1) {
			t.Fatalf("sample %d is %v", i, v)
		}
	}
	return nil
}

// Laws were refused in the words of a decoder.
func TestMalformedLaws(t *testing.T) { hostile.Test(t, hostile.JSON, soundLaws(t), readLaw) }

func FuzzDecode(f *testing.F) {
	f.Add(`{"kind":"chirp","rate_hz":48000,"lead_in":9223372036854775807,"tail":9223372036854775807,"period":2,"periods":2}`)
	hostile.Fuzz(f, hostile.JSON, soundLaws(f), readLaw)
}

// Both were in the words of a decoder, or of no text at all.
func TestSentencesOfBadLaws(t *testing.T) {
	for text, want := range map[string]string{
		`["chirp"]`: "signal law: not an object of JSON with the kind of a signal",
		"{\"kind\": \"tone-rounds\", \"rounds\": [\"\xff\"]}": "law of tones in rounds: rounds[0]: not valid UTF-8",
	} {
		if err := hostile.Read(t, text, readLaw); err == nil || err.Error() != want {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
}
