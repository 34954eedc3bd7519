package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The demonstration comes to what its benches are: two cabinets of 8 ohm, one
// hookup that suits a tap, a box whose sleeves touch the chassis and one that
// is right, and a driver within its limits. Run again it does the same.
func TestDemo(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "demo")
	e := func(out, log *strings.Builder) env {
		return env{stdout: out, stderr: log, getenv: os.Getenv, now: time.Now}
	}
	screens := []string{}
	for range 2 {
		var out, log strings.Builder
		if code := run(context.Background(), []string{"demo", "-o", folder}, e(&out, &log)); code != exitDone {
			t.Fatalf("ended with %d: %s", code, log.String())
		}
		screens = append(screens, out.String())
	}
	if screens[0] != screens[1] {
		t.Error("the second run shows another screen")
	}
	for line := range strings.SplitSeq(screens[0], "\n") {
		if len([]rune(line)) > pageColumns && !strings.Contains(line, folder) {
			t.Errorf("%d columns: %s", len([]rune(line)), line)
		}
	}
	for _, want := range []string{
		"All of\n  this is invented", "dance: rated 8 ohm", "stage: rated 8 ohm", "1. dance + stage", "verdict  pass",
		"Wrong: only cabinet dance is in circuit", "all jack sleeves touch", "Right: two cabinets in series, 0.08 ohm in the joints",
		"Pass: what has changed lies inside the limits",
	} {
		if !strings.Contains(screens[0], want) {
			t.Errorf("the screen does not say %q", want)
		}
	}
	for _, name := range []string{"report.html", "report.pdf", "box.pdf", "load.png", "proof.png", "recone.png", "dance.png", "job.toml", "jig.json", "bench/dance.toml"} {
		if info, err := os.Stat(filepath.Join(folder, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	var out, log strings.Builder
	if code := run(context.Background(), []string{"report", "--job", folder, "--json", "-o", filepath.Join(folder, "r.txt")}, e(&out, &log)); code != exitDone {
		t.Fatal(log.String())
	}
	bench := filepath.Join(folder, "bench", "dance.toml")
	var again strings.Builder
	if code := run(context.Background(), []string{"sweep", "--bench", bench, "-o", filepath.Join(folder, "mine"+recordSuffix), "--period", "1.4"}, e(&again, &log)); code != exitDone {
		t.Errorf("the bench cannot be measured again: %s", log.String())
	}
	var got reportObject
	if err := json.Unmarshal([]byte(out.String()), &got); err != nil {
		t.Fatal(err)
	}
	if got.Grade != "matched" || !got.Safe || got.Proofs["first try"] != "fail" || got.Proofs["second try"] != "pass" || got.Drivers["twelve"] != "pass" {
		t.Errorf("%+v", got)
	}
	text, err := os.ReadFile(filepath.Join(folder, "r.txt"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), "heavier cone: the moving mass is 8 % higher") {
		t.Error("the report does not say that the cone is 8 % heavier")
	}
}
