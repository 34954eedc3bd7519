package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"tapload/measure/card"
	"tapload/measure/record"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"tapload": keepingToItsColumns, "tapload-on-stand-in": onStandIn})
}

func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error { // as make test sets it
			e.Setenv("GOGC", os.Getenv("GOGC"))
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exit":     cmdExit,
			"json":     cmdJSON,
			"says":     cmdSays("stdout"),
			"warns":    cmdSays("stderr"),
			"divider":  cmdDivider,
			"modulus":  cmdModulus,
			"points":   cmdPoints,
			"measured": cmdMeasured,
		},
	})
}

// foldedLine goes on with the one above it.
var foldedLine = regexp.MustCompile("\n {2,}")

// cmdSays is "says [-count=N] REGEXP" and "warns [-count=N] REGEXP": stdout and
// stderr of testscript, but with folded sentences in one line again.
func cmdSays(stream string) func(*testscript.TestScript, bool, []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		want := -1
		if len(args) == 2 && !neg {
			n, err := strconv.Atoi(strings.TrimPrefix(args[0], "-count="))
			ts.Check(err)
			want, args = n, args[1:]
		}
		if len(args) != 1 {
			ts.Fatalf("usage: says [-count=N] REGEXP, warns [-count=N] REGEXP")
		}
		re, err := regexp.Compile("(?m)" + args[0])
		ts.Check(err)
		text := foldedLine.ReplaceAllString(ts.ReadFile(stream), " ")
		found := len(re.FindAllString(text, -1))
		switch {
		case want >= 0 && found != want:
			ts.Fatalf("%d matches for %#q in %s, want %d:\n%s", found, args[0], stream, want, text)
		case found == 0 && !neg:
			ts.Fatalf("no match for %#q in %s:\n%s", args[0], stream, text)
		case found > 0 && neg:
			ts.Fatalf("unexpected match for %#q in %s:\n%s", args[0], stream, text)
		}
	}
}

// cmdJSON is "json [LINE:]PATH REGEXP": the value at a dotted path of the object
// on stdout, or on that line of it from 1, matches as a whole. "warnings.0.code"
// is that of the first warning, "warnings.*.code" that of any. Strings stand
// without their quotes, objects with their keys in alphabetical order.
// "! json" wants another value, or none.
func cmdJSON(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: json [LINE:]PATH REGEXP")
	}
	re, err := regexp.Compile("^(?:" + args[1] + ")$")
	ts.Check(err)
	text, path := ts.ReadFile("stdout"), args[0]
	if number, rest, ok := strings.Cut(path, ":"); ok {
		n, err := strconv.Atoi(number)
		ts.Check(err)
		lines := strings.Split(text, "\n")
		if n < 1 || n > len(lines) {
			ts.Fatalf("there is no line %d in\n%s", n, text)
		}
		text, path = lines[n-1], rest
	}
	// Numbers keep the digits they were written with.
	decoder := json.NewDecoder(strings.NewReader(text))
	decoder.UseNumber()
	var whole any
	ts.Check(decoder.Decode(&whole))
	if _, err := decoder.Token(); err != io.EOF {
		ts.Fatalf("more than one value of JSON in\n%s", text)
	}
	var values []string
	for _, v := range jsonAt(whole, strings.Split(path, ".")) {
		value, err := jsonText(v)
		ts.Check(err)
		values = append(values, value)
	}
	if slices.ContainsFunc(values, re.MatchString) == neg {
		ts.Fatalf("%s is %q, and the script has %#q, not %v, in\n%s", path, values, args[1], neg, text)
	}
}

// jsonAt is every value at a path: none where a key or an element is missing,
// several where the path has a "*".
func jsonAt(value any, path []string) []any {
	if len(path) == 0 {
		return []any{value}
	}
	switch v := value.(type) {
	case map[string]any:
		if at, found := v[path[0]]; found {
			return jsonAt(at, path[1:])
		}
	case []any:
		if path[0] == "*" {
			var all []any
			for _, element := range v {
				all = append(all, jsonAt(element, path[1:])...)
			}
			return all
		}
		if i, err := strconv.Atoi(path[0]); err == nil && i >= 0 && i < len(v) {
			return jsonAt(v[i], path[1:])
		}
	}
	return nil
}

func jsonText(value any) (string, error) {
	if s, ok := value.(string); ok {
		return s, nil
	}
	var b strings.Builder
	encoder := json.NewEncoder(&b)
	encoder.SetEscapeHTML(false)
	err := encoder.Encode(value)
	return strings.TrimSuffix(b.String(), "\n"), err
}

// cmdExit is "exit CODE PROGRAM ARGS...": the program must end with that code.
func cmdExit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exit CODE PROGRAM ARGS...")
	}
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit code %d, want %s", got, args[0])
	}
}

// cmdDivider is "divider IN.wav OUT.wav GAIN": OUT is the recording of IN
// behind two resistors with that ratio, with silence before and after.
func cmdDivider(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: divider IN.wav OUT.wav GAIN")
	}
	gain, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	in, err := os.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	defer in.Close()
	stim, err := card.ReadWAV(in)
	ts.Check(err)
	before, after := stim.RateHz/3, stim.RateHz/5
	v1 := make([]float64, before+stim.Frames()+after)
	copy(v1[before:], stim.Samples[0])
	v2 := make([]float64, len(v1))
	for i, x := range v1 {
		v2[i] = gain * x
	}
	rec := card.Recording{RateHz: stim.RateHz, V1: v1, V2: v2}
	ts.Check((env{}).save(file{Path: ts.MkAbs(args[1]), Write: func(w io.Writer) error { return card.WriteRecording(w, rec) }}))
}

// cmdModulus is "modulus RECORD LOW HIGH": every |Z| lies between, in ohm.
func cmdModulus(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: modulus RECORD LOW HIGH")
	}
	low, err := strconv.ParseFloat(args[1], 64)
	ts.Check(err)
	high, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	for _, p := range scriptRecord(ts, args[0]).Curve.Points {
		if m := cmplx.Abs(p.Z); m < low || m > high {
			ts.Fatalf("at %g Hz |Z| is %g ohm, not within %g to %g", p.Hz, m, low, high)
		}
	}
}

// cmdPoints is "points RECORD LOW HIGH": the curve spans that band, in hertz,
// to within 5 %.
func cmdPoints(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: points RECORD LOW HIGH")
	}
	p := scriptRecord(ts, args[0]).Curve.Points
	for i, got := range []float64{p[0].Hz, p[len(p)-1].Hz} {
		want, err := strconv.ParseFloat(args[1+i], 64)
		ts.Check(err)
		if got < 0.95*want || got > 1.05*want {
			ts.Fatalf("the curve runs from %g to %g Hz", p[0].Hz, p[len(p)-1].Hz)
		}
	}
}

func scriptRecord(ts *testscript.TestScript, path string) record.Record {
	rec, err := readRecord(ts.MkAbs(path))
	ts.Check(err)
	return rec
}

// keptSweeps are the records that scripts have measured, each as the sync.OnceValues
// that measures it, by the bench and the flags.
var keptSweeps sync.Map

// cmdMeasured is "measured BENCH.toml OUT.sweep.json [--label LABEL] FLAGS...": what
// "tapload sweep --bench BENCH.toml -o OUT.sweep.json" writes with these flags, for
// scripts about what comes after. All of them share the records of one bench.
func cmdMeasured(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: measured BENCH.toml OUT.sweep.json [--label LABEL] FLAGS...")
	}
	label, flags := strings.TrimSuffix(args[1], recordSuffix), slices.Clone(args[2:])
	if i := slices.Index(flags, "--label"); i >= 0 {
		label = flags[i+1]
		flags = slices.Delete(flags, i, i+2)
	}
	bench := ts.ReadFile(args[0])
	once, _ := keptSweeps.LoadOrStore(fmt.Sprintf("%s%q", bench, flags), sync.OnceValues(func() (record.Record, error) {
		dir, err := os.MkdirTemp("", "tapload-measured-")
		if err != nil {
			return record.Record{}, err
		}
		defer os.RemoveAll(dir)
		from, to := filepath.Join(dir, "bench.toml"), filepath.Join(dir, "kept"+recordSuffix)
		if err := os.WriteFile(from, []byte(bench), 0o666); err != nil {
			return record.Record{}, err
		}
		e, _, said := testEnv()
		e.now = time.Now
		if code := run(context.Background(), slices.Concat([]string{"sweep", "--bench", from, "-o", to}, flags), e); code != exitDone {
			return record.Record{}, fmt.Errorf("exit code %d: %s", code, said)
		}
		return readRecord(to)
	}))
	rec, err := once.(func() (record.Record, error))()
	ts.Check(err)
	rec.Label = label
	ts.Check((env{}).save(file{Path: ts.MkAbs(args[1]), Write: rec.Write}))
}
