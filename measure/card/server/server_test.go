package server

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tapload/measure/card"
)

// captured is what the servers of testdata/README.txt answer.
func captured(t *testing.T, name string) State {
	t.Helper()
	read := func(file string) []byte {
		text, err := os.ReadFile(filepath.Join("testdata", file))
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	var s State
	var err error
	if strings.HasSuffix(name, ".json") {
		s, err = parsePWDump(read(name))
	} else {
		s, err = parsePactl(read(name+"-info.txt"), read(name+".txt"))
	}
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// What real servers said while tapload played and recorded, and what that means.
func TestAlterations(t *testing.T) {
	for _, tc := range []struct {
		name        string
		pid, rateHz int
		want        []string // codes
		says        []string
	}{
		{"pulseaudio-echo", 9708, 48000,
			[]string{card.EchoCancel, card.MonoInput, card.Monitor, card.Mixed, card.Resampled, card.SoftwareVolume},
			[]string{"PulseAudio 16.1 has an echo canceller at the output", `other sound into the output, of "Invented Player"`, "32000 Hz, the program at 48000 Hz", "60 % (-13.3 dB)"}},
		{"pulseaudio-96k", 9744, 96000, []string{card.Monitor, card.Resampled, card.SoftwareVolume},
			[]string{`resamples the output: "Null Output" runs at 48000 Hz, the program at 96000 Hz`}},
		{"pipewire-pulse-other", 6206, 48000, []string{card.Monitor, card.Mixed, card.SoftwareVolume},
			[]string{"PipeWire 0.3.65 mixes", `"Invented Player"`}},
		{"pipewire-pulse-echo", 8149, 48000, []string{card.EchoCancel, card.Monitor},
			[]string{`at the input, "Echo-Cancel Source"`}},
		{"pipewire-44k1.json", 5642, 48000, []string{card.Monitor, card.Resampled, card.SoftwareVolume},
			[]string{`"Null Output" runs at 44100 Hz, the program at 48000 Hz`, "60 % (-13.3 dB)"}},
		{"pipewire-44k1.json", 5642, 44100, []string{card.Monitor, card.SoftwareVolume}, nil},
		{"pipewire-echo.json", 8149, 48000, []string{card.EchoCancel, card.Monitor}, nil},
		{"pulseaudio-echo", 1, 48000, nil, nil}, // a process that does not play there
	} {
		t.Run(fmt.Sprint(tc.name, tc.pid, "at", tc.rateHz), func(t *testing.T) {
			var codes []string
			var text strings.Builder
			for _, a := range captured(t, tc.name).Alterations(tc.pid, tc.rateHz) {
				codes = append(codes, a.Code)
				fmt.Fprintln(&text, a.Text)
				if a.Advice == "" {
					t.Errorf("%s has no advice", a.Code)
				}
			}
			if !slices.Equal(codes, tc.want) {
				t.Errorf("found %v, want %v:\n%s", codes, tc.want, &text)
			}
			for _, want := range tc.says {
				if !strings.Contains(text.String(), want) {
					t.Errorf("it does not say %q:\n%s", want, &text)
				}
			}
		})
	}
}

// Both tools say the same of one moment of one PipeWire.
func TestBothToolsAgree(t *testing.T) {
	a, b := captured(t, "pipewire-pulse-echo"), captured(t, "pipewire-echo.json")
	if x, y := a.Alterations(8149, 96000), b.Alterations(8149, 96000); !slices.Equal(x, y) {
		t.Errorf("pactl leads to\n%+v\npw-dump to\n%+v", x, y)
	}
}

// plain is a desktop on which nothing is altered: a card with a volume of its
// own, a player that pauses, one that plays on another card, an unused echo
// canceller.
func plain() State {
	full := Level{Percent: 100}
	return State{
		Server: "Invented 1.0",
		Sinks: []Device{
			{ID: 1, Name: "card", RateHz: 48000, Channels: 2, Level: Level{Percent: 40, DB: volumeDB(0.4), Hardware: true}},
			{ID: 2, Name: "ec", RateHz: 32000, Channels: 1, Maker: maker{"module-echo-cancel", "7"}, Level: full},
			{ID: 3, Name: "other", RateHz: 44100, Channels: 2, Level: full},
		},
		Sources: []Device{
			{ID: 4, Name: "card", RateHz: 48000, Channels: 2, Level: full},
			{ID: 5, Name: "ec", RateHz: 32000, Channels: 1, Maker: maker{"module-echo-cancel", "7"}, Level: full},
		},
		Playing: []Stream{
			{Device: 1, PID: 10, Program: "tapload", Level: full},
			{Device: 1, PID: 11, Program: "pausing", Corked: true, Level: full},
			{Device: 1, PID: 12, Program: "muted", Level: Level{Percent: 100, Mute: true}},
			{Device: 3, PID: 13, Program: "elsewhere", Level: full},
			{Device: 1, Program: "canceller", Maker: maker{"module-echo-cancel", "7"}, Level: full},
		},
		Taking: []Stream{
			{Device: 4, PID: 10, Program: "tapload", Level: full},
			{Device: 4, PID: 14, Program: "also listens", Level: full},
			{Device: 4, Program: "canceller", Maker: maker{"module-echo-cancel", "7"}, Level: full},
		},
	}
}

// Nothing is found where nothing is altered, and each single change is found
// alone.
func TestEachAlterationAlone(t *testing.T) {
	for _, tc := range []struct {
		name   string
		change func(*State)
		want   string // code and text; empty for nothing
	}{
		{"nothing", func(*State) {}, ""},
		{"another rate of the output", func(s *State) { s.Sinks[0].RateHz = 44100 }, card.Resampled + `: Invented 1.0 resamples the output: "card" runs at 44100 Hz, the program at 48000 Hz`},
		{"another rate of the input", func(s *State) { s.Sources[0].RateHz = 16000 }, card.Resampled + `: Invented 1.0 resamples the input: "card" runs at 16000 Hz, the program at 48000 Hz`},
		{"no rate known", func(s *State) { s.Sinks[0].RateHz = 0 }, ""},
		{"software volume", func(s *State) { s.Sinks[0].Hardware = false }, card.SoftwareVolume + `: Invented 1.0 multiplies the samples of the output "card": its volume is 40 % (-23.9 dB)`},
		{"volume of the program", func(s *State) { s.Playing[0].Level = Level{Percent: 120, DB: volumeDB(1.2)} }, card.SoftwareVolume + `: Invented 1.0 multiplies the samples of this program's output: its volume is 120 % (+4.8 dB)`},
		{"a player", func(s *State) { s.Playing[1].Corked = false }, card.Mixed + `: Invented 1.0 mixes other sound into the output, of "pausing"`},
		{"a player through the canceller", func(s *State) { s.Playing[3].Device = 2 }, card.Mixed + `: Invented 1.0 mixes other sound into the output, of "elsewhere"`},
		{"five players", func(s *State) {
			for i := range 5 {
				s.Playing = append(s.Playing, Stream{Device: 1, PID: 20 + i, Program: fmt.Sprint(i), Level: Level{Percent: 100}})
			}
		}, card.Mixed + `: Invented 1.0 mixes other sound into the output, of "0", "1", "2", 2 more`},
		{"mono", func(s *State) { s.Sources[0].Channels = 1 }, card.MonoInput + `: Invented 1.0 hands out one channel as both inputs: "card" records in mono`},
		{"muted input", func(s *State) { s.Sources[0].Mute = true }, card.Muted + `: Invented 1.0 has muted the input "card"`},
		{"muted program", func(s *State) { s.Playing[0].Mute = true }, card.Muted + `: Invented 1.0 has muted this program's output`},
		{"monitor", func(s *State) { s.Sources[0].Monitor = true }, card.Monitor + `: Invented 1.0 hands out as inputs what it plays itself: the source is "card", not the inputs of a card`},
		{"an equaliser", func(s *State) { s.Sinks[0].Maker = maker{"filter-chain", "8"} }, card.Filtered + `: Invented 1.0 has an effect at the output, "card"`},
		{"a circle of virtual sinks", func(s *State) {
			s.Sinks[1].Maker, s.Sinks[2].Maker = maker{"loopback", "8"}, maker{"loopback", "9"}
			s.Playing[0].Device = 2
			s.Playing = append(s.Playing[:1], Stream{Device: 3, Maker: maker{"loopback", "8"}, Level: Level{Percent: 100}}, Stream{Device: 2, Maker: maker{"loopback", "9"}, Level: Level{Percent: 100}})
			s.Sinks[1].RateHz, s.Sinks[2].RateHz = 48000, 48000
		}, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := plain()
			tc.change(&s)
			var got []string
			for _, a := range s.Alterations(10, 48000) {
				got = append(got, a.Code+": "+a.Text)
			}
			if all := strings.Join(got, "\n"); all != tc.want {
				t.Errorf("got  %s\nwant %s", all, tc.want)
			}
		})
	}
}

// Texts that are cut off or of another kind are errors or say nothing, and
// never a panic.
func TestPiecesOfAnswers(t *testing.T) {
	info, _ := os.ReadFile("testdata/pulseaudio-echo-info.txt")
	list, _ := os.ReadFile("testdata/pulseaudio-echo.txt")
	dump, _ := os.ReadFile("testdata/pipewire-echo.json")
	for n := 0; n < len(list); n += 97 {
		s, err := parsePactl(info, list[:n])
		if err != nil {
			t.Fatal(err)
		}
		s.Alterations(9708, 48000)
	}
	for n := 0; n < len(dump)-2; n += 997 {
		if _, err := parsePWDump(dump[:n]); err == nil {
			t.Errorf("the first %d bytes of a dump were taken for a whole one", n)
		}
	}
	if _, err := parsePactl([]byte("Connection failure"), nil); err == nil {
		t.Error("a text that names no server was taken for an answer")
	}
}

func TestAsk(t *testing.T) {
	info, _ := os.ReadFile("testdata/pulseaudio-96k-info.txt")
	list, _ := os.ReadFile("testdata/pulseaudio-96k.txt")
	dump, _ := os.ReadFile("testdata/pipewire-44k1.json")
	missing := fmt.Errorf("looking: %w", exec.ErrNotFound)
	refused := &exec.ExitError{}
	broken := errors.New("broken")
	for _, tc := range []struct {
		name          string
		pactl, pwDump error
		server        string // none when empty
		fails         bool
	}{
		{"PulseAudio", nil, missing, "PulseAudio 16.1", false},
		{"no pactl", missing, nil, "PipeWire 0.3.65", false},
		{"pactl finds no server", refused, nil, "PipeWire 0.3.65", false},
		{"no tool at all", missing, missing, "", false},
		{"no server at all", refused, refused, "", false},
		{"pactl broken", broken, missing, "", true},
		{"pactl broken, PipeWire not", broken, nil, "PipeWire 0.3.65", false},
	} {
		s, ok, err := Ask(context.Background(), func(_ context.Context, name string, args ...string) ([]byte, error) {
			switch {
			case name == "pw-dump":
				return dump, tc.pwDump
			case args[0] == "info":
				return info, tc.pactl
			}
			return list, tc.pactl
		})
		if s.Server != tc.server || ok != (tc.server != "") || (err != nil) != tc.fails {
			t.Errorf("%s: got %q, %v, %v", tc.name, s.Server, ok, err)
		}
	}
}

// A server that hangs costs two seconds at most, one for each tool.
func TestAskDoesNotHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		_, ok, err := Ask(context.Background(), func(ctx context.Context, _ string, _ ...string) ([]byte, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		})
		if took := time.Since(start); ok || err == nil || took > 2*time.Second {
			t.Errorf("got %v, %v after %v", ok, err, took)
		}
	})
}

// A tool that hangs, or leaves a child behind that holds its output open, is
// left alone in time.
func TestRunEndsInTime(t *testing.T) {
	if _, err := exec.LookPath("sh"); err != nil {
		t.Skip("there is no shell")
	}
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	start := time.Now()
	if _, err := Run(ctx, "sh", "-c", "sleep 20 & sleep 20"); err == nil {
		t.Error("it ran on")
	}
	if took := time.Since(start); took > 2*time.Second {
		t.Errorf("it took %v", took)
	}
}

// Every system has a place to turn off everything that is found.
func TestEveryRemedy(t *testing.T) {
	for _, code := range []string{
		card.Resampled, card.Mixed, card.SoftwareVolume, card.EchoCancel, card.Filtered, card.Muted, card.MonoInput, card.Monitor,
		card.AutomaticGain.String(),
	} {
		for _, s := range []System{Linux, Windows, MacOS} {
			if Remedy(s, code) == "" {
				t.Errorf("system %d has no remedy for %s", s, code)
			}
		}
	}
	if r := Remedy(Linux, "no-such-code"); r != "" {
		t.Errorf("an unknown code is answered with %q", r)
	}
}
