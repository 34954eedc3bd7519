package card

import (
	"errors"
	"io/fs"
	"strings"
	"testing"
)

func TestOutputCheck(t *testing.T) {
	ok := []float64{0, 0.5}
	for _, c := range []struct {
		name string
		out  Output
		want string // "" for no error
	}{
		{"mono", Output{RateHz: 48000, Channels: [][]float64{ok}}, ""},
		{"stereo", Output{RateHz: 48000, Channels: [][]float64{ok, ok}}, ""},
		{"no rate", Output{Channels: [][]float64{ok}}, "sample rate 0 Hz must be above 0"},
		{"no channels", Output{RateHz: 48000}, "a card plays one or two channels, not 0"},
		{"three channels", Output{RateHz: 48000, Channels: [][]float64{ok, ok, ok}}, "a card plays one or two channels, not 3"},
		{"nothing", Output{RateHz: 48000, Channels: [][]float64{{}}}, "there is nothing to play"},
		{"unequal", Output{RateHz: 48000, Channels: [][]float64{ok, ok[:1]}}, "output channels have 2 and 1 samples; they must be equally long"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.out.Check()
			if c.want == "" && err != nil || c.want != "" && (err == nil || err.Error() != c.want) {
				t.Errorf("got error %v, want %q", err, c.want)
			}
		})
	}
}

func TestFaultError(t *testing.T) {
	for _, c := range []struct {
		fault Fault
		want  string
	}{
		{Fault{Text: "card is busy"}, "card is busy"},
		{Fault{Text: "card is busy", Advice: "close it"}, "card is busy; close it"},
		{Fault{Text: "no file", Err: fs.ErrNotExist}, "no file: file does not exist"},
		{Fault{Text: "no file", Err: fs.ErrNotExist, Advice: "make one"}, "no file: file does not exist; make one"},
	} {
		if got := c.fault.Error(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

func TestFaultUnwrap(t *testing.T) {
	var err error = &Fault{Cause: BadFile, Text: "no file", Err: fs.ErrNotExist}
	if !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v does not wrap its cause", err)
	}
	if (&Fault{}).Unwrap() != nil {
		t.Error("a fault without a cause unwraps to something")
	}
}

func TestCauseString(t *testing.T) {
	for c, want := range map[Cause]string{
		Unknown: "unknown", Absent: "absent", Busy: "busy", WrongRate: "wrong-rate", Stopped: "stopped",
		LostBlocks: "lost-blocks", Dropout: "dropout", Clipped: "clipped", NoSignal: "no-signal",
		TooShort: "too-short", BadFile: "bad-file", -1: "cause(-1)", 99: "cause(99)",
	} {
		if got := c.String(); got != want {
			t.Errorf("cause %d is %q, want %q", int(c), got, want)
		}
	}
}

func TestLapseString(t *testing.T) {
	for l, want := range map[Lapse]string{
		0: "", InputOverflow: "input overflow", InputUnderflow: "input underflow",
		OutputOverflow: "output overflow", OutputUnderflow: "output underflow",
		InputOverflow | OutputUnderflow: "input overflow and output underflow",
	} {
		if got := l.String(); got != want {
			t.Errorf("lapse %d is %q, want %q", l, got, want)
		}
	}
}

// wantFault checks that err is a *Fault of the cause whose sentence holds each
// of the words.
func wantFault(t *testing.T, err error, cause Cause, words ...string) {
	t.Helper()
	var f *Fault
	if !errors.As(err, &f) {
		t.Fatalf("got error %v, want a fault of cause %v", err, cause)
	}
	if f.Cause != cause {
		t.Errorf("got cause %v, want %v: %v", f.Cause, cause, err)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q does not name %q", err, w)
		}
	}
}
