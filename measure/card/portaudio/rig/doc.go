// Package rig gives a test a real sound card path on a machine without sound
// hardware: a sound server of its own, and on it a simulated card with a known
// circuit between its output and its inputs. To the program under test the
// path is the one it has with hardware: sound library, sound server, card.
//
// It runs on Linux. The server is JACK, where the card is a client, or one that
// desktops have, PulseAudio or PipeWire, where it is a filter in the LADSPA
// format; all three compute alike (simcard/card.h). .ci/deps names Debian's
// packages. Tests skip where one is missing, unless the environment has
// TAPLOAD_REQUIRE_RIG=1: then they fail.
package rig
