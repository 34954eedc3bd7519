package guide

import (
	"errors"
	"fmt"
	"strings"

	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
	"tapload/measure/record"
)

// above0 likes a number above 0 in a unit.
func (g *guide) above0(unit string) func(string) error {
	return func(s string) error { return g.Number(s, unit) }
}

// measure checks the jig, offers to calibrate it, and sweeps.
func (g *guide) measure() {
	cards, err := g.Cards()
	if err != nil {
		g.say(err.Error())
	}
	var options []string
	for _, c := range cards {
		options = append(options, fmt.Sprintf("%s (%s)", c.Name, c.What))
	}
	options = append(options, "no card: an invented cabinet on a virtual bench, to try it")
	at := g.choose("Which sound card?", "A card with two line inputs and an output, wired to the jig: \"tapload jig wiring\" draws it.", options, 0)
	source := []string{"--card", ""}
	if at == len(cards) {
		bench, err := g.Bench()
		stop(err)
		source = []string{"--bench", bench}
	} else {
		source[1] = cards[at].Name
		g.pause("Never measure with the amplifier connected. Turn the card's output down, and connect the load to the jig.")
	}
	ohm := g.ask("Sense resistor in ohm", "The resistor between the card's output and the load; its value is marked on it.", "10", false, g.above0("ohm"))
	g.say("First the jig is checked: quiet chirps, louder step by step.")
	if !g.do(append([]string{"check", "--sense-ohm", ohm}, source...)...) {
		g.say("Mend that first, and measure then.")
		return
	}
	calibration := g.calibration(source, ohm)
	label := g.ask("What is measured", "A name for it, such as \"left cab\"; it names the file too.", "cab", false, func(s string) error {
		if record.FileName(s) == "" {
			return errors.New("makes no file name; use letters or digits")
		}
		return nil
	})
	name := record.FileName(label)
	args := append([]string{"sweep"}, source...)
	args = append(args, "--label", label, "-o", name+record.Suffix, "--plot", name+".png")
	if calibration != "" {
		args = append(args, "--jig", calibration)
	} else {
		args = append(args, "--sense-ohm", ohm)
	}
	for _, f := range []string{name + record.Suffix, name + ".png"} {
		if isFile(f) && !g.agree(f+" is there already; go on?", "An earlier record is kept with a ~ behind its name; a picture is replaced.", false) {
			return
		}
	}
	if g.do(args...) {
		g.say("Next: what it is, number 2 of the menu.")
	}
}

// calibration returns the jig file to use: one that is here, one that is made
// now, or none.
func (g *guide) calibration(source []string, ohm string) string {
	const file = "jig.json"
	const help = "Three standards in place of the load (nothing, a short, a known resistor) take the errors of card and leads out of every sweep. Without them a sweep is right to a percent or two."
	if isFile(file) {
		if g.agree("Correct with the calibration "+file+"?", help, true) {
			return file
		}
		return ""
	}
	if !g.agree("Calibrate the jig first? It takes three measurements.", help, false) {
		return ""
	}
	known := g.ask("Known resistor in ohm", "A resistor that you trust, about as large as the loads; measure it with a good meter.", "10", false, g.above0("ohm"))
	for _, s := range []struct{ kind, connect string }{
		{"open", "Connect nothing in place of the load."},
		{"short", "Connect a short in place of the load: both test leads on one piece of wire."},
		{"known", "Connect the known resistor in place of the load."},
	} {
		g.pause(s.connect)
		args := append([]string{"jig", s.kind, "-o", file, "--sense-ohm", ohm}, source...)
		if s.kind == "known" {
			args = append(args, "--ohm", known)
		}
		if !g.do(args...) {
			stop(errLeft)
		}
	}
	g.pause("Connect the load again.")
	return file
}

func (g *guide) identify() {
	path := g.askRecord("Which load?")
	marked := g.ask("Rating marked on it, in ohm", "What its label says, to be held against what it is; leave it out where there is none.", "", true, g.above0("ohm"))
	g.do(append([]string{"fit", path}, flag("--marked-ohm", marked)...)...)
}

// cabinets asks for loads until there are enough; those of a job come by
// themselves.
func (g *guide) cabinets() (given []string) {
	if isFile(job.FileName) && g.agree("Use the cabinets of this folder's job?", "job.toml in this folder names cabinets with their records.", true) {
		return nil
	}
	g.say("Name the cabinets one by one: NAME=8 for one that is known by its rating, NAME=FILE" + record.Suffix + " for one that was measured.")
	found := records()
	for {
		next := fmt.Sprintf("%c=8", 'a'+len(given)%26)
		if len(given) < len(found) {
			next = fmt.Sprintf("%s=%s", record.LabelOf(found[len(given)]), found[len(given)])
		}
		optional := len(given) >= 2
		if optional && len(given) >= len(found) {
			next = ""
		}
		answer := g.ask(fmt.Sprintf("Cabinet %d", len(given)+1), "A name, an equals sign, and its rating in ohm or the file of its record; . ends the list.", next, optional, func(s string) error {
			if s == "." && optional {
				return nil
			}
			if !strings.Contains(s, "=") {
				return errors.New("needs a name and an equals sign, such as left=8")
			}
			return g.Load(s)
		})
		if answer == "" || answer == "." {
			return given
		}
		given = append(given, answer)
	}
}

// amplifier asks for the flags of an amplifier; a job's comes by itself.
func (g *guide) amplifier(fromJob bool) []string {
	if fromJob {
		return nil
	}
	taps := g.ask("Taps of the amplifier in ohm", "The loads that are marked at a valve amplifier's output jacks or selector.", "4,8,16", false, g.Taps)
	watts := g.ask("Its rated power in watts", "As its maker marks it; with it the page says who gets how much.", "", true, g.above0("W"))
	return append([]string{"--tap", taps}, flag("--watts", watts)...)
}

func (g *guide) findHookup() {
	loads := g.cabinets()
	amplifier := g.amplifier(len(loads) == 0)
	g.do(append(append([]string{"plan"}, loads...), amplifier...)...)
	g.say("Next: the boxes of the hookup that you choose, number 4 of the menu.")
}

func (g *guide) drawBox() {
	loads := g.cabinets()
	formula := g.ask("Hookup", "+ is in series and || in parallel; || binds tighter, brackets go first: (a + b) || (c + d).", "", false, func(s string) error {
		if _, err := hookup.Parse(s); err != nil {
			return fmt.Errorf("is no hookup: %w", err)
		}
		return nil
	})
	path := g.place("File for the sheet", "box.pdf", ".pdf", ".html")
	g.do(append(append([]string{"box", "sheet", formula}, loads...), "-o", path)...)
	g.say("Next: build it, check it with a meter, and prove it, number 5 of the menu.")
}

func (g *guide) proveBox() {
	g.say("Measure each cabinet alone first, then all through the box, at the plug that goes to the amplifier; unplug the box from the amplifier for that.")
	args := []string{"box", "verify"}
	var used []string
	if !isFile(job.FileName) {
		for {
			path := g.askRecord(fmt.Sprintf("Cabinet %c alone?", 'a'+len(used)), used...)
			used, args = append(used, path), append(args, "--cab", path)
			if len(used) < 2 {
				continue
			}
			if !g.agree("Another cabinet?", "All that were plugged into the box.", false) {
				break
			}
		}
		formula := g.ask("Hookup", "Of the cabinets a, b, c as they were named; left out, all are in series.", "", true, func(s string) error { _, err := hookup.Parse(s); return err })
		args = append(args, flag("--hookup", formula)...)
	}
	seen := g.askRecord("And through the box?", used...)
	g.do(append(args, "--seen", seen)...)
}

func (g *guide) compareDriver() {
	before := g.askRecord("Before the work?")
	after := g.askRecord("After the work?", before)
	if doubt := g.Exchanged(before, after); doubt != "" {
		g.say("It says here: " + doubt + ".")
		if g.agree("Take them the other way round?", "The record before the work is the one that was taken first.", true) {
			before, after = after, before
		}
	}
	g.do("compare", before, after)
}

func (g *guide) writeReport() {
	for _, path := range []string{"report.html", "report.pdf"} {
		if isFile(path) && !g.agree(path+" is there already; write it anew?", "The report is worked out of the records each time.", true) {
			return
		}
	}
	g.do("report")
}
