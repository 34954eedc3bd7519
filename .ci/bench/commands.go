//go:build linux

package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"

	"tapload/measure/record"
)

// command is a row of the table: a command line as somebody would type it.
type command struct {
	about string
	line  string // without the program; blanks part its words
	exit  int    // code that it must exit with
}

// commands measures whole commands, start included.
func commands(w io.Writer, program string, runs int) error {
	folder, err := os.MkdirTemp("", "tapload-bench-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	// The user's own setup has no part in it.
	environment := append(os.Environ(), "HOME="+folder, "XDG_CONFIG_HOME="+folder)
	do := func(c command) (seconds, peakMB float64, err error) {
		child := exec.Command(program, strings.Fields(c.line)...)
		child.Dir, child.Env = folder, environment
		var said bytes.Buffer
		child.Stderr = &said
		err = child.Run()
		if exit, is := errors.AsType[*exec.ExitError](err); is && exit.ExitCode() == c.exit {
			err = nil
		}
		if err != nil {
			return 0, 0, fmt.Errorf("tapload %s: %w: %s", c.line, err, said.Bytes())
		}
		state := child.ProcessState
		used := state.SysUsage().(*syscall.Rusage)
		return (state.UserTime() + state.SystemTime()).Seconds(), float64(used.Maxrss) / 1024, nil
	}
	if err := writeRecords(folder); err != nil {
		return err
	}
	bench, err := filepath.Abs(filepath.Join("testdata", "bench", "unmarked-cabinet.toml"))
	if err != nil {
		return err
	}
	for _, signal := range []string{"chirp", "multitone", "tones"} {
		if _, _, err := do(command{line: fmt.Sprintf("sweep --bench %s --signal %s --keep %s.wav -o %s.sweep.json", bench, signal, signal, signal)}); err != nil {
			return err
		}
	}

	fmt.Fprintf(w, "\n%-58s %9s %9s %9s\n", "", "least, s", "median, s", "peak, MiB")
	for _, c := range rows(bench) {
		var peak float64
		least, median, err := repeated(runs, func() (float64, error) {
			seconds, mb, err := do(c)
			peak = max(peak, mb)
			return seconds, err
		})
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "%-58s %9.3f %9.3f %9.0f\n", c.about, least, median, peak)
	}
	return nil
}

// rows are the commands, each after those whose files it needs.
func rows(bench string) []command {
	const four = "(cab1+cab2)||(cab3+cab4)"
	all := []command{
		{about: "start-up (version)", line: "version"},
		{about: "sweep on the virtual bench", line: "sweep --bench " + bench + " -o x.sweep.json --force"},
		{about: "recording of 12 s: chirp", line: "sweep --replay chirp.wav -o x.sweep.json --force"},
		{about: "  with --distortion", line: "sweep --replay chirp.wav --distortion -o x.sweep.json --force"},
		{about: "  multitone, and the search for its phases", line: "sweep --replay multitone.wav --signal multitone -o x.sweep.json --force"},
		{about: "recording of 90 s: tones", line: "sweep --replay tones.wav --signal tones -o x.sweep.json --force"},
		{about: "fit of one record", line: "fit cab1.sweep.json"},
		{about: fmt.Sprintf("fit of %d records", len(cabinets())), line: "fit " + strings.Join(recordNames(), " ")},
		{about: "compare two", line: "compare cab1.sweep.json cab2.sweep.json", exit: failed},
		{about: "compare, one with a group of 12", line: "compare --group cab*.sweep.json cab1.sweep.json", exit: failed},
		{about: "compare, 12 matched in pairs", line: "compare --match cab*.sweep.json", exit: failed},
		{about: "plot, PNG", line: "plot cab1.sweep.json cab2.sweep.json -o x.png"},
		{about: "plot, SVG", line: "plot cab1.sweep.json cab2.sweep.json -o x.svg"},
		{about: "plot, PDF", line: "plot cab1.sweep.json cab2.sweep.json -o x.pdf"},
		{about: "hookup of 4 with picture", line: "hookup " + four + " " + loads(4) + " --tap 4,8,16 -o x.png"},
		{about: "box sheet of 4, PDF", line: "box sheet " + four + " " + loads(4) + " -o x.pdf"},
	}
	for n := 4; n <= 8; n++ {
		all = append(all, command{about: fmt.Sprintf("plan of %d", n), line: "plan " + loads(n) + " --tap 4,8,16"})
	}
	proof := "box verify --hookup " + four
	for _, name := range recordNames()[:4] {
		proof += " --cab " + name
	}
	return append(all,
		command{about: "box verify, right box of 4", line: proof + " --seen " + rightBox + record.Suffix},
		command{about: "box verify, wrong box of 4", line: proof + " --seen " + wrongBox + record.Suffix, exit: failed},
		command{about: "demo: a whole job of three cabinets", line: "demo -o demo"},
		command{about: "report of it, HTML", line: "report --job demo -o x.html"},
		command{about: "report of it, PDF", line: "report --job demo -o x.pdf"},
		command{about: "report of it, both", line: "report --job demo"},
		command{about: "job status of it", line: "job status --job demo"},
	)
}

// failed is the exit code of a test that failed.
const failed = 3

// loads are the first n cabinets as arguments.
func loads(n int) string {
	var all []string
	for _, name := range recordNames()[:n] {
		all = append(all, strings.TrimSuffix(name, record.Suffix)+"="+name)
	}
	return strings.Join(all, " ")
}

func recordNames() []string {
	var all []string
	for i := range cabinets() {
		all = append(all, cabinetName(i)+record.Suffix)
	}
	return all
}

// writeRecords writes those of the cabinets and of two boxes.
func writeRecords(folder string) error {
	write := func(name string, rec record.Record) error {
		f, err := os.Create(filepath.Join(folder, name+record.Suffix))
		if err != nil {
			return err
		}
		return cmp.Or(rec.Write(f), f.Close())
	}
	all := cabinets()
	for i, c := range all {
		if err := write(cabinetName(i), recorded(cabinetName(i), uint64(i), c.Impedance)); err != nil {
			return err
		}
	}
	z := func(i int, hz float64) complex128 { return all[i].Impedance(hz) + joints }
	right := func(hz float64) complex128 {
		return joints + 1/(1/(z(0, hz)+z(1, hz))+1/(z(2, hz)+z(3, hz)))
	}
	// The second cabinet is not plugged in, and its jack shorts.
	wrong := func(hz float64) complex128 { return joints + 1/(1/z(0, hz)+1/(z(2, hz)+z(3, hz))) }
	return cmp.Or(write(rightBox, recorded(rightBox, 100, right)), write(wrongBox, recorded(wrongBox, 101, wrong)))
}
