package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

const root = "../.."

// A list of faults rots where the program changes: a text that is gone, or a test
// that has another name, is to be mended here and not to be skipped by make faults.
func TestFaultsApply(t *testing.T) {
	tests := map[string][]string{} // by package
	seen := map[string]bool{}
	for _, f := range faults {
		if seen[f.name] {
			t.Errorf("there are two faults %q", f.name)
		}
		seen[f.name] = true
		text, err := f.planted(root)
		if err != nil {
			t.Errorf("%s: %v", f.name, err)
			continue
		}
		if _, err := parser.ParseFile(token.NewFileSet(), f.file, text, parser.SkipObjectResolution); err != nil {
			t.Errorf("%s: with the fault it is no Go: %v", f.name, err)
		}
		in := f.in
		if in == "" {
			in = f.pkg()
		}
		if tests[in] == nil {
			tests[in] = testsOf(t, in)
		}
		for _, pattern := range []string{f.tests, f.added} {
			if pattern == "" {
				continue
			}
			pattern, _, _ = strings.Cut(pattern, "/")
			if !matches(regexp.MustCompile(pattern), tests[in]) {
				t.Errorf("%s: %s has no test %s", f.name, in, pattern)
			}
		}
	}
}

func matches(pattern *regexp.Regexp, names []string) bool {
	for _, n := range names {
		if pattern.MatchString(n) {
			return true
		}
	}
	return false
}

// testsOf returns the names of the tests of a package.
func testsOf(t *testing.T, pkg string) (names []string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(root, pkg, "*_test.go"))
	if err != nil || files == nil {
		t.Fatalf("%s has no tests, %v", pkg, err)
	}
	for _, name := range files {
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil {
				names = append(names, fn.Name.Name)
			}
		}
	}
	return names
}

func TestFailure(t *testing.T) {
	for out, want := range map[string]string{
		"--- FAIL: TestA (0.01s)\n    --- FAIL: TestA/first (0.00s)\n        a_test.go:3: no\n    --- FAIL: TestA/second (0.00s)\nFAIL\nFAIL\ttapload/fit\t0.1s\nFAIL\n": "fit TestA/first",
		"ok  \ttapload/plot\t1s\n--- FAIL: TestB (0.01s)\n    b_test.go:3: no\nFAIL\nFAIL\ttapload/fit/rating\t0.1s\nFAIL\n":                                             "fit/rating TestB",
		"panic: test timed out after 5m0s\n\trunning tests:\n\t\tTestC (5m0s)\n\ngoroutine 1 [running]:\nFAIL\ttapload/fit\t300s\nFAIL\n":                                "fit TestC, by the time limit",
		"panic: no [recovered]\n\ngoroutine 9 [running]:\nFAIL\ttapload/fit\t0.1s\nFAIL\n":                                                                               "fit (a panic)",
	} {
		if got, err := failure(out); got != want || err != nil {
			t.Errorf("%q was failed by %q, %v; want %q", out, got, err, want)
		}
	}
	if got, err := failure("# tapload/fit\nfit/a.go:3:2: declared and not used: x\nFAIL\ttapload/fit [build failed]\nFAIL\n"); err == nil {
		t.Errorf("what does not build was failed by %q", got)
	}
}
