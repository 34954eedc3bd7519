package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// mayImport is the import table of DEVELOPERS.md: which of our own packages
// each of them may import. Imports run one way, along the measurement.
var mayImport = map[string][]string{
	"measure/exactjson":          {},
	"measure/impedance":          {},
	"measure/record":             {"measure/exactjson", "measure/impedance"},
	"measure/signal":             {"measure/exactjson"},
	"measure/card":               {"measure/signal"},
	"measure/card/server":        {"measure/card"},
	"measure/card/portaudio":     {"measure/card", "measure/card/server", "measure/signal"},
	"measure/card/portaudio/rig": {"measure/card", "measure/signal"},
	"measure/hum":                {},
	"measure/ratio":              {"measure/card", "measure/signal", "measure/impedance", "measure/record", "measure/hum"},
	"measure":                    {"measure/impedance", "measure/record", "measure/signal", "measure/card", "measure/hum", "measure/ratio", "fixtures/jig"},
	"fixtures/jig":               {"measure/exactjson", "measure/ratio", "measure/impedance", "measure/record"},
	"fixtures/netlist":           {"measure/impedance"},
	"fixtures/netlist/spice":     {},
	"fixtures/hookup":            {"measure/impedance", "fixtures/netlist"},
	"fixtures/amp":               {"measure/impedance", "fixtures/hookup"},
	"fixtures/plan":              {"measure/impedance", "fixtures/hookup", "fixtures/amp"},
	"fixtures/box":               {"measure/impedance", "fixtures/netlist", "fixtures/hookup", "fixtures/amp"},
	"fixtures/bench":             {"fixtures/keyfile", "measure/card", "measure/signal", "measure/impedance", "fixtures/netlist"},
	"fixtures/bench/adverse":     {"fixtures/bench", "measure/card", "measure/signal", "fixtures/netlist"},
	"fixtures/bench/foreign":     {"measure/impedance"},
	"fixtures/keyfile":           {},
	"fixtures/job":               {"fixtures/hookup", "fixtures/keyfile"},
	"fit":                        {"measure/impedance"},
	"fit/rating":                 {"measure/impedance", "fit"},
	"fit/recone":                 {"measure/impedance", "measure/record", "fit"},
	"plot":                       {"measure/impedance", "measure/record", "fit", "fixtures/hookup", "fixtures/amp", "fixtures/box"},
	"plot/report":                {"measure/impedance", "fit", "fixtures/netlist", "fixtures/hookup", "fixtures/amp", "fixtures/box", "fit/rating", "fit/recone", "fixtures/job", "plot"},
	"cmd/tapload":                nil, // all
}

const command = "cmd/tapload"

func TestImportTable(t *testing.T) {
	for _, cgo := range []string{"1", "0"} {
		t.Run("CGO_ENABLED="+cgo, func(t *testing.T) {
			seen := 0
			for _, p := range listPackages(t, cgo) {
				name, ours := strings.CutPrefix(p.ImportPath, "tapload/")
				if !ours {
					t.Errorf("package %s is outside the module's folders", p.ImportPath)
					continue
				}
				seen++
				allowed, known := mayImport[name]
				if !known {
					t.Errorf("package %s is not in the import table; decide what it may import and add it", name)
					continue
				}
				if name == command {
					continue
				}
				for _, path := range p.Imports {
					if dep, ours := strings.CutPrefix(path, "tapload/"); ours && !slices.Contains(allowed, dep) {
						t.Errorf("%s imports %s; the table allows it only %v", name, dep, allowed)
					}
					if path == "github.com/gordonklaus/portaudio" && name != "measure/card/portaudio" {
						t.Errorf("%s imports %s; only measure/card/portaudio touches the hardware", name, path)
					}
				}
				if slices.Contains(p.Imports, "C") {
					t.Errorf("%s uses cgo of its own", name)
				}
			}
			if seen < 5 {
				t.Errorf("go list found %d packages; the test does not see the module", seen)
			}
		})
	}
}

// TestImportTableRunsOneWay proves that no row of the table can make a circle
// and that every package named in a row has a row.
func TestImportTableRunsOneWay(t *testing.T) {
	var visit func(name string, path []string)
	visit = func(name string, path []string) {
		if slices.Contains(path, name) {
			t.Fatalf("the table allows a circle: %v", append(path, name))
		}
		deps, known := mayImport[name]
		if !known {
			t.Fatalf("%v names %s, which has no row", path, name)
		}
		for _, d := range deps {
			visit(d, append(path, name))
		}
	}
	for name := range mayImport {
		visit(name, nil)
	}
}

// TestImportTableOfDevelopers: the table in DEVELOPERS.md has a row for each
// package, and in it all that the package imports of ours.
func TestImportTableOfDevelopers(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "## Who imports whom")
	table, _, _ = strings.Cut(table, "\n## ")
	rows, above := map[string][]string{}, []string{}
	for line := range strings.Lines(table) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		name := strings.Trim(cells[0], " `")
		if len(cells) != 2 || mayImport[name] == nil && name != command {
			continue
		}
		imports, _, _ := strings.Cut(strings.TrimSpace(cells[1]), ";")
		switch imports {
		case "nothing":
			rows[name] = []string{}
		case "the above":
			rows[name] = slices.Clone(above)
		default:
			rows[name] = strings.Split(imports, ", ")
		}
		above = append(above, name)
	}
	for _, p := range listPackages(t, "1") {
		name := strings.TrimPrefix(p.ImportPath, "tapload/")
		row, known := rows[name]
		if !known {
			t.Errorf("DEVELOPERS.md has no row for %s in its import table", name)
			continue
		}
		for _, path := range p.Imports {
			dep, ours := strings.CutPrefix(path, "tapload/")
			if ours && name != command && !slices.ContainsFunc(row, func(r string) bool { return dep == r || strings.HasSuffix(dep, "/"+r) }) {
				t.Errorf("%s imports %s, which its row in DEVELOPERS.md does not say", name, dep)
			}
		}
	}
}

type listedPackage struct {
	ImportPath string
	Imports    []string
}

func listPackages(t *testing.T, cgo string) []listedPackage {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "tapload/...")
	cmd.Env = append(os.Environ(), "CGO_ENABLED="+cgo)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var list []listedPackage
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listedPackage
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return list
		} else if err != nil {
			t.Fatalf("go list: %v", err)
		}
		list = append(list, p)
	}
}
