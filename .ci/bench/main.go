//go:build linux

// Command bench measures what users wait for, in processor time and memory, beside
// numpy and scipy where Debian's python has them: go run ./.ci/bench [-runs 5]
// [-program build/tapload] [-o testdata/figures/bench.txt]
//
// It prints tables and adds them to the end of the file. Times are of processor, user
// and system together, which other work on the machine changes less than those on the
// wall.
package main

import (
	"bytes"
	"cmp"
	"flag"
	"fmt"
	"io"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
)

func main() {
	log.SetFlags(0)
	log.SetPrefix("bench: ")
	out := flag.String("o", filepath.Join("testdata", "figures", "bench.txt"), "`file` to add the table to")
	program := flag.String("program", filepath.Join("build", "tapload"), "the `program` to measure")
	runs := flag.Int("runs", 5, "how many times each row is measured")
	flag.Parse()
	if err := run(os.Stdout, *out, *program, *runs); err != nil {
		log.Fatal(err)
	}
}

func run(w io.Writer, out, program string, runs int) error {
	program, err := filepath.Abs(program)
	if err != nil {
		return err
	}
	if runs < 1 {
		return fmt.Errorf("-runs %d: each row is measured once at least", runs)
	}
	var table bytes.Buffer
	w = io.MultiWriter(w, &table)
	if err := heading(w, program, runs); err != nil {
		return err
	}
	if err := commands(w, program, runs); err != nil {
		return err
	}
	if err := beside(w, runs); err != nil {
		return err
	}
	f, err := os.OpenFile(out, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	_, err = table.WriteTo(f)
	return cmp.Or(err, f.Close())
}

// heading says when, where and of what the figures are.
func heading(w io.Writer, program string, runs int) error {
	if err := exec.Command(program, "version").Run(); err != nil {
		return fmt.Errorf("%s version: %w; \"make build\" makes it", program, err)
	}
	commit, err := exec.Command("git", "describe", "--always", "--dirty").Output()
	if err != nil {
		return fmt.Errorf("git describe: %w", err)
	}
	load := "unknown"
	if text, err := os.ReadFile("/proc/loadavg"); err == nil {
		load, _, _ = strings.Cut(string(text), " ")
	}
	_, err = fmt.Fprintf(w, "\ndate     %s\nmachine  %s, %d cores, load average %s at the start\ngo       %s\ncommit   %s\nruns     %d of each row\n",
		time.Now().UTC().Format(time.DateOnly), model(), runtime.NumCPU(), load, strings.TrimPrefix(runtime.Version(), "go"), bytes.TrimSpace(commit), runs)
	return err
}

// model is the name of the machine's processor.
func model() string {
	text, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return runtime.GOARCH
	}
	for line := range strings.Lines(string(text)) {
		if key, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(key) == "model name" {
			return strings.TrimSpace(value)
		}
	}
	return runtime.GOARCH
}

// repeated returns the least and the median of what so many runs of f return.
func repeated(runs int, f func() (float64, error)) (least, median float64, err error) {
	var all []float64
	for range runs {
		v, err := f()
		if err != nil {
			return 0, 0, err
		}
		all = append(all, v)
	}
	slices.Sort(all)
	return all[0], all[len(all)/2], nil
}
