package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/cmd/tapload/internal/manual"
)

// Every command that is listed has a page, which the formatter takes without a
// warning, fits a terminal, names every flag, and shows the examples so that
// they can be copied.
func TestManual(t *testing.T) {
	folder := t.TempDir()
	var said strings.Builder
	e := env{stdout: &said, stderr: &said, now: time.Now, getenv: func(name string) string {
		return map[string]string{"SOURCE_DATE_EPOCH": "951782400"}[name]
	}}
	if code := run(t.Context(), []string{"manual", "-o", folder}, e); code != exitDone || said.String() != "" {
		t.Fatalf("exited with %d: %s", code, said.String())
	}
	groff, err := exec.LookPath("groff")
	if err != nil && os.Getenv("TAPLOAD_REQUIRE_RIG") != "" {
		t.Fatal("there is no groff: install what .ci/deps names")
	}
	pages := 0
	eachCommand(newRoot(e), func(c *cobra.Command) {
		if !c.IsAvailableCommand() {
			return
		}
		pages++
		path := filepath.Join(folder, strings.ReplaceAll(c.CommandPath(), " ", "-")+".1")
		source, err := os.ReadFile(path)
		if err != nil {
			t.Error(err)
			return
		}
		if !strings.Contains(string(source), `"2000-02-29"`) { // 951782400 s, by the calendar
			t.Errorf("%s does not carry the date", path)
		}
		if groff == "" {
			return
		}
		var page, warnings strings.Builder
		cmd := exec.Command(groff, "-man", "-ww", "-Tutf8", "-P-cbou", path)
		cmd.Stdout, cmd.Stderr = &page, &warnings
		if err := cmd.Run(); err != nil || warnings.Len() > 0 {
			t.Errorf("%s: %v %s", path, err, warnings.String())
		}
		for line := range strings.Lines(page.String()) {
			if n := len([]rune(strings.TrimRight(line, "\n"))); n > 80 {
				t.Errorf("%s: %d columns wide: %s", path, n, line)
			}
		}
		for line := range strings.Lines(c.Example) {
			if !strings.Contains(page.String(), "\n"+strings.TrimRight(line, "\n")+"\n") {
				t.Errorf("%s does not show the example as it is: %s", path, line)
			}
		}
		c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) {
			if !f.Hidden && !regexp.MustCompile(`(?m)^ +(-\w, )?--`+regexp.QuoteMeta(f.Name)+`( |$)`).MatchString(page.String()) {
				t.Errorf("%s does not list --%s", path, f.Name)
			}
		})
	})
	if found, err := filepath.Glob(filepath.Join(folder, "*")); err != nil || len(found) != pages+2+3+len(manual.Topics()) { // and of cobra's completion, its four shells
		t.Errorf("%d pages for %d commands, %v", len(found), pages, err)
	}
	first, err := os.ReadFile(filepath.Join(folder, "tapload.1"))
	if err != nil {
		t.Fatal(err)
	}
	for _, section := range []string{"EXIT STATUS", "FILES", "CAUTION", "SEE ALSO"} {
		if !strings.Contains(string(first), "\n.SH "+section+"\n") {
			t.Errorf("tapload.1 has no section %s", section)
		}
	}
}

// TestInstall: everything comes under PREFIX below DESTDIR, and goes again.
func TestInstall(t *testing.T) {
	program, err := exec.LookPath("tapload")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := exec.LookPath("make"); err != nil {
		t.Skip("there is no make")
	}
	stage := t.TempDir()
	makes := func(goal string) {
		t.Helper()
		// -o: what is installed is the program of this test, not one built anew.
		cmd := exec.Command("make", "-C", "../..", "-o", "build", goal, "PROGRAM="+program, "DESTDIR="+stage, "PREFIX=/usr")
		cmd.Env = append(os.Environ(), "SOURCE_DATE_EPOCH=951782400", "MAKEFLAGS=")
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("make %s: %v\n%s", goal, err, out)
		}
	}
	files := func() (all []string) {
		filepath.WalkDir(stage, func(path string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				all = append(all, strings.TrimPrefix(path, stage))
			}
			return err
		})
		return all
	}
	makes("install")
	installed := strings.Join(files(), "\n") + "\n"
	for path, says := range map[string]string{
		"/usr/bin/tapload": "",
		"/usr/share/bash-completion/completions/tapload":    "__start_tapload",
		"/usr/share/zsh/site-functions/_tapload":            "#compdef tapload",
		"/usr/share/fish/vendor_completions.d/tapload.fish": "complete -c tapload",
		"/usr/share/man/man1/tapload.1":                     ".TH TAPLOAD 1",
		"/usr/share/man/man1/tapload-sweep.1":               ".TH TAPLOAD\\-SWEEP 1",
		"/usr/share/man/man1/tapload-topic-jig.1":           ".TH TAPLOAD\\-TOPIC\\-JIG 1",
	} {
		if !strings.Contains(installed, path+"\n") {
			t.Errorf("%s is not installed; there is\n%s", path, installed)
			continue
		}
		if text, err := os.ReadFile(filepath.Join(stage, path)); err != nil || !strings.Contains(string(text), says) {
			t.Errorf("%s does not say %q, %v", path, says, err)
		}
	}
	makes("uninstall")
	if left := files(); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
}
