package server

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	"tapload/measure/oneline"
)

const (
	keyPID   = "application.process.id"
	nameless = "a program without a name"
)

// pactl asks by PulseAudio's tool, which PipeWire answers too. Its text is the
// same in all versions, whereas its JSON came with PulseAudio 16.
func pactl(ctx context.Context, run Tools) (State, error) {
	info, err := run(ctx, "pactl", "info")
	if err != nil {
		return State{}, err
	}
	list, err := run(ctx, "pactl", "list")
	if err != nil {
		return State{}, err
	}
	return parsePactl(info, list)
}

// parsePactl reads what "pactl info" and "pactl list" write.
func parsePactl(info, list []byte) (State, error) {
	s := State{}
	about := fields(info)
	if s.Server = about["Server Name"]; s.Server == "" {
		return State{}, fmt.Errorf("pactl info names no server: %s", oneline.Quote(string(info)))
	}
	if s.Server == "pulseaudio" {
		s.Server = "PulseAudio " + about["Server Version"]
	} else if _, on, ok := strings.Cut(s.Server, "(on "); ok {
		s.Server = strings.TrimSuffix(on, ")")
	}
	clients := map[string]string{}          // their process, by number
	var playing, taking []map[string]string // clients are listed after their streams
	for _, block := range bytes.Split(list, []byte("\n\n")) {
		head, rest, _ := bytes.Cut(block, []byte("\n"))
		kind, number, ok := strings.Cut(string(head), " #")
		id, err := strconv.Atoi(number)
		if !ok || err != nil {
			continue // the text of a module's arguments may have empty lines
		}
		f := fields(rest)
		switch kind {
		case "Client":
			clients[number] = f[keyPID]
		case "Sink":
			s.Sinks = append(s.Sinks, pactlDevice(id, f))
		case "Source":
			s.Sources = append(s.Sources, pactlDevice(id, f))
		case "Sink Input":
			playing = append(playing, f)
		case "Source Output":
			taking = append(taking, f)
		}
	}
	for _, f := range playing {
		s.Playing = append(s.Playing, pactlStream(f, "Sink", clients))
	}
	for _, f := range taking {
		s.Taking = append(s.Taking, pactlStream(f, "Source", clients))
	}
	return s, nil
}

// fields returns the values of the lines "Name: value" and of the properties
// "name = "value"" of a text, by name. Of a name that comes twice the first
// counts.
func fields(text []byte) map[string]string {
	f := map[string]string{}
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		key, value, ok := strings.Cut(line, ": ")
		if k, v, property := strings.Cut(line, " = "); property && (!ok || len(k) < len(key)) {
			if unquoted, err := strconv.Unquote(v); err == nil {
				v = unquoted
			}
			key, value, ok = k, v, true
		}
		if _, have := f[key]; ok && !have {
			f[key] = strings.TrimSpace(value)
		}
	}
	return f
}

func pactlDevice(id int, f map[string]string) Device {
	d := Device{ID: id, Name: f["Name"], Description: f["Description"], Maker: pactlMaker(f), Level: pactlLevel(f)}
	if of := f["Monitor of Sink"]; of != "" && of != "n/a" {
		d.Monitor = true
	}
	d.Hardware = strings.Contains(f["Flags"], "HW_VOLUME_CTRL")
	// Such as "s16le 2ch 48000Hz".
	for _, word := range strings.Fields(f["Sample Specification"]) {
		if n, err := strconv.Atoi(strings.TrimSuffix(word, "ch")); err == nil {
			d.Channels = n
		}
		if n, err := strconv.Atoi(strings.TrimSuffix(word, "Hz")); err == nil {
			d.RateHz = n
		}
	}
	return d
}

func pactlStream(f map[string]string, of string, clients map[string]string) Stream {
	st := Stream{Device: -1, Maker: pactlMaker(f), Corked: f["Corked"] == "yes", Level: pactlLevel(f)}
	if n, err := strconv.Atoi(f[of]); err == nil {
		st.Device = n
	}
	// 0, for unknown, where neither says.
	st.PID, _ = strconv.Atoi(cmp.Or(f[keyPID], clients[f["Client"]]))
	st.Program = cmp.Or(f["application.name"], f["media.name"], f["node.name"], nameless)
	return st
}

// pactlMaker: PulseAudio names the module that drives a device, and its number;
// what plays and records for it has the same number. PipeWire gives both a
// link group.
func pactlMaker(f map[string]string) maker {
	if group := f["node.link-group"]; group != "" {
		return maker{groupKind(group), group}
	}
	driver, ok := strings.CutSuffix(f["Driver"], ".c")
	module := f["Owner Module"]
	if _, err := strconv.Atoi(module); !ok || err != nil || !strings.HasPrefix(driver, "module-") {
		return maker{}
	}
	if strings.HasPrefix(driver, "module-alsa") || strings.HasPrefix(driver, "module-null") {
		return maker{}
	}
	return maker{driver, module}
}

// groupKind returns what made a link group of PipeWire: "echo-cancel" of
// "echo-cancel-1234-56".
func groupKind(group string) string {
	return strings.TrimRight(group, "-0123456789")
}

// pactlLevel reads lines such as
//
//	Volume: front-left: 39321 /  60% / -13.31 dB,   front-right: 39321 /  60% / -13.31 dB
//
// where the decibels may be missing.
func pactlLevel(f map[string]string) Level {
	l := Level{Percent: 100, Mute: f["Mute"] == "yes"}
	for _, channel := range strings.Split(f["Volume"], ",") {
		parts := strings.Split(channel, "/")
		if len(parts) < 2 {
			continue
		}
		percent, err := strconv.Atoi(strings.TrimSuffix(strings.TrimSpace(parts[1]), "%"))
		if err != nil || math.Abs(float64(percent-100)) < math.Abs(float64(l.Percent-100)) {
			continue
		}
		l.Percent, l.DB = percent, volumeDB(float64(percent)/100)
	}
	return l
}

// volumeDB returns the gain in decibels at a part of PulseAudio's scale, whose
// gain is its cube (PulseAudio's pa_sw_volume_to_linear).
func volumeDB(part float64) float64 { return 60 * math.Log10(part) }
