package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tapload/measure/card"
	"tapload/measure/card/portaudio"
)

// The table of every list of the package portaudio fits a terminal, ends with
// what to type next, and with --details leaves no device out.
func TestCardsFitATerminal(t *testing.T) {
	files, err := filepath.Glob("../../measure/card/portaudio/testdata/listings/*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d listings, %v", len(files), err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var devices []portaudio.Device
		if err := json.Unmarshal(data, &devices); err != nil {
			t.Fatal(err)
		}
		infos := portaudio.Group(devices)
		var out bytes.Buffer
		printCards(&out, infos, false)
		lines := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
		if len(lines) > 24 {
			t.Errorf("%s: %d lines", name, len(lines))
		}
		for _, line := range lines {
			if len([]rune(line)) > 80 {
				t.Errorf("%s: %q is wider than 80", name, line)
			}
			if strings.TrimRight(line, " ") != line {
				t.Errorf("%s: %q ends in spaces", name, line)
			}
		}
		if !strings.Contains(lines[len(lines)-1], "--card") {
			t.Errorf("%s: the last line is %q", name, lines[len(lines)-1])
		}
		var details bytes.Buffer
		printCards(&details, infos, true)
		for _, d := range devices {
			if !strings.Contains(details.String(), d.Name) && !strings.Contains(details.String(), exactName(infos, d)) {
				t.Errorf("%s: --details does not list %q", name, d)
			}
		}
	}
}

// oddCard is a sound system whose card was not named exactly.
type oddCard struct{ noCards }

type notedCard struct{ card.Card }

func (notedCard) Close() error { return nil }
func (notedCard) Note() string { return `"A: in" records, "A: out" plays` }

func (oddCard) open(portaudio.Options) (soundCard, error) { return notedCard{}, nil }

// Which card was taken is said on standard error, once.
func TestTakenCardIsSaid(t *testing.T) {
	var out, log bytes.Buffer
	e := env{stdout: &out, stderr: &log, sound: oddCard{}}
	if _, _, err := (sourceOptions{card: "a"}).open(e, new(signalOptions)); err != nil {
		t.Fatal(err)
	}
	if got, want := log.String(), "note: \"A: in\" records, \"A: out\" plays\n"; got != want || out.Len() > 0 {
		t.Errorf("said %q and printed %q, want %q alone", got, out.String(), want)
	}
}
