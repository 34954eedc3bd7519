package main

import (
	"context"
	"fmt"
	"html"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapload/plot/plottest"
)

// shown is a picture or page of the gallery: the file that it is in, and the
// command line that makes it, in which FILE stands for the file.
type shown struct {
	file, line string
	code       int
}

// galleryRecords are what the gallery needs besides the records of the
// demonstration.
var galleryRecords = []string{
	"sweep --bench benches/unmarked-cabinet.toml --label unmarked(invented) -o unmarked.sweep.json --plot sweep.svg",
	"sweep --bench benches/four-drivers.toml --label four(invented) -o four.sweep.json",
	"sweep --bench benches/bent-driver.toml --label bent(invented) -o bent.sweep.json",
	"sweep --bench benches/driver-before-recone.toml --label before(invented) --distortion -o before.sweep.json",
	"sweep --bench benches/driver-after-recone.toml --label after(invented) --distortion -o after.sweep.json",
}

// gallery is every kind of picture and page.
var gallery = []shown{
	{"sweep.svg", "sweep --bench benches/sixteen-ohm-cabinet.toml --label sixteen(invented) -o sixteen.sweep.json --plot FILE", exitDone},
	{"sweep-of-a-bent-driver.svg", "plot bent.sweep.json unmarked.sweep.json -o FILE", exitDone},
	{"curve.svg", "plot unmarked.sweep.json -o FILE", exitDone},
	{"curve-on-taps.svg", "plot unmarked.sweep.json --tap 4,8,16 -o FILE", exitDone},
	{"curve-of-a-bent-driver.svg", "plot bent.sweep.json -o FILE", exitDone},
	{"fit.svg", "fit unmarked.sweep.json --plot FILE", exitDone},
	{"fit-of-a-bent-driver.svg", "fit bent.sweep.json --plot FILE", exitDone},
	{"fit-of-a-dead-driver.svg", "fit four.sweep.json --drivers 4 --marked-ohm 8 --plot FILE", exitDone},
	{"hookup.svg", "hookup (dance+stage)||balcony --job . -o FILE", exitDone},
	{"hookup-of-one.svg", "hookup a a=dance.sweep.json --tap 4,8,16 -o FILE", exitDone},
	{"hookup-solid-state.svg", "hookup a||b a=dance.sweep.json b=stage.sweep.json --amp-min-ohm 4 -o FILE", exitDone},
	{"share.svg", "hookup (dance+stage)||balcony --job . --share-plot FILE", exitDone},
	{"plan.svg", "plan --job . -o FILE", exitDone},
	{"compare-pass.svg", "compare driver-before.sweep.json driver-after.sweep.json -o FILE", exitDone},
	{"compare-fail.svg", "compare driver-before.sweep.json driver-heavy.sweep.json -o FILE", exitFail},
	{"changes-pass.svg", "compare driver-before.sweep.json driver-after.sweep.json --changes-plot FILE", exitDone},
	{"changes-fail.svg", "compare driver-before.sweep.json driver-heavy.sweep.json --changes-plot FILE", exitFail},
	{"ratio.svg", "compare driver-before.sweep.json driver-heavy.sweep.json --ratio-plot FILE", exitFail},
	{"harmonics.svg", "compare before.sweep.json after.sweep.json --distortion-plot FILE", exitFail},
	{"levels.svg", "sweep --bench benches/bent-driver.toml --label bent(invented) --level -30,-20,-10 -o level.sweep.json --plot FILE", exitDone},
	{"proof-pass.svg", "box verify --hookup a+b --cab a=dance.sweep.json --cab b=stage.sweep.json --seen box-right.sweep.json -o FILE", exitDone},
	{"proof-fail.svg", "box verify --hookup a+b --cab a=dance.sweep.json --cab b=stage.sweep.json --seen box-wrong.sweep.json -o FILE", exitFail},
	{"channels.svg", "jig show jig.json --plot FILE", exitDone},
	{"jig.svg", "jig wiring -o FILE", exitDone},
	{"jig.pdf", "jig wiring -o FILE", exitDone},
	{"boxes.html", "box sheet (dance+stage)||balcony --job . -o FILE", exitDone},
	{"boxes.pdf", "box sheet (dance+stage)||balcony --job . -o FILE", exitDone},
	{"report.html", "report --job . -o FILE", exitDone},
	{"report.pdf", "report --job . -o FILE", exitDone},
}

// TestGallery draws every picture and page of the program. No text of a picture
// lies over another or leaves it, on a narrow screen either, where it is large
// enough to read; every picture of invented data says so. With TAPLOAD_GALLERY
// the gallery is left in that folder.
func TestGallery(t *testing.T) {
	folder := os.Getenv("TAPLOAD_GALLERY")
	if folder == "" {
		folder = t.TempDir()
	}
	folder, err := filepath.Abs(folder)
	if err != nil {
		t.Fatal(err)
	}
	benches, err := filepath.Abs("../../testdata/bench")
	if err != nil {
		t.Fatal(err)
	}
	demo := demonstration(t)
	t.Chdir(t.TempDir())
	if err := os.CopyFS(".", demo.folder); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS("benches", os.DirFS(benches)); err != nil {
		t.Fatal(err)
	}
	do := func(line string, code int) {
		t.Helper()
		var out, log strings.Builder
		e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
		if got := run(context.Background(), strings.Fields(line), e); got != code {
			t.Errorf("tapload %s: exited with %d: %s", line, got, log.String())
		}
	}
	for _, line := range galleryRecords {
		do(line, 0)
	}
	var index strings.Builder
	index.WriteString("<!DOCTYPE html><meta charset=utf-8><meta name=viewport content=\"width=device-width\"><meta name=color-scheme content=\"light dark\"><title>Gallery</title>\n")
	if err := os.MkdirAll(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	for _, s := range gallery {
		if os.Getenv("TAPLOAD_GALLERY") == "" && filepath.Ext(s.file) != ".svg" {
			continue // pages have tests of their own
		}
		do(strings.ReplaceAll(s.line, "FILE", s.file), s.code)
		data, err := os.ReadFile(s.file)
		if err != nil {
			t.Error(err)
			continue
		}
		if err := os.WriteFile(filepath.Join(folder, s.file), data, 0o666); err != nil {
			t.Fatal(err)
		}
		show := fmt.Sprintf("<a href=%q>%s</a>", s.file, s.file)
		if filepath.Ext(s.file) == ".svg" {
			show = fmt.Sprintf("<img src=%q alt=%q style=\"max-width:100%%\">", s.file, s.file)
			for _, p := range plottest.Problems(data, 11*0.75) {
				t.Errorf("%s: %s", s.file, p)
			}
			if s.file != "jig.svg" && s.file != "channels.svg" && !strings.Contains(strings.ToLower(string(data)), "invented") {
				t.Errorf("%s does not say that it is invented", s.file)
			}
		}
		fmt.Fprintf(&index, "<h2>%s</h2><p>tapload %s</p>%s\n", s.file, html.EscapeString(s.line), show)
	}
	if err := os.WriteFile(filepath.Join(folder, "index.html"), []byte(index.String()), 0o666); err != nil {
		t.Fatal(err)
	}
}
