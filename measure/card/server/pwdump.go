package server

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// pwDump asks by PipeWire's own tool, for where PipeWire does not stand in for
// PulseAudio or pactl is not installed.
func pwDump(ctx context.Context, run Tools) (State, error) {
	text, err := run(ctx, "pw-dump")
	if err != nil {
		return State{}, err
	}
	return parsePWDump(text)
}

// The pw types are what "pw-dump" writes of what we look at. Properties are
// strings or numbers.
type (
	pwObject struct {
		ID   int             `json:"id"`
		Type string          `json:"type"`
		Raw  json.RawMessage `json:"info"`
		Info pwInfo          `json:"-"` // of the types that we look at
	}
	pwCore struct {
		Version string `json:"version"`
	}
	pwInfo struct {
		State  string         `json:"state"`
		Props  map[string]any `json:"props"`
		Params struct {
			Format []pwFormat `json:"Format"`
			Props  []pwLevel  `json:"Props"`
		} `json:"params"`
		From int `json:"output-node-id"` // of a link
		To   int `json:"input-node-id"`
	}
	pwFormat struct {
		Rate     int `json:"rate"`
		Channels int `json:"channels"`
	}
	pwLevel struct {
		Mute    bool      `json:"mute"`
		Volumes []float64 `json:"channelVolumes"` // gains
		Soft    []float64 `json:"softVolumes"`    // what is left of them for software
	}
)

// monitorOf is added to a sink's ID to make the ID of its monitor: in PipeWire
// a sink is its own monitor.
const monitorOf = 1 << 24

// parsePWDump reads what "pw-dump" writes.
func parsePWDump(text []byte) (State, error) {
	var objects []pwObject
	if err := json.Unmarshal(text, &objects); err != nil {
		return State{}, errors.New("pw-dump wrote something else than a list of PipeWire's objects")
	}
	s := State{Server: "PipeWire"}
	var links []pwInfo
	clients := map[string]int{} // their process, by ID
	for i := range objects {
		o := &objects[i]
		var into any = &o.Info
		var core pwCore
		switch o.Type {
		case "PipeWire:Interface:Core":
			into = &core
		case "PipeWire:Interface:Node", "PipeWire:Interface:Link", "PipeWire:Interface:Client":
		default:
			continue
		}
		if err := json.Unmarshal(o.Raw, into); err != nil {
			return State{}, fmt.Errorf("pw-dump wrote of object %d what such an object does not have", o.ID)
		}
		switch o.Type {
		case "PipeWire:Interface:Core":
			s.Server = strings.TrimSpace("PipeWire " + core.Version)
		case "PipeWire:Interface:Link":
			links = append(links, o.Info)
		case "PipeWire:Interface:Client":
			clients[fmt.Sprint(o.ID)], _ = strconv.Atoi(o.text(keyPID))
		}
	}
	linked := func(node int, other func(pwInfo) (mine, its int)) int {
		i := slices.IndexFunc(links, func(l pwInfo) bool { mine, _ := other(l); return mine == node })
		if i < 0 {
			return -1
		}
		_, its := other(links[i])
		return its
	}
	sinks := map[int]bool{}
	for _, o := range objects {
		if o.Type != "PipeWire:Interface:Node" {
			continue
		}
		switch o.text("media.class") {
		case "Audio/Sink":
			sinks[o.ID] = true
			d := o.device()
			s.Sinks = append(s.Sinks, d)
			d.ID, d.Monitor, d.Description = o.ID+monitorOf, true, "Monitor of "+d.Description
			d.Level = Level{Percent: 100}
			s.Sources = append(s.Sources, d)
		case "Audio/Source", "Audio/Source/Virtual":
			s.Sources = append(s.Sources, o.device())
		case "Audio/Duplex":
			s.Sinks = append(s.Sinks, o.device())
			s.Sources = append(s.Sources, o.device())
		case "Stream/Output/Audio":
			st := o.stream(clients)
			st.Device = linked(o.ID, func(l pwInfo) (int, int) { return l.From, l.To })
			s.Playing = append(s.Playing, st)
		case "Stream/Input/Audio":
			st := o.stream(clients)
			st.Device = linked(o.ID, func(l pwInfo) (int, int) { return l.To, l.From })
			s.Taking = append(s.Taking, st)
		}
	}
	for i, st := range s.Taking {
		if sinks[st.Device] {
			s.Taking[i].Device += monitorOf
		}
	}
	return s, nil
}

// text returns a property of o as text, "" where it has none.
func (o pwObject) text(key string) string {
	switch v := o.Info.Props[key].(type) {
	case string:
		return v
	case float64:
		return fmt.Sprint(int(v))
	}
	return ""
}

func (o pwObject) maker() maker {
	group := o.text("node.link-group")
	return maker{groupKind(group), group}
}

func (o pwObject) device() Device {
	d := Device{
		ID: o.ID, Name: o.text("node.name"), Maker: o.maker(), Level: o.level(),
		Description: cmp.Or(o.text("node.description"), o.text("node.nick"), o.text("node.name")),
	}
	if f := o.Info.Params.Format; len(f) > 0 {
		d.RateHz, d.Channels = f[0].Rate, f[0].Channels
	}
	return d
}

func (o pwObject) stream(clients map[string]int) Stream {
	st := Stream{
		Maker: o.maker(), Level: o.level(), Corked: o.Info.State != "running",
		Program: cmp.Or(o.text("application.name"), o.text("media.name"), o.text("node.name"), nameless),
		PID:     clients[o.text("client.id")],
	}
	if pid, err := strconv.Atoi(o.text(keyPID)); err == nil {
		st.PID = pid // of the program, where its client is a server that stands in for another
	}
	return st
}

// level returns the gain of o: where the card has a volume of its own, software
// is left with a gain of 1.
func (o pwObject) level() Level {
	l := Level{Percent: 100}
	for _, p := range o.Info.Params.Props {
		l.Mute = l.Mute || p.Mute
		for i, gain := range p.Volumes {
			percent := int(math.Round(100 * math.Cbrt(gain)))
			if math.Abs(float64(percent-100)) <= math.Abs(float64(l.Percent-100)) {
				continue
			}
			l.Percent, l.DB = percent, volumeDB(math.Cbrt(gain))
			l.Hardware = o.text("device.api") != "" && i < len(p.Soft) && p.Soft[i] == 1
		}
	}
	return l
}
