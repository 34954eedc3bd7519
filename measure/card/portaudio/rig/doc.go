// Package rig gives a test a real sound card path on a machine without sound
// hardware: a sound server of its own, and on it a simulated card with a known
// circuit between its output and its inputs. To the program under test the
// path is the one it has with hardware: sound library, sound server, card.
//
// It runs on Linux and needs jackd, cc and the headers of libjack; Debian's
// packages are jackd2, gcc and libjack-jackd2-dev. Tests skip where one is
// missing, unless the environment has TAPLOAD_REQUIRE_RIG=1: then they fail.
package rig
