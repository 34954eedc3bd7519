package main

import (
	"context"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
)

// quantityText is a number with its unit, and its uncertainty where it has one.
var quantityText = regexp.MustCompile(`-?\d+(\.\d+)? ?(ohm|Hz|kHz|mH|W|V|%)?( ± \d+(\.\d+)?)?`)

// cautionText is a whole one of a page, with its folded lines.
var cautionText = regexp.MustCompile(`(?m)^CAUTION: .*(\n  .*)*`)

// Every number that a command shows of the demonstration's job stands in that
// part of the report which is about it, digit for digit.
func TestReportHasTheNumbersOfTheCommands(t *testing.T) {
	shown := demonstration(t)
	t.Chdir(t.TempDir())
	if err := os.CopyFS(".", shown.folder); err != nil {
		t.Fatal(err)
	}
	tapload := func(code int, args ...string) string {
		t.Helper()
		var out, log strings.Builder
		if got := run(context.Background(), args, env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}); got != code {
			t.Fatalf("%v exited with %d: %s", args, got, log.String())
		}
		return out.String()
	}
	tapload(exitDone, "report", "-o", "r.txt", "-o", "a4.pdf")
	tapload(exitDone, "report", "-o", "letter.pdf", "--paper", "letter")
	for _, name := range []string{"a4.pdf", "letter.pdf"} {
		pdf, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(regexp.MustCompile(`/Type /Page\b`).FindAll(pdf, -1)); n > 8 {
			t.Errorf("%s has %d pages, and a workshop prints 8", name, n)
		}
		if day := "/CreationDate (D:" + time.Now().Format("2006"); !strings.Contains(string(pdf), day) {
			t.Errorf("%s was not made this year", name)
		}
	}
	text, err := os.ReadFile("r.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		from, to string // headings of the report; the last part has none behind it
		page     string
	}{
		{"Cabinet dance", "Cabinet stage", tapload(exitDone, "fit", "dance"+recordSuffix)},
		{"Cabinet stage", "Cabinet balcony", tapload(exitDone, "fit", "stage"+recordSuffix, "--marked-ohm", "16", "--drivers", "1")},
		{"Cabinet balcony", "The hookup on the amplifier", tapload(exitDone, "fit", "balcony"+recordSuffix, "--marked-ohm", "16")},
		{"The hookup on the amplifier", "Build sheet", tapload(exitDone, "hookup", "(dance + stage) || balcony", "--details")},
		{"The hookup on the amplifier", "Build sheet", tapload(exitDone, "plan", "--top", "4", "--details")},
		{"Build sheet", "Proof: series box, first try", tapload(exitDone, "box", "sheet", "(dance + stage) || balcony")},
		{"Build sheet", "Driver stage", tapload(exitFail, "box", "verify", "--seen", "series box, first try", "--details")},
		{"Build sheet", "Driver stage", tapload(exitDone, "box", "verify", "--seen", "series box, second try", "--details")},
		{"Driver stage", "", tapload(exitDone, "compare", "stage", "--details")},
	} {
		_, part, found := strings.Cut(string(text), "\n"+c.from)
		if !found {
			t.Errorf("the report has no heading %q", c.from)
			continue
		}
		if c.to != "" {
			if part, _, found = strings.Cut(part, "\n"+c.to); !found {
				t.Errorf("the report has no heading %q behind %q", c.to, c.from)
			}
		}
		has := map[string]bool{}
		for _, q := range quantityText.FindAllString(flat(part), -1) {
			has[q] = true
		}
		// Cautions stand once in a report, in its own words.
		numbers := quantityText.FindAllString(flat(cautionText.ReplaceAllString(c.page, "")), -1)
		if len(numbers) < 5 {
			t.Errorf("%s: the command's page has %d numbers", c.from, len(numbers))
		}
		for _, q := range numbers {
			if !has[q] {
				t.Errorf("%q of the command is not in the report's part %q", q, c.from)
			}
		}
	}
}

// flat is text without its line breaks.
func flat(s string) string { return strings.Join(strings.Fields(s), " ") }
