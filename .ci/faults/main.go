// Command faults plants the faults of its list in the program, one at a time, and
// runs the tests that should find them: go run ./.ci/faults [-only pattern] [-at-once 2]
//
// A fault that no test finds is a hole in the tests. What found each is printed as
// a table, and an error where one was found by none. Nothing in the tree changes:
// the go command reads a spoilt copy in place of the one file (-overlay).
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"text/tabwriter"
	"time"
)

// fault is one thing that a programmer may get wrong.
type fault struct {
	name string // what is wrong
	file string // from the root of the module
	old  string // text that the file has once
	new  string // what stands in its place

	tests string // pattern of the tests that are tried first; "" for all of the package
	in    string // the package that has them; "" for that of file

	added string // the test that was written because none of those that should have found it
}

func (f fault) pkg() string { return path.Dir(f.file) }

// planted returns the text of the file with the fault.
func (f fault) planted(root string) ([]byte, error) {
	text, err := os.ReadFile(filepath.Join(root, f.file))
	if err != nil {
		return nil, err
	}
	if n := strings.Count(string(text), f.old); n != 1 {
		return nil, fmt.Errorf("%s has %q %d times; it must be there once", f.file, f.old, n)
	}
	return []byte(strings.Replace(string(text), f.old, f.new, 1)), nil
}

func main() {
	log.SetFlags(0)
	log.SetPrefix("faults: ")
	only := flag.String("only", "", "`pattern` of the names, or files, of the faults to plant")
	atOnce := flag.Int("at-once", runtime.GOMAXPROCS(0), "`number` of faults that are tried at a time")
	flag.Parse()
	if err := run(os.Stdout, *only, *atOnce); err != nil {
		log.Fatal(err)
	}
}

// run plants the faults that only matches and writes what found them to w.
func run(w io.Writer, only string, atOnce int) error {
	pattern, err := regexp.Compile(only)
	if err != nil {
		return err
	}
	chosen := slices.DeleteFunc(slices.Clone(faults), func(f fault) bool {
		return !pattern.MatchString(f.name) && !pattern.MatchString(f.file)
	})
	if len(chosen) == 0 {
		return fmt.Errorf("no fault has %q in its name or file", only)
	}
	t, err := newTester()
	if err != nil {
		return err
	}
	defer os.RemoveAll(t.temp)
	begun := time.Now()
	found := make([]finding, len(chosen))
	next := make(chan int)
	var wait sync.WaitGroup
	for range max(1, atOnce) {
		wait.Go(func() {
			for i := range next {
				found[i] = t.try(chosen[i])
				log.Printf("%s: %s", chosen[i].name, found[i])
			}
		})
	}
	for i := range chosen {
		next <- i
	}
	close(next)
	wait.Wait()
	return errors.Join(table(w, chosen, found, begun), unfound(chosen, found))
}

// finding is what became of a fault.
type finding struct {
	by      string        // package and test that failed; "" where none did
	seconds time.Duration // of a processor, for building and testing
	err     error         // why it could not be tried
}

func (f finding) String() string {
	switch {
	case f.err != nil:
		return f.err.Error()
	case f.by == "":
		return "NOT FOUND"
	}
	return f.by
}

// tester runs tests on spoilt copies.
type tester struct {
	root string // of the module
	temp string // folder
}

func newTester() (tester, error) {
	root, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}").Output()
	if err != nil {
		return tester{}, err
	}
	temp, err := os.MkdirTemp("", "faults")
	return tester{strings.TrimSpace(string(root)), temp}, err
}

// try plants a fault and looks for a test that finds it: among those that are said
// to, as make test runs them and as make check does, and in the package of the file.
func (t tester) try(f fault) (found finding) {
	overlay, err := t.overlay(f)
	if err != nil {
		return finding{err: err}
	}
	where := f.in
	if where == "" {
		where = f.pkg()
	}
	steps := []step{{where, f.tests, true}}
	if f.tests != "" {
		steps = append(steps, step{where, f.tests, false}, step{f.pkg(), "", true})
	}
	for _, s := range steps {
		one := t.test(overlay, s)
		one.seconds += found.seconds
		if found = one; found.by != "" || found.err != nil {
			break
		}
	}
	return found
}

// step is tests to run.
type step struct {
	pkg   string
	tests string // pattern; "" for all
	short bool
}

// overlay writes the spoilt file and what tells the go command to read it.
func (t tester) overlay(f fault) (file string, err error) {
	text, err := f.planted(t.root)
	if err != nil {
		return "", err
	}
	folder, err := os.MkdirTemp(t.temp, "")
	if err != nil {
		return "", err
	}
	spoilt := filepath.Join(folder, path.Base(f.file))
	replace := map[string]map[string]string{"Replace": {filepath.Join(t.root, f.file): spoilt}}
	list, err := json.Marshal(replace)
	if err != nil {
		return "", err
	}
	file = filepath.Join(folder, "overlay.json")
	return file, errors.Join(os.WriteFile(spoilt, text, 0o666), os.WriteFile(file, list, 0o666))
}

// limit is for the tests of a package. What never ends is found by it.
const limit = 5 * time.Minute

// test runs tests until the first fails, and then the same without the fault.
func (t tester) test(overlay string, s step) (found finding) {
	args := []string{"test", "-failfast", "-vet=off", "-timeout", limit.String(), "-run", s.tests, "-short=" + strconv.FormatBool(s.short), "./" + s.pkg}
	run := func(more ...string) (out string, err error) {
		c := exec.Command("go", slices.Insert(slices.Clone(args), 1, more...)...)
		c.Dir = t.root
		c.Env = append(os.Environ(), "RAPID_NOFAILFILE=true") // which a test would leave in the tree
		text, err := c.CombinedOutput()
		found.seconds += c.ProcessState.UserTime() + c.ProcessState.SystemTime()
		return string(text), err
	}
	out, err := run("-overlay", overlay)
	if err == nil {
		return found
	}
	if found.by, found.err = failure(out); found.err != nil {
		return found
	}
	if out, err := run(); err != nil {
		return finding{seconds: found.seconds, err: fmt.Errorf("the tests of %s fail without it too: %s", s.pkg, out)}
	}
	if !s.short {
		found.by += " without -short"
	}
	return found
}

var (
	failLine  = regexp.MustCompile(`(?m)^ *--- FAIL: (\S+) `)
	limitLine = regexp.MustCompile(`panic: test timed out after .*\n\s*running tests:\n\s*(\S+) `)
	endLine   = regexp.MustCompile(`(?m)^FAIL\t(\S+)`)
)

// failure reads the package and the first test that failed off the output of go test.
func failure(out string) (string, error) {
	end := endLine.FindStringSubmatch(out)
	if end == nil || strings.Contains(out, "[build failed]") || strings.Contains(out, "[setup failed]") {
		return "", fmt.Errorf("the tests do not build: %s", strings.TrimSpace(out))
	}
	_, at, _ := strings.Cut(end[1], "/")
	if running := limitLine.FindStringSubmatch(out); running != nil {
		return at + " " + running[1] + ", by the time limit", nil
	}
	test := ""
	for _, m := range failLine.FindAllStringSubmatch(out, -1) {
		if test == "" || strings.HasPrefix(m[1], test+"/") { // a part of it
			test = m[1]
		}
	}
	if test == "" {
		test = "(a panic)"
	}
	return at + " " + test, nil
}

// unfound returns an error that names the faults that no test found, or that could
// not be tried.
func unfound(chosen []fault, found []finding) error {
	var all []error
	for i, f := range found {
		if f.by == "" {
			all = append(all, fmt.Errorf("%s (%s): %s", chosen[i].name, chosen[i].file, f))
		}
	}
	return errors.Join(all...)
}

// table writes what found each fault.
func table(w io.Writer, chosen []fault, found []finding, begun time.Time) error {
	caught, holes := 0, 0
	var took time.Duration
	for i, f := range found {
		took += f.seconds
		if f.by != "" {
			caught++
		}
		if chosen[i].added != "" {
			holes++
		}
	}
	fmt.Fprintf(w, `Faults planted in the program one at a time, and the test that found each.

date     %s
go       %s %s/%s
command  make faults
what     a sign, a factor, an index, a unit, a limit: .ci/faults/list.go has the text of each and what stands in its place
tests    those named there, with -short, as make test has them, and else without, as make check has; then all of the package with -short
took     %.0f s of a processor in all; s is that of one fault, for building and testing

%d faults, of which tests found %d. For %d of them, marked +, a test was written, since none of those that should have found it did.

`, begun.Format(time.DateOnly), runtime.Version(), runtime.GOOS, runtime.GOARCH, took.Seconds(), len(found), caught, holes)
	tab := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for i, f := range found {
		mark := " "
		if chosen[i].added != "" {
			mark = "+"
		}
		fmt.Fprintf(tab, "%s %s\t%s\t%.0f\t%s\n", mark, chosen[i].name, chosen[i].file, f.seconds.Seconds(), f)
	}
	return tab.Flush()
}
