//go:build linux

package rig

import (
	"fmt"
	"net"
	"os"
	"os/exec"

	"golang.org/x/sys/unix"
)

const pulseAudioPackages = "pulseaudio libasound2-plugins gcc ladspa-sdk"

// startPulseAudio starts a PulseAudio server whose sink "out" filters what is
// played and hands it to the null sink "in", whose monitor is recorded. All of
// it is one thread in one process, at one rate, in float32: so the samples are
// exact, and nothing can be lost between the sinks.
func (r *Rig) startPulseAudio(o Options) error {
	need(r.tb, pulseAudioPackages, "pulseaudio", "cc")
	if alsaPlugin("pulse") == "" {
		missing(r.tb, "ALSA's plugin for PulseAudio not installed", pulseAudioPackages)
	}
	r.install("simcard.so", buildPlugin, "ladspa.h", pulseAudioPackages)

	format := fmt.Sprintf("format=float32le rate=%d channels=%d", o.RateHz, len(o.Chains))
	// Without rewinding, which would begin the filter anew.
	script := fmt.Sprintf(`.fail
load-module module-null-sink sink_name=in norewinds=1 %s sink_properties='device.description=%q'
load-module module-ladspa-sink sink_name=out sink_master=in plugin=simcard label=simcard %s sink_properties='device.description=%q'
set-default-sink out
set-default-source in.monitor
load-module module-native-protocol-unix
`, format, o.Name+" circuit", format, o.Name)
	if err := r.write("script.pa", script); err != nil {
		return err
	}
	// As with PipeWire, sound goes first on a busy machine, where it may.
	const daemon = "enable-shm = no\nexit-idle-time = -1\nhigh-priority = yes\nrealtime-scheduling = yes\nrealtime-priority = 80\n"
	if err := r.write("daemon.conf", daemon); err != nil {
		return err
	}
	if err := r.write("client.conf", "autospawn = no\n"); err != nil {
		return err
	}
	const alsa = "pcm.!default { type pulse }\nctl.!default { type pulse }\npcm.pulse { type pulse }\nctl.pulse { type pulse }\n"
	if err := r.write("asound.conf", alsa); err != nil {
		return err
	}
	socket := r.path("pulse/native")
	r.card = "ALSA: default"
	r.env = append(r.desktop(),
		"PULSE_SERVER=unix:"+socket,
		"PULSE_RUNTIME_PATH="+r.path("pulse"),
		"PULSE_STATE_PATH="+r.dir,
		"PULSE_COOKIE="+r.path("cookie"),
		"PULSE_CLIENTCONFIG="+r.path("client.conf"),
	)

	server := exec.Command("pulseaudio", "-n", "-F", r.path("script.pa"), "--daemonize=no", "--use-pid-file=no", "--log-target=stderr")
	server.Env = append(append(r.serverEnv(), "PULSE_CONFIG="+r.path("daemon.conf")), r.env...)
	var err error
	if r.server, err = r.run(server, terminate); err != nil {
		return err
	}
	err = r.until("it could be reached", func() bool {
		c, err := net.Dial("unix", socket)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	if err == nil {
		// Of itself it lets its sinks alone go first, not the thread that brings
		// them what programs play. An error is a machine where neither may.
		unix.SchedSetAttr(r.server.cmd.Process.Pid, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO, Priority: 79}, 0)
	}
	return err
}

// desktop returns the environment of a program on a server that is ALSA's
// default.
func (r *Rig) desktop() []string {
	return []string{
		"XDG_RUNTIME_DIR=" + r.dir,
		"ALSA_CONFIG_PATH=" + r.path("asound.conf"),
		"JACK_DEFAULT_SERVER=tapload-none",
		"JACK_NO_START_SERVER=1",
	}
}

// serverEnv returns the environment of a server that finds nothing of this
// user's desktop, and the simulated card.
func (r *Rig) serverEnv() []string {
	return append(os.Environ(),
		"HOME="+r.dir,
		"XDG_CONFIG_HOME="+r.path("config"),
		"XDG_STATE_HOME="+r.path("state"),
		"XDG_RUNTIME_DIR="+r.dir,
		"DBUS_SESSION_BUS_ADDRESS=unix:path="+r.path("no-bus"),
		"DISPLAY=",
		"LADSPA_PATH="+r.dir,
		"SIMCARD="+r.path("settings"),
	)
}
