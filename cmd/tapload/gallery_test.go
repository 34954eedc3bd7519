package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"image/color"
	"image/png"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tapload/measure/quantity"
	"tapload/plot/plottest"
)

// shown is a picture or page of the gallery: the file that it is in, and the
// command line that makes it, in which FILE stands for the file and _ for a blank
// within a word.
type shown struct {
	file, line string
	code       int
}

// galleryRecords are what the gallery needs besides the records of the
// demonstration.
var galleryRecords = []string{
	"sweep --bench benches/unmarked-cabinet.toml --label unmarked_cabinet_(invented) -o unmarked.sweep.json --plot sweep.svg",
	"sweep --bench benches/four-drivers.toml --label four_drivers_(invented) -o four.sweep.json",
	"sweep --bench benches/bent-driver.toml --label bent_driver_(invented) -o bent.sweep.json",
	"sweep --bench benches/driver-before-recone.toml --label driver_before_(invented) --distortion -o before.sweep.json",
	"sweep --bench benches/driver-after-recone.toml --label driver_after_(invented) --distortion -o after.sweep.json",
}

// gallery is every kind of picture and page.
var gallery = []shown{
	{"sweep.svg", "sweep --bench benches/sixteen-ohm-cabinet.toml --label sixteen_ohm_cabinet_(invented) -o sixteen.sweep.json --plot FILE", exitDone},
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
	{"levels.svg", "sweep --bench benches/bent-driver.toml --label bent_driver_(invented) --level -30,-20,-10 -o level.sweep.json --plot FILE", exitDone},
	{"proof-pass.svg", "box verify --hookup a+b --cab a=dance.sweep.json --cab b=stage.sweep.json --seen box-right.sweep.json -o FILE", exitDone},
	{"proof-fail.svg", "box verify --hookup a+b --cab a=dance.sweep.json --cab b=stage.sweep.json --seen box-wrong.sweep.json -o FILE", exitFail},
	{"channels.svg", "jig show jig.json --plot FILE", exitDone},
	{"jig.svg", "jig wiring -o FILE", exitDone},
	{"jig.pdf", "jig wiring -o FILE", exitDone},
	{"unmarked-cabinet.png", "plot unmarked.sweep.json --tap 4,8,16 -o FILE", exitDone},
	{"jig.png", "jig wiring -o FILE", exitDone},
	{"hookup-too-low.svg", "hookup a||b a=dance.sweep.json b=stage.sweep.json --tap 8 -o FILE", exitDone},
	{"box.pdf", "box sheet dance+stage --job . -o FILE", exitDone},
	{"boxes.html", "box sheet (dance+stage)||balcony --job . -o FILE", exitDone},
	{"boxes.pdf", "box sheet (dance+stage)||balcony --job . -o FILE", exitDone},
	{"report.html", "report --job . -o FILE", exitDone},
	{"report.pdf", "report --job . -o FILE", exitDone},
}

// readmePictures are those of README, and what each is a page of; without a page
// it is drawn as it stands.
var readmePictures = []struct{ file, of, page string }{
	{file: "unmarked-cabinet.png"},
	{file: "jig.png"},
	{"box-sheet.png", "box.pdf", "1"},
	{"job-sheet.png", "report.pdf", "1"},
}

// TestGallery draws every picture and page of the program. No text of a picture
// lies over another or leaves it, on a narrow screen either, where it is large
// enough to read; every picture of invented data says so; the picture and the fit
// of one record name the same lowest |Z|. With TAPLOAD_GALLERY the gallery is left
// in that folder, and with TAPLOAD_UPDATE=pictures README gets its pictures.
func TestGallery(t *testing.T) {
	folder, keep := os.Getenv("TAPLOAD_GALLERY"), os.Getenv("TAPLOAD_GALLERY") != ""
	if !keep {
		folder = t.TempDir()
	}
	root := func(path string) string {
		path, err := filepath.Abs(path)
		if err != nil {
			t.Fatal(err)
		}
		return path
	}
	folder = root(folder)
	benches, pictures := root("../../testdata/bench"), root("../../testdata/pictures")
	demo := demonstration(t)
	t.Chdir(t.TempDir())
	for to, from := range map[string]fs.FS{".": demo.folder, "benches": os.DirFS(benches)} {
		if err := os.CopyFS(to, from); err != nil {
			t.Fatal(err)
		}
	}
	do := func(line string, code int) string {
		t.Helper()
		var out, log strings.Builder
		args := strings.Fields(line)
		for i := range args {
			args[i] = strings.ReplaceAll(args[i], "_", " ")
		}
		e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
		if got := run(context.Background(), args, e); got != code {
			t.Errorf("tapload %s: exited with %d: %s", line, got, log.String())
		}
		return out.String()
	}
	for _, line := range galleryRecords {
		do(line, exitDone)
	}
	drawn := map[string][]byte{}
	for _, s := range gallery {
		page := filepath.Ext(s.file) == ".html" || filepath.Ext(s.file) == ".pdf"
		if page && !keep {
			continue // pages have tests of their own
		}
		do(strings.ReplaceAll(s.line, "FILE", s.file), s.code)
		data, err := os.ReadFile(s.file)
		if err != nil {
			t.Error(err)
			continue
		}
		drawn[s.file] = data
		if filepath.Ext(s.file) != ".svg" {
			continue
		}
		const least = 11 * 72. / 96 // points
		for _, p := range plottest.Problems(data, least) {
			t.Errorf("%s: %s", s.file, p)
		}
		if s.file != "jig.svg" && s.file != "channels.svg" && !strings.Contains(strings.ToLower(string(data)), "invented") {
			t.Errorf("%s does not say that it is invented", s.file)
		}
	}
	for name, says := range map[string]string{
		"hookup.svg": ": matched (invented)<", "hookup-too-low.svg": "LOW, not safe, do not run it", "plan.svg": ">Best: ",
		"compare-pass.svg": ">PASS: ", "compare-fail.svg": ">FAIL: fs outside the limits", "changes-fail.svg": ") fail<", "ratio.svg": ">FAIL: ",
		"proof-pass.svg": ">PASS: ", "proof-fail.svg": ">FAIL: ", "levels.svg": "bends at -10 dB",
		"curve-of-a-bent-driver.svg": "bends at this level", "fit-of-a-bent-driver.svg": "bends at this level", "fit.svg": ": rated 8 ohm",
	} {
		if !strings.Contains(string(drawn[name]), says) {
			t.Errorf("%s does not say %q", name, says)
		}
	}
	var fitted struct {
		Min struct {
			Hz  float64 `json:"hz"`
			Ohm float64 `json:"ohm"`
		} `json:"z_min"`
	}
	if err := json.Unmarshal([]byte(do("fit unmarked.sweep.json --json", exitDone)), &fitted); err != nil {
		t.Fatal(err)
	}
	lowest := fmt.Sprintf(">min %s Ω at %s<", quantity.Digits(fitted.Min.Ohm, 3), quantity.LimitHz(fitted.Min.Hz))
	for _, name := range []string{"curve.svg", "curve-on-taps.svg", "fit.svg"} {
		if !strings.Contains(string(drawn[name]), lowest) {
			t.Errorf("%s does not say %s, which is what the fit says", name, lowest)
		}
	}
	for _, p := range readmePictures {
		path := filepath.Join(pictures, p.file)
		switch {
		case os.Getenv("TAPLOAD_UPDATE") == "pictures" && p.of == "":
			if err := os.WriteFile(path, drawn[p.file], 0o666); err != nil {
				t.Fatal(err)
			}
		case os.Getenv("TAPLOAD_UPDATE") == "pictures":
			made := exec.Command("pdftoppm", "-png", "-r", "96", "-f", p.page, "-l", p.page, "-singlefile", p.of, strings.TrimSuffix(path, ".png"))
			if said, err := made.CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, said)
			}
		case p.of == "" && !looksAlike(t, path, drawn[p.file]):
			t.Errorf("%s is not what the program draws; TAPLOAD_UPDATE=pictures make gallery brings README's pictures up to date", path)
		}
	}
	if keep {
		leave(t, folder, drawn)
	}
}

// looksAlike tells whether the picture at path looks like another: processors round
// differently, so some dots may differ.
func looksAlike(t *testing.T, path string, data []byte) bool {
	t.Helper()
	kept := readPNG(t, path)
	now, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if kept.Bounds() != now.Bounds() {
		return false
	}
	b, differ := kept.Bounds(), 0
	for x := range b.Dx() {
		for y := range b.Dy() {
			if color.GrayModel.Convert(kept.At(x, y)) != color.GrayModel.Convert(now.At(x, y)) {
				differ++
			}
		}
	}
	return float64(differ) < 1e-4*float64(b.Dx()*b.Dy())
}

// leave puts the gallery into a folder, with an index.
func leave(t *testing.T, folder string, drawn map[string][]byte) {
	t.Helper()
	if err := os.MkdirAll(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	index := "<!DOCTYPE html><meta charset=utf-8><meta name=viewport content=\"width=device-width\"><meta name=color-scheme content=\"light dark\"><title>Gallery</title>\n"
	for _, s := range gallery {
		show := fmt.Sprintf("<a href=%q>%s</a>", s.file, s.file)
		if ext := filepath.Ext(s.file); ext == ".svg" || ext == ".png" {
			show = fmt.Sprintf("<img src=%q alt=%q style=\"max-width:100%%\">", s.file, s.file)
		}
		index += fmt.Sprintf("<h2>%s</h2><p>tapload %s</p>%s\n", s.file, html.EscapeString(s.line), show)
		if err := os.WriteFile(filepath.Join(folder, s.file), drawn[s.file], 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(folder, "index.html"), []byte(index), 0o666); err != nil {
		t.Fatal(err)
	}
}
