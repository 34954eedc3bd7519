//go:build linux

package rig

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"
)

const jackPackages = "jackd2 gcc libjack-jackd2-dev"

// jackServer is the name of the one there is. A server that was killed keeps
// one of the eight places in a table of the machine's until the next one of the
// same name starts: so names must not be new each time.
const jackServer = "tapload-rig"

// startJACK starts a JACK server, and the card as a client of it.
func (r *Rig) startJACK(o Options) error {
	need(r.tb, jackPackages, "jackd", "cc")
	r.install("simcard", buildClient, "jack/jack.h", jackPackages)
	lock := alone(r.tb)
	r.tidy = append(r.tidy, func() {
		// What a killed server leaves.
		left, _ := filepath.Glob("/dev/shm/*" + jackServer + "_*")
		for _, path := range left {
			os.Remove(path)
		}
		lock.Close()
	})
	// Without a single pcm the sound library aborts the program.
	const silence = "pcm.!default { type null }\nctl.!default { type null }\npcm.silent { type null }\n"
	if err := r.write("asound.conf", silence); err != nil {
		return err
	}
	r.card = API + ": " + o.Name
	r.env = []string{
		"JACK_DEFAULT_SERVER=" + jackServer,
		"JACK_NO_START_SERVER=1",
		"JACK_NO_AUDIO_RESERVATION=1",
		"ALSA_CONFIG_PATH=" + r.path("asound.conf"),
	}

	// Synchronous (-S): a late block then stretches time instead of being lost.
	jackd := exec.Command("jackd", "-r", "-S", "-n", jackServer,
		"-d", "dummy", "-C", "0", "-P", "0", "-r", strconv.Itoa(o.RateHz), "-p", strconv.Itoa(o.Period))
	args := []string{"--name", o.Name, "--settings", r.path("settings")}
	if !o.RealTime {
		args = append(args, "--freewheel")
	}
	sim := exec.Command(r.path("simcard"), args...)
	jackd.Env = append(os.Environ(), r.env...)
	sim.Env = jackd.Env
	// A server that outlives the test keeps the next rig waiting.
	held, err := lock.File()
	if err != nil {
		return err
	}
	defer held.Close()
	jackd.ExtraFiles = []*os.File{held}
	stdin, err := sim.StdinPipe()
	if err != nil {
		return err
	}
	stdout, err := sim.StdoutPipe()
	if err != nil {
		return err
	}
	if r.server, err = r.run(jackd, terminate); err != nil {
		return err
	}
	// The card ends by itself when its input does.
	sim.SysProcAttr = new(syscall.SysProcAttr)
	if _, err = r.run(sim, func(*os.Process) { stdin.Close() }); err != nil {
		return err
	}
	ready := make(chan error, 1)
	go func() {
		var err error
		if line, _ := bufio.NewReader(stdout).ReadString('\n'); line != "ready\n" {
			err = fmt.Errorf("sound server rig: the simulated card said %q instead of ready", line)
		}
		ready <- err
	}()
	select {
	case err := <-ready:
		return err
	case <-r.server.done:
		return errors.New("sound server rig: the server does not start")
	}
}

// alone waits until no other rig of this user runs, and keeps others waiting
// until its result is closed. The sound server's clients meet it at a socket
// named after themselves and the user, not the server: with two servers, the
// programs on one get the messages of the other.
func alone(tb testing.TB) *net.UnixListener {
	tb.Helper()
	// A name without a file, which goes when its process does.
	name := &net.UnixAddr{Name: fmt.Sprintf("@tapload-rig-%d", os.Getuid()), Net: "unix"}
	for {
		lock, err := net.ListenUnix("unix", name)
		if err == nil {
			return lock
		}
		if !errors.Is(err, syscall.EADDRINUSE) {
			tb.Fatal(err)
		}
		select {
		case <-tb.Context().Done():
			tb.Fatal("sound server rig: the test ended before the rig of another one did")
		case <-time.After(20 * time.Millisecond):
		}
	}
}
