package plot

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"tapload/fixtures/box"
)

// BoxText returns a wiring table of a box in plain ASCII: a column for each
// contact, a row for each wire and one for the chassis. Where the box has too
// many jacks for columns characters it is "".
func BoxText(b box.Box, columns int) string {
	const names, least = 9, 12
	each := min((columns-names)/len(b.Jacks), 16)
	if each < least {
		return ""
	}
	half := each / 2
	at := func(c box.Contact) int {
		x := names + c.Jack*each
		if c.Part == box.Sleeve {
			x += half
		}
		return x
	}
	row := func(name string) []byte {
		line := []byte(strings.Repeat(" ", names+each*len(b.Jacks)))
		copy(line, name)
		return line
	}
	var out strings.Builder
	add := func(line string) { out.WriteString(strings.TrimRight(line, " ") + "\n") }

	// Labels may have any letters; a row of bytes may not.
	line := fmt.Sprintf("%-*s", names, "")
	for j := range b.Jacks {
		line += fmt.Sprintf("%-*s", each, jackName(j))
	}
	add(line)
	line = fmt.Sprintf("%-*s", names, "")
	for _, j := range b.Jacks {
		label := cutTo(oneLine(j.Label), each-1)
		line += label + strings.Repeat(" ", each-utf8.RuneCountInString(label))
	}
	add(line)
	line = fmt.Sprintf("%-*s", names, "")
	for range b.Jacks {
		line += fmt.Sprintf("%-*s%-*s", half, "tip", each-half, "slv")
	}
	add(line)
	for i, l := range b.Links {
		line := row(fmt.Sprintf("wire %d", i+1))
		from, to := at(l.From), at(l.To)
		from, to = min(from, to), max(from, to)
		copy(line[from:], strings.Repeat("-", to-from))
		line[from], line[to] = 'o', 'o'
		add(string(line))
	}
	if b.Metal {
		line := row("chassis")
		copy(line[names:], strings.Repeat("=", each*(len(b.Jacks)-1)+half))
		for j, jack := range b.Jacks {
			x := at(box.Contact{Jack: j, Part: box.Sleeve})
			if jack.Insulated {
				copy(line[x:], "INS")
			} else {
				line[x] = '#'
			}
		}
		add(string(line))
		add(fmt.Sprintf("%-*s%s", names, "", "# sleeve on the chassis   INS sleeve insulated from it"))
	}
	return out.String()
}

// jackName is how a jack is marked: the one towards the amplifier is the
// input.
func jackName(j int) string {
	if j == 0 {
		return "INPUT"
	}
	return fmt.Sprintf("jack %d", j)
}

// SetText returns a hookup with its boxes as an outline, no line of it longer
// than columns; about gives what to say of each load. A set of a single cabinet is
// its Tree alone.
func SetText(s box.Set, columns int, about func(load string) string) string {
	var out strings.Builder
	add := func(line string) { out.WriteString(cutTo(strings.TrimRight(line, " "), columns) + "\n") }
	add("amplifier")
	var write func(n int, first, before string)
	write = func(n int, first, before string) {
		b := s.Boxes[n-1]
		name := fmt.Sprintf("box %d", n)
		if n == 1 && s.InAmplifier {
			name = "output jacks"
		}
		add(fmt.Sprintf("%s+- %s, %s", first, name, b.Kind.String()))
		for j, jack := range b.Jacks[1:] {
			bar := "|  "
			if j == len(b.Jacks)-2 {
				bar = "   "
			}
			if jack.Box > 0 {
				write(jack.Box, before, before+bar)
				continue
			}
			add(before + "+- " + oneLine(jack.Load) + "  " + about(jack.Load))
		}
	}
	if len(s.Boxes) == 0 {
		add("+- " + oneLine(s.Tree.Load) + "  " + about(s.Tree.Load))
	} else {
		write(1, "", "   ")
	}
	return out.String()
}
