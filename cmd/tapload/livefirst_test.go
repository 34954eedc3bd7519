package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"tapload/cmd/tapload/internal/browsertest"
)

// Who has never measured sees how, and comes to the first curve by as many clicks as
// README.md says: the only card is chosen, and what comes next is open.
func TestFirstCurve(t *testing.T) {
	if underRace {
		t.Skip("left to the plain tests: a window then takes longer than the sound of it")
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	sound := invented(t, nil)
	t.Chdir(t.TempDir())
	p := browsertest.Start(t).Open(livePageOn(t, sound))
	p.Size(1280, 800)
	look := func(name string) {
		if folder := os.Getenv("TAPLOAD_SHOTS"); folder != "" {
			if err := os.WriteFile(filepath.Join(folder, name+".png"), p.Screenshot(), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	p.Wait("document.querySelectorAll('#first img').length === 2 && document.getElementById('step-bench')?.open")
	look("first-fresh")
	clicks := 0
	click := func(id string) {
		clicks++
		p.Click(id)
	}
	click("do-bench")

	p.Wait("document.activeElement?.id === 'cabinet-label' && document.getElementById('step-cabinet').open && document.getElementById('first').hidden")
	p.Wait("/16 ohm, safe on 16/.test(document.getElementById('verdict').textContent)")
	p.Type("red")
	click("do-cabinet")
	p.Wait("document.getElementById('stop').hidden && /^red: rated 16 ohm/.test(document.getElementById('work').textContent)")
	look("first-curve")

	rows := regexp.MustCompile(`(?m)^\| (Debian|Windows|macOS) \| (\d+) \| (\d+)[^|]*\| (\d+)[^|]*\|$`).FindAllStringSubmatch(string(readme), -1)
	if len(rows) != 3 {
		t.Fatalf("README.md counts the clicks of %d systems, not of 3", len(rows))
	}
	for _, row := range rows {
		var n [3]int
		for i := range n {
			n[i], _ = strconv.Atoi(row[2+i])
		}
		if n[2] != clicks {
			t.Errorf("README.md counts %d clicks on the page on %s; they are %d", n[2], row[1], clicks)
		}
		if n[0] > 3 || n[1]+n[2] > 12 {
			t.Errorf("on %s the first curve takes %d downloads or commands and %d clicks; it is to take 3 and 12 at most", row[1], n[0], n[1]+n[2])
		}
	}
}

// What to measure with is filled in where nothing leaves a doubt.
func TestBenchIsFilledIn(t *testing.T) {
	for _, c := range []struct {
		name, kept string
		none       bool
		flags      []string
		want       [3]string
	}{
		{name: "one card", want: [3]string{standInName, "10", "1%"}},
		{name: "no card", none: true, want: [3]string{"", "10", "1%"}},
		{name: "command line", flags: []string{"--card", standInName, "--sense-ohm", "22", "--sense-tolerance", "0.5%"}, want: [3]string{standInName, "22", "0.5%"}},
		{name: "settings", kept: "card = \"" + standInName + "\"\nsense_ohm = 33\nsense_tolerance_percent = 0.1\n", want: [3]string{standInName, "33", "0.1%"}},
		{name: "another card than the one that is kept", kept: "card = \"Studio Six\"\n", want: [3]string{"", "10", "1%"}},
	} {
		s := sessionOn(plugged{none: c.none}, c.flags...)
		s.settings = t.TempDir()
		if c.kept != "" {
			writeText(t, filepath.Join(s.settings, "setup.toml"), c.kept)
		}
		var got [3]string
		for i, f := range s.benchFields() {
			got[i] = f.Value
		}
		if got != c.want {
			t.Errorf("%s: %q is filled in, want %q", c.name, got, c.want)
		}
	}
}

// What is filled in of a cabinet counts without a job too, and what only a job keeps
// is not asked for without one.
func TestCabinetWithoutAJob(t *testing.T) {
	sound := invented(t, nil)
	t.Chdir(t.TempDir())
	s := sessionOn(sound, onCard...)
	asked := func() string {
		for _, step := range s.stand(t.Context()).Steps {
			if step.Name == "cabinet" {
				var names []string
				for _, f := range step.Fields {
					names = append(names, f.Name)
				}
				return strings.Join(names, " ")
			}
		}
		return "no such step"
	}
	if got := asked(); got != "label marked drivers" {
		t.Errorf("without a job it asks for %s", got)
	}
	a := s.do(t.Context(), "cabinet", map[string]string{"label": "loose", "marked": "8", "drivers": "4"}, nil)
	if !a.OK || !strings.Contains(a.Says, "MOST LIKELY A DEAD DRIVER, four 8 ohm") || len(a.Pages) != 1 {
		t.Errorf("16 ohm measured where 8 ohm and four drivers are marked: %q, on %d pages", a.Says, len(a.Pages))
	}
	if a := s.do(t.Context(), "job", map[string]string{"name": "Pub"}, nil); !a.OK {
		t.Fatal(a.Says)
	}
	if got := asked(); got != "label marked watts drivers" {
		t.Errorf("in a job it asks for %s", got)
	}
}
