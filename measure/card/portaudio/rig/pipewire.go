//go:build linux

package rig

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

const pipeWirePackages = "pipewire pipewire-bin pipewire-alsa wireplumber gcc ladspa-sdk"

// startPipeWire starts a PipeWire server whose sink "out" and source "in" are
// two ends of one filter, and WirePlumber, which links programs to them.
func (r *Rig) startPipeWire(o Options) error {
	need(r.tb, pipeWirePackages, "pipewire", "wireplumber", "pw-metadata", "cc")
	plugin := alsaPlugin("pipewire")
	if plugin == "" {
		missing(r.tb, "ALSA's plugin for PipeWire neither installed nor below build", pipeWirePackages)
	}
	r.install("simcard.so", buildPlugin, "ladspa.h", pipeWirePackages)
	if len(o.Chains) != 2 {
		return fmt.Errorf("sound server rig: a card on PipeWire has 2 inputs, not %d", len(o.Chains))
	}

	for name, text := range map[string]string{
		"pipewire.conf": fmt.Sprintf(pipeWireConf, o.RateHz, o.RateHz, o.Period, o.Name, o.Name),
		// What a desktop has, without the search for hardware and without D-Bus.
		"config/wireplumber/main.lua.d/90-enable-all.lua":      wirePlumberMain,
		"config/wireplumber/bluetooth.lua.d/90-enable-all.lua": "",
		"asound.conf": fmt.Sprintf("pcm_type.pipewire { lib %q }\npcm.!default { type pipewire }\npcm.pipewire { type pipewire }\n", plugin),
	} {
		if err := r.write(name, text); err != nil {
			return err
		}
	}
	r.card = "ALSA: default"
	r.env = append(r.desktop(), "PIPEWIRE_RUNTIME_DIR="+r.dir, "PIPEWIRE_CONFIG_DIR=/usr/share/pipewire")

	env := append(r.serverEnv(), r.env...)
	server := exec.Command("pipewire", "-c", r.path("pipewire.conf"))
	server.Env = env
	var err error
	if r.server, err = r.run(server, terminate); err != nil {
		return err
	}
	err = r.until("it could be reached", func() bool {
		_, err := os.Stat(r.path("pipewire-0"))
		return err == nil
	})
	if err != nil {
		return err
	}
	manager := exec.Command("wireplumber")
	manager.Env = env
	if _, err = r.run(manager, terminate); err != nil {
		return err
	}
	return r.until("the card was the default", func() bool {
		look := exec.Command("pw-metadata")
		look.Env = env
		out, err := look.Output()
		return err == nil && bytes.Contains(out, []byte(`'default.audio.sink' value:'{"name":"out"}'`)) &&
			bytes.Contains(out, []byte(`'default.audio.source' value:'{"name":"in"}'`))
	})
}

// pipeWireConf is Debian's pipewire.conf as far as the rig needs it, with the
// filter: rate, rates, frames of a block and twice the card's name go in.
const pipeWireConf = `context.properties = {
    core.daemon = true
    core.name = pipewire-0
    default.clock.rate = %d
    default.clock.allowed-rates = [ %d ]
    default.clock.quantum = %d
}
context.spa-libs = {
    audio.convert.* = audioconvert/libspa-audioconvert
    support.*       = support/libspa-support
}
context.modules = [
    { name = libpipewire-module-rt args = { nice.level = -11 } flags = [ ifexists nofail ] }
    { name = libpipewire-module-protocol-native }
    { name = libpipewire-module-metadata }
    { name = libpipewire-module-spa-node-factory }
    { name = libpipewire-module-client-node }
    { name = libpipewire-module-access }
    { name = libpipewire-module-adapter }
    { name = libpipewire-module-link-factory }
    { name = libpipewire-module-session-manager }
    { name = libpipewire-module-filter-chain
        args = {
            filter.graph = {
                nodes = [ { type = ladspa name = simcard plugin = "simcard" label = simcard } ]
                inputs = [ "simcard:in 1" "simcard:in 2" ]
                outputs = [ "simcard:out 1" "simcard:out 2" ]
            }
            audio.channels = 2
            audio.position = [ FL FR ]
            capture.props = { node.name = out media.class = Audio/Sink node.description = %q }
            playback.props = { node.name = in media.class = Audio/Source node.description = %q }
        }
    }
]
context.objects = [
    { factory = spa-node-factory
        args = {
            factory.name = support.node.driver
            node.name = Dummy-Driver
            node.group = pipewire.dummy
            priority.driver = 20000
        }
    }
]
`

const wirePlumberMain = `load_module("metadata")
default_access.properties["enable-flatpak-portal"] = false
default_access.enable()
device_defaults.properties["use-persistent-storage"] = false
device_defaults.enable()
load_script("intended-roles.lua")
`

// alsaPlugin returns the path of ALSA's plugin for a kind of pcm, from the
// system or from where .ci/deps unpacks what Debian does not install beside the
// rest; empty where there is none.
func alsaPlugin(kind string) string {
	roots := []string{"/"}
	if module, err := moduleRoot(); err == nil {
		roots = append(roots, filepath.Join(module, "build", "pipewire-alsa"))
	}
	for _, root := range roots {
		for _, lib := range []string{"usr/lib/*/alsa-lib", "usr/lib/alsa-lib", "usr/lib64/alsa-lib"} {
			found, _ := filepath.Glob(filepath.Join(root, lib, "libasound_module_pcm_"+kind+".so"))
			if len(found) > 0 {
				return found[0]
			}
		}
	}
	return ""
}

// moduleRoot returns the folder of this module, which tests run in or below.
func moduleRoot() (string, error) {
	dir, err := os.Getwd()
	for err == nil {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", errors.New("no go.mod here or above")
		}
		dir = up
	}
	return "", err
}
