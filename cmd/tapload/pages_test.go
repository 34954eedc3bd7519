package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// What a command prints unasked is one screen of 24 lines of 80 columns, whose
// first three hold the answer, with calibrated and uncalibrated records and with
// names of 1 and of 60 characters.
func TestDefaultPagesAreOneScreen(t *testing.T) {
	shown := demonstration(t)
	t.Chdir(t.TempDir())
	if err := os.CopyFS(".", shown.folder); err != nil {
		t.Fatal(err)
	}
	said := map[string]string{} // by command line: several are the same whatever the records
	tapload := func(args ...string) string {
		t.Helper()
		line := strings.Join(args, " ")
		if text, ran := said[line]; ran {
			return text
		}
		var out, log strings.Builder
		code := run(context.Background(), args, env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now})
		if code == exitError || code == exitUsage {
			t.Fatalf("%v exited with %d: %s", args, code, log.String())
		}
		if line := tooWideIn(log.String()); line != "" {
			t.Errorf("%v: %d columns on stderr: %s", args, len([]rune(line)), line)
		}
		said[line] = out.String()
		return out.String()
	}
	long := func(name string) string { return name + strings.Repeat("x", 60-len(name)) }
	short := func(name string) string { return name[:1] }
	for _, name := range []string{"dance", "stage", "balcony"} {
		tapload("sweep", "--jig", "", "--bench", filepath.Join("bench", name+".toml"), "-o", name+"-plain"+recordSuffix, "--label", long(name), "--low", "20", "--period", "1")
	}
	for _, c := range []struct {
		kind string
		name func(string) string
		of   func(string) string
	}{
		{"calibrated, short names", short, func(n string) string { return n + recordSuffix }},
		{"calibrated, long names", long, func(n string) string { return n + recordSuffix }},
		{"uncalibrated, short names", short, func(n string) string { return n + "-plain" + recordSuffix }},
		{"uncalibrated, long names", long, func(n string) string { return n + "-plain" + recordSuffix }},
	} {
		a, b, d := c.name("dance"), c.name("stage"), c.name("balcony")
		loads := []string{a + "=" + c.of("dance"), b + "=" + c.of("stage"), d + "=" + c.of("balcony")}
		amplifier := []string{"--tap", "4,8,16", "--watts", "50", "--load-watts", a + "=60," + b + "=50"}
		formula := "(" + a + " + " + b + ") || " + d
		for _, page := range []struct {
			args   []string
			answer string
		}{
			{[]string{"fit", c.of("dance")}, "rated 8 ohm"},
			{append(append([]string{"hookup", formula}, loads...), amplifier...), "8 ohm tap: matched"},
			{append(append([]string{"plan"}, loads...), amplifier...), "8 hookups of 3 loads"},
			{[]string{"box", "verify", "--hookup", a + " + " + b, "--cab", a + "=dance" + recordSuffix, "--cab", b + "=stage" + recordSuffix, "--seen", "box-right" + recordSuffix}, "Right: "},
			{[]string{"box", "verify", "--hookup", a + " + " + b, "--cab", a + "=dance" + recordSuffix, "--cab", b + "=stage" + recordSuffix, "--seen", "box-wrong" + recordSuffix}, "Wrong: "},
			{[]string{"compare", "driver-before" + recordSuffix, "driver-heavy" + recordSuffix}, "Fail: "},
			{[]string{"compare", c.of("dance"), c.of("stage")}, ""},
			{[]string{"jig", "show", "jig.json"}, "is calibrated"},
			{[]string{"check", "--bench", filepath.Join("bench", "dance.toml")}, "Pass: "},
			{[]string{"job", "status"}, "nothing is missing"},
		} {
			text := tapload(page.args...)
			lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
			if len(lines) > 24 && (c.name("n") == "n" || page.args[0] != "hookup" && page.args[0] != "plan" && page.args[1] != "verify") {
				t.Errorf("%s: %v has %d lines:\n%s", c.kind, page.args, len(lines), text)
			}
			if line := tooWideIn(text); line != "" {
				t.Errorf("%s: %v: %d columns: %s", c.kind, page.args, len([]rune(line)), line)
			}
			top := strings.Join(strings.Fields(strings.Join(lines[:min(3, len(lines))], " ")), " ")
			if c.name("n") == "n" && !strings.Contains(top, page.answer) {
				t.Errorf("%s: the first lines of %v do not say %q:\n%s", c.kind, page.args, page.answer, text)
			}
		}
	}
}
