package main

import (
	"bytes"
	"os"
	"testing"
)

// TestDemoBenchIsTheExample: the program carries a copy, because it can embed
// nothing from outside its own folder.
func TestDemoBenchIsTheExample(t *testing.T) {
	example, err := os.ReadFile("../../testdata/bench/unmarked-cabinet.toml")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(example, demoBench) {
		t.Error("cmd/tapload/demo/unmarked-cabinet.toml differs from testdata/bench; copy it again")
	}
}
