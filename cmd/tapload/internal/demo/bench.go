package demo

import (
	"embed"
	"fmt"
	"path/filepath"
	"strings"
)

// The parts of the invented benches, of which card.txt is in each.
//
//go:embed parts
var parts embed.FS

// part reads one, its load between two nodes.
func part(name, from, to string) string {
	text, err := parts.ReadFile("parts/" + name + ".txt")
	if err != nil {
		panic(err) // it is embedded
	}
	return strings.NewReplacer("FROM", from, "\"TO\"", "\""+to+"\"").Replace(string(text))
}

// Benches are those of the demonstration by their file's name. Boxes
// hold the very drivers of the cabinets: the wrong one's sleeves touch its metal
// chassis, which leaves the first cabinet alone.
func Benches() map[string]string {
	benches := map[string]string{}
	add := func(name string, loads ...string) {
		// One name, since one card and one jig are behind all of them.
		title := fmt.Sprintf("name = \"Lantern Hall (invented)\"\nseed = %d\n\n", 100+len(benches))
		benches[filepath.Join("bench", name+".toml")] = title + strings.Join(append([]string{part("card", "", "")}, loads...), "\n")
	}
	const in, ground = "in", "0"
	add("jig", "[[load]]\npart = \"open\"\nfrom = \"in\"\nto = \"0\"\n") // standards take its place
	add("resistor", part("resistor", in, ground))
	add("dance", part("dance", in, ground))
	add("stage", part("stage", in, ground))
	add("box-wrong", part("plugs", "", ""), part("dance", "j", ground))
	add("box-right", part("plugs", "", ""), part("dance", "j", "k"), part("stage", "k", ground))
	add("driver-before", part("before", in, ground))
	add("driver-after", part("after", in, ground))
	add("driver-heavy", part("heavy", in, ground))
	add("balcony", part("balcony", in, ground))
	add("box-both", part("plugs", "", ""), part("dance", "j", "k"), part("stage", "k", ground), part("balcony", "j", ground))
	return benches
}
