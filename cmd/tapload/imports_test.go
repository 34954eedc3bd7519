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

func TestImportTable(t *testing.T) {
	mayImport := importTable(t)
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
					t.Errorf("package %s is not in the import table of DEVELOPERS.md; decide what it may import and add it", name)
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

// importTable reads that of DEVELOPERS.md: which of our own packages each of them
// may import. A row may name those above it alone, so that imports run one way,
// along the measurement.
func importTable(t *testing.T) map[string][]string {
	t.Helper()
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "## Who imports whom")
	table, _, _ = strings.Cut(table, "\n## ")
	rows, above := map[string][]string{}, []string{}
	for line := range strings.Lines(table) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 2 || !strings.HasPrefix(cells[0], " `") {
			continue
		}
		name := strings.Trim(cells[0], " `")
		imports, _, _ := strings.Cut(strings.TrimSpace(cells[1]), ";")
		row := []string{}
		switch imports {
		case "nothing":
		case "the above":
			row = slices.Clone(above)
		default:
			for dep := range strings.SplitSeq(imports, ", ") {
				i := slices.IndexFunc(above, func(a string) bool { return a == dep || strings.HasSuffix(a, "/"+dep) })
				if i < 0 {
					t.Errorf("the row of %s names %s, which is none of the rows above it", name, dep)
					continue
				}
				row = append(row, above[i])
			}
		}
		rows[name], above = row, append(above, name)
	}
	return rows
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
