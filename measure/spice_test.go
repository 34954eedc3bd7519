package measure_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"tapload/measure/card/portaudio/rig"
)

// spiceImpedance returns the impedance between the nodes in and 0 of a deck at
// each frequency, by ngspice's .ac analysis with a current source of 1 A.
func spiceImpedance(t *testing.T, deck string, hz []float64) map[float64]complex128 {
	t.Helper()
	if _, err := exec.LookPath("ngspice"); err != nil {
		if os.Getenv(rig.Require) == "1" {
			t.Fatal("ngspice is not installed (Debian: ngspice)")
		}
		t.Skip("ngspice is not installed (Debian: ngspice)")
	}
	dir := t.TempDir()
	out := func(i int) string { return filepath.Join(dir, fmt.Sprint(i)) }
	var b strings.Builder
	b.WriteString("a load\n" + deck + "I1 0 in DC 0 AC 1\n.control\nset numdgt=15\nset wr_singlescale\n")
	for i, f := range hz {
		fmt.Fprintf(&b, "ac lin 1 %.17g %.17g\nwrdata %s v(in)\n", f, f, out(i))
	}
	b.WriteString("quit 0\n.endc\n.end\n")
	file := filepath.Join(dir, "deck.cir")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if log, err := exec.Command("ngspice", "-b", "-n", file).CombinedOutput(); err != nil {
		t.Fatalf("ngspice: %v\n%s", err, log)
	}
	z := map[float64]complex128{}
	for i, f := range hz {
		data, err := os.ReadFile(out(i))
		if err != nil {
			t.Fatal(err)
		}
		var at, re, im float64
		if _, err := fmt.Sscan(string(data), &at, &re, &im); err != nil {
			t.Fatalf("ngspice wrote %q: %v", data, err)
		}
		z[f] = complex(re, im)
	}
	return z
}
