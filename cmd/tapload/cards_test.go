package main

import (
	"bytes"
	"testing"

	"tapload/measure/card"
	"tapload/measure/card/portaudio"
)

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
