package main

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"tapload/cmd/tapload/internal/browsertest"
	"tapload/fit/identify"
	"tapload/fixtures/job"
	"tapload/measure/record"
)

// smallJobRecords are what is measured once for all tests with a smallJob.
var smallJobRecords = fstest.MapFS{}

// smallJob makes a job of two cabinets, a proof and a driver in a folder.
func smallJob(t *testing.T) (folder string, tapload func(args ...string) string) {
	t.Helper()
	folder = t.TempDir()
	tapload = func(args ...string) string {
		t.Helper()
		var out, log strings.Builder
		e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
		if args[0] != "sweep" { // which is before the job
			args = append(args, "--job", folder)
		}
		if code := run(context.Background(), args, e); code != exitDone {
			t.Fatalf("%v ended with %d: %s", args, code, log.String())
		}
		return out.String()
	}
	if len(smallJobRecords) == 0 {
		for name, bench := range map[string]string{
			"left": "sixteen-ohm-cabinet", "right": "second-sixteen-cabinet", "box": "box-right",
			"before": "driver-before-recone", "after": "driver-after-recone",
		} {
			record := filepath.Join(folder, name+recordSuffix)
			tapload("sweep", "--bench", "../../testdata/bench/"+bench+".toml", "-o", record, "--period", "1.4")
			data, err := os.ReadFile(record)
			if err != nil {
				t.Fatal(err)
			}
			smallJobRecords[name+recordSuffix] = &fstest.MapFile{Data: data, Mode: 0o666}
		}
	} else if err := os.CopyFS(folder, smallJobRecords); err != nil {
		t.Fatal(err)
	}
	f := job.NewFile(folder, "T-1", "run both")
	f.SetAmplifier(job.Amplifier{Name: "test amplifier", TapsOhm: []float64{4, 8, 16}, Watts: 50})
	f.AddCabinet(job.Cabinet{Label: "left", Record: "left" + recordSuffix, Watts: 30})
	f.AddCabinet(job.Cabinet{Label: "right", Record: "right" + recordSuffix, Watts: 30})
	f.SetHookup(job.Hookup{Formula: "left + right", TapOhm: 16})
	f.AddProof(job.Proof{Label: "first", Seen: "box" + recordSuffix})
	f.AddDriver(job.Driver{Label: "twelve", Before: "before" + recordSuffix, After: "after" + recordSuffix})
	if err := os.WriteFile(filepath.Join(folder, job.FileName), f.Text(), 0o666); err != nil {
		t.Fatal(err)
	}
	return folder, tapload
}

// What a report says of a cabinet comes from that cabinet's record: with every
// ohm of one of them 10 % higher, what depends on it follows, and what does not
// stays.
func TestReportComesFromTheRecords(t *testing.T) {
	folder, tapload := smallJob(t)
	text := filepath.Join(folder, "r.txt")
	pages := func() map[string]string { // sections by heading
		tapload("report", "-o", text)
		data, err := os.ReadFile(text)
		if err != nil {
			t.Fatal(err)
		}
		of := map[string]string{}
		heading := ""
		lines := strings.Split(string(data), "\n")
		for i, line := range lines {
			if i+1 < len(lines) && line != "" && strings.Trim(lines[i+1], "-") == "" && lines[i+1] != "" {
				heading = line
			}
			of[heading] += line + "\n"
		}
		return of
	}
	before := pages()
	path := filepath.Join(folder, "left"+recordSuffix)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := record.Read(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	for i := range rec.Curve.Points {
		rec.Curve.Points[i].Z *= 1.1
	}
	for _, s := range rec.Curve.Shared {
		for i := range s.DZ {
			s.DZ[i] *= 1.1
		}
	}
	var b bytes.Buffer
	if err := rec.Write(&b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	after := pages()
	changed := func(heading string, want bool) {
		t.Helper()
		if before[heading] == "" {
			t.Fatalf("there is no section %q", heading)
		}
		if got := before[heading] != after[heading]; got != want {
			t.Errorf("section %q changed: %v, want %v\n%s\n%s", heading, got, want, before[heading], after[heading])
		}
	}
	changed("Cabinet left", true)
	changed("Your cabinets", true)
	changed("The hookup on the amplifier", true)
	changed("Cabinet right", false)
	changed("Driver twelve: fail", false)
	changed("Build sheet", true)
	changed("Instruments", false)
	if _, still := after["Proof: first: pass"]; before["Proof: first: pass"] == "" || still {
		t.Error("the box still passes with another cabinet's record")
	}
	if r := fitOf(t, rec); !strings.Contains(after["Cabinet left"], r) {
		t.Errorf("the section does not say %q:\n%s", r, after["Cabinet left"])
	}
}

// fitOf is Re as the fit command writes it.
func fitOf(t *testing.T, rec record.Record) string {
	r, err := identify.Record(t.Context(), rec, identify.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r.Load.Re.In("ohm")
}

// A browser shows the report in light and dark, on paper and on a phone, and
// asks no other machine for anything.
func TestReportInABrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("five starts of a browser")
	}
	browser := browsertest.Chromium(t)
	folder, tapload := smallJob(t)
	tapload("report", "-o", filepath.Join(folder, "report.html"))
	netlog := filepath.Join(folder, "net.json")
	page := filepath.Join(folder, "report.html")
	show := func(page string, args ...string) []byte {
		t.Helper()
		ctx, stop := context.WithTimeout(t.Context(), 90*time.Second)
		defer stop()
		base := []string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
			"--disable-component-update", "--disable-sync", "--hide-scrollbars", "--user-data-dir=" + t.TempDir()}
		c := exec.CommandContext(ctx, browser, append(append(base, args...), "file://"+page)...)
		var log bytes.Buffer
		c.Stderr = &log
		out, err := c.Output()
		if err != nil {
			t.Fatalf("%v: %v\n%s", args, err, log.String())
		}
		return out
	}
	light, dark := filepath.Join(folder, "light.png"), filepath.Join(folder, "dark.png")
	show(page, "--window-size=360,6000", "--screenshot="+light)
	show(page, "--window-size=360,6000", "--screenshot="+dark, "--blink-settings=preferredColorScheme=0")
	if a, b := brightness(t, light), brightness(t, dark); a < 0.7 || b > 0.2 { // 0.24 with pictures that are light
		t.Errorf("brightness of the page in light %.2f, in dark %.2f", a, b)
	}
	dom := string(show(page, "--log-net-log="+netlog, "--dump-dom"))
	for _, want := range []string{"<html lang=\"en\"", "Bench record", "How to plug it together", "role=\"img\" aria-label=", "<th scope=\"col\">"} {
		if !strings.Contains(dom, want) {
			t.Errorf("the page has no %s", want)
		}
	}
	if strings.Count(dom, "<svg ") != strings.Count(dom, `role="img" aria-label="`) || strings.Contains(dom, `aria-label=""`) {
		t.Error("a picture has no text for those who cannot see it")
	}
	if urls := requests(t, netlog); len(urls) > 0 {
		t.Errorf("the page asked for %v", urls)
	}

	// On a telephone nothing is wider than the screen, and the text of pictures can
	// be read.
	phone := filepath.Join(folder, "phone.html")
	if err := os.WriteFile(phone, []byte(`<iframe id="f" src="report.html" style="width:390px;height:900px;border:0"></iframe><p id="p"></p><script>
f.onload = () => {
  const doc = f.contentDocument, text = [...doc.querySelectorAll("svg text")].filter(t => t.getClientRects().length > 0);
  const size = t => parseFloat(f.contentWindow.getComputedStyle(t).fontSize) * t.ownerSVGElement.getBoundingClientRect().width / t.ownerSVGElement.viewBox.baseVal.width;
  p.textContent = JSON.stringify({wide: doc.documentElement.scrollWidth, texts: text.length, least: Math.min(...text.map(size))});
};
</script>`), 0o666); err != nil {
		t.Fatal(err)
	}
	var seen struct {
		Wide, Least float64
		Texts       int
	}
	_, answer, _ := strings.Cut(string(show(phone, "--allow-file-access-from-files", "--virtual-time-budget=10000", "--dump-dom")), `<p id="p">`)
	answer, _, _ = strings.Cut(answer, "</p>")
	if err := json.Unmarshal([]byte(answer), &seen); err != nil {
		t.Fatalf("%q: %v", answer, err)
	}
	if seen.Wide > 390 || seen.Least < 9 || seen.Texts < 50 {
		t.Errorf("on 390 px the page is %.0f px wide, and the least of %d texts in pictures %.1f px high", seen.Wide, seen.Texts, seen.Least)
	}

	// A page that does ask is found out.
	asking := filepath.Join(folder, "asking.html")
	if err := os.WriteFile(asking, []byte(`<img src="http://picture.invalid/x.png">`), 0o666); err != nil {
		t.Fatal(err)
	}
	show(asking, "--log-net-log="+netlog, "--dump-dom")
	if urls := requests(t, netlog); len(urls) == 0 || urls[0] != "http://picture.invalid/x.png" {
		t.Errorf("a page that asks for a picture asked for %v", urls)
	}
}

func readPNG(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// brightness is the mean of a picture, 0 to 1.
func brightness(t *testing.T, path string) float64 {
	t.Helper()
	img := readPNG(t, path)
	var sum, n float64
	for y := img.Bounds().Min.Y; y < img.Bounds().Max.Y; y += 7 {
		for x := img.Bounds().Min.X; x < img.Bounds().Max.X; x += 7 {
			r, g, b, _ := img.At(x, y).RGBA()
			sum += float64(r+g+b) / (3 * 0xffff)
			n++
		}
	}
	return sum / n
}

// requests are the addresses that a page asked the network for, by the browser's
// log. The browser's own requests come from no page.
func requests(t *testing.T, path string) (urls []string) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var log struct {
		Events []struct {
			Params struct {
				URL       string `json:"url"`
				Initiator string `json:"initiator"`
			} `json:"params"`
		} `json:"events"`
	}
	if err := json.Unmarshal(data, &log); err != nil {
		t.Fatal(err)
	}
	for _, e := range log.Events {
		if p := e.Params; p.URL != "" && p.Initiator != "" && p.Initiator != "not an origin" {
			urls = append(urls, e.Params.URL)
		}
	}
	return urls
}
