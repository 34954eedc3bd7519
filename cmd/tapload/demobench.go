package main

import (
	"embed"
	"fmt"
	"path/filepath"
	"strings"
)

// The parts of the invented benches, of which card.txt is in each.
//
//go:embed demo
var demoParts embed.FS

// demoPart reads a part, its load between two nodes.
func demoPart(name, from, to string) string {
	text, err := demoParts.ReadFile("demo/" + name + ".txt")
	if err != nil {
		panic(err) // it is embedded
	}
	return strings.NewReplacer("FROM", from, "\"TO\"", "\""+to+"\"").Replace(string(text))
}

// demoBenches are the benches of the demonstration by their file's name. Boxes
// hold the very drivers of the cabinets: the wrong one's sleeves touch its metal
// chassis, which leaves the first cabinet alone.
func demoBenches() map[string]string {
	benches := map[string]string{}
	add := func(name string, loads ...string) {
		// One name, since one card and one jig are behind all of them.
		title := fmt.Sprintf("name = \"Lantern Hall (invented)\"\nseed = %d\n\n", 100+len(benches))
		benches[filepath.Join("bench", name+".toml")] = title + strings.Join(append([]string{demoPart("card", "", "")}, loads...), "\n")
	}
	const in, ground = "in", "0"
	add("jig", "[[load]]\npart = \"open\"\nfrom = \"in\"\nto = \"0\"\n") // standards take its place
	add("resistor", demoPart("resistor", in, ground))
	add("dance", demoPart("dance", in, ground))
	add("stage", demoPart("stage", in, ground))
	add("box-wrong", demoPart("plugs", "", ""), demoPart("dance", "j", ground))
	add("box-right", demoPart("plugs", "", ""), demoPart("dance", "j", "k"), demoPart("stage", "k", ground))
	add("driver-before", demoPart("before", in, ground))
	add("driver-after", demoPart("after", in, ground))
	add("driver-heavy", demoPart("heavy", in, ground))
	add("balcony", demoPart("balcony", in, ground))
	add("box-both", demoPart("plugs", "", ""), demoPart("dance", "j", "k"), demoPart("stage", "k", ground), demoPart("balcony", "j", ground))
	return benches
}
