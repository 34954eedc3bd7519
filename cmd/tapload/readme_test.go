package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The pages in README.md are what the program prints. Numbers move with the
// last digit of the estimators and are compared to 2 % of themselves,
// uncertainties not at all. A page that ends in ... is compared so far.
func TestReadmePages(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	cab := func(name string) string { return filepath.Join(folder, name+recordSuffix) }
	ends := func(t *testing.T, want int, args ...string) string {
		var out, log strings.Builder
		e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
		if code := run(context.Background(), args, e); code != want {
			t.Fatalf("%v ended with %d, want %d: %s", args, code, want, log.String())
		}
		return out.String()
	}
	tapload := func(t *testing.T, args ...string) string { return ends(t, exitDone, args...) }
	tapload(t, "sweep", "--bench", "../../testdata/bench/unmarked-cabinet.toml", "-o", cab("cab"), "--label", "unmarked cabinet")
	tapload(t, "sweep", "--bench", "../../testdata/bench/sixteen-ohm-cabinet.toml", "-o", cab("small"))
	tapload(t, "sweep", "--bench", "../../testdata/bench/second-sixteen-cabinet.toml", "-o", cab("second"))
	tapload(t, "sweep", "--bench", "../../testdata/bench/box-common-sleeves.toml", "-o", cab("box"))
	tapload(t, "sweep", "--bench", "../../testdata/bench/driver-before-recone.toml", "-o", cab("before"))
	tapload(t, "sweep", "--bench", "../../testdata/bench/driver-after-recone.toml", "-o", cab("after"))
	for _, page := range []struct {
		begins string
		args   []string
		code   int
	}{
		{"unmarked cabinet: ", []string{"fit", cab("cab")}, exitDone},
		{"cab || small on ", []string{"hookup", "cab || small", "cab=" + cab("cab"), "small=" + cab("small"), "--tap", "4,8,16",
			"--watts", "50", "--load-watts", "cab=60,small=15", "--cable-awg", "18", "--cable-m", "6"}, exitDone},
		{"8 hookups of 3 loads", []string{"plan", "cab=" + cab("cab"), "small=" + cab("small"), "other=16", "--tap", "4,8,16",
			"--watts", "50", "--load-watts", "cab=60,small=15,other=30"}, exitDone},
		{"1 box to build", []string{"box", "sheet", "a + b", "a=8", "b=8", "--tap", "4,8,16"}, exitDone},
		{"Wrong: only cabinet small ", []string{"box", "verify", "--cab", cab("small"), "--cab", cab("second"), "--seen", cab("box")}, exitFail},
		{"Fail: outside the limits: ", []string{"compare", cab("before"), cab("after")}, exitFail},
	} {
		t.Run(page.args[0], func(t *testing.T) {
			_, want, _ := strings.Cut(string(readme), "```\n"+page.begins)
			want, _, ok := strings.Cut(want, "```")
			if !ok {
				t.Fatalf("README.md shows no page that begins with %q", page.begins)
			}
			samePage(t, page.begins+want, ends(t, page.code, page.args...))
		})
	}
}

// The menu that README.md shows is the guide's.
func TestReadmeMenu(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir()) // where no job is
	var screen, log strings.Builder
	e := env{stdin: strings.NewReader("q\n"), talks: true, stdout: &screen, stderr: &log, getenv: os.Getenv, now: time.Now}
	if code := run(context.Background(), nil, e); code != exitDone {
		t.Fatalf("ended with %d: %s", code, log.String())
	}
	const begins = "  1  "
	_, menu, _ := strings.Cut(screen.String(), begins)
	if menu = strings.TrimRight(menu, " \n"); menu == "" || !strings.Contains(string(readme), "```\n"+begins+menu+"\n```") {
		t.Errorf("README.md does not show the menu as it is:\n%s%s", begins, menu)
	}
}

func samePage(t *testing.T, want, got string) {
	t.Helper()
	shown, printed := strings.Fields(want), strings.Fields(got)
	if n := len(shown) - 1; shown[n] == "..." {
		shown = shown[:n]
		printed = printed[:min(n, len(printed))]
	}
	if len(shown) != len(printed) {
		t.Fatalf("the page has changed; README.md shows\n%s\nand the program prints\n%s", want, got)
	}
	for i, s := range shown {
		a, errA := strconv.ParseFloat(s, 64)
		b, errB := strconv.ParseFloat(printed[i], 64)
		if i > 0 && shown[i-1] == "±" {
			continue
		}
		if s != printed[i] && (errA != nil || errB != nil || math.Abs(a-b) > 0.02*math.Abs(a)) {
			t.Errorf("README.md shows %q where the program prints %q:\n%s", s, printed[i], got)
		}
	}
}
