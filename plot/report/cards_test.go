package report

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tapload/measure/card/portaudio"
)

// The page of every list of the package portaudio fits a terminal, begins with
// what to type next, and with details leaves no device out.
func TestCardsFitATerminal(t *testing.T) {
	files, err := filepath.Glob("../../measure/card/portaudio/testdata/listings/*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d listings, %v", len(files), err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var devices []portaudio.Device
		if err := json.Unmarshal(data, &devices); err != nil {
			t.Fatal(err)
		}
		infos := portaudio.Cards(portaudio.Group(devices))
		d := Cards(infos, func(name string) string { return `"` + name + `"` })
		lines := strings.Split(strings.TrimSuffix(terminal(t, d, false), "\n"), "\n")
		if len(lines) > screenRows {
			t.Errorf("%s: %d lines", name, len(lines))
		}
		for _, line := range lines {
			if len([]rune(line)) > 80 {
				t.Errorf("%s: %q is wider than 80", name, line)
			}
		}
		if !strings.Contains(lines[0], "--card") {
			t.Errorf("%s: the first line is %q", name, lines[0])
		}
		details := terminal(t, d, true)
		for _, d := range devices {
			if !strings.Contains(details, d.Name) && !strings.Contains(details, infos.ExactName(d)) {
				t.Errorf("%s: --details does not list %q", name, d)
			}
		}
	}
}

func terminal(t *testing.T, d Document, details bool) string {
	t.Helper()
	var out bytes.Buffer
	if err := d.Terminal(&out, 80, details); err != nil {
		t.Fatal(err)
	}
	return out.String()
}
