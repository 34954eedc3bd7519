package guide

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// above0 likes a number above 0 in a unit.
func (g *guide) above0(unit quantity.Unit) func(string) error {
	return func(s string) error { return g.Number(s, unit) }
}

// bench is what is measured with, as flags; none of them where the setup has all.
type bench struct {
	source, sense []string
	live          bool
}

// measure checks the jig, offers to calibrate it, and sweeps.
func (g *guide) measure() {
	b, kept := g.keptBench()
	if !kept {
		b = g.askBench()
	}
	if b.live {
		g.pause("Never measure with the amplifier connected. Turn the card's output down, and connect the load to the jig.")
	}
	g.say("First the jig is checked: quiet chirps, louder step by step.")
	if !g.do(slices.Concat([]string{"check"}, b.sense, b.source)...) {
		g.say("Mend that first, and choose number 1 again: your answers are proposed.")
		return
	}
	if !kept {
		calibration := g.calibration(b)
		if b.live && g.agree("Keep this bench, so that none of this is asked again?", "Card, resistor and calibration go into your settings; \"tapload setup\" shows and changes them.", true) {
			if !g.do(slices.Concat([]string{"setup"}, b.source, b.sense, flag("--jig", calibration))...) {
				return
			}
			b.source, b.sense, calibration = nil, nil, ""
		}
		switch {
		case calibration != "":
			b.sense = []string{"--jig", calibration}
		case b.sense != nil && jigOfJob() != "":
			b.sense = append(b.sense, "--jig", "") // which a job's own goes without
		}
	}
	label := g.ask("What is measured", "A name for it, such as \"left cab\"; it names the files too.", freeLabel("cab"), false, func(s string) error {
		switch name := record.FileName(s); {
		case name == "":
			return errors.New("makes no file name; use letters or digits")
		case isFile(name+record.Suffix) || isFile(name+".png"):
			return fmt.Errorf("names files that are there already; take another, such as %q", freeLabel(s))
		}
		return nil
	})
	name := record.FileName(label)
	g.do(slices.Concat([]string{"sweep"}, b.source, b.sense, []string{"--label", label, "--plot", name + ".png"})...)
	g.next("Next: number 2 holds it against its label and its number of drivers, number 3 finds its hookup.", name+record.Suffix, name+".png")
}

// jigOfJob is the calibration of the job in this folder, "" where it has none.
func jigOfJob() string {
	j, err := job.Read(".")
	if err != nil {
		return ""
	}
	return j.Path(j.Jig)
}

// freeLabel is label, or with a number behind it where its files are there already.
func freeLabel(label string) string {
	free := label
	for n := 2; isFile(record.FileName(free)+record.Suffix) || isFile(record.FileName(free)+".png"); n++ {
		free = fmt.Sprintf("%s %d", label, n)
	}
	return free
}

// keptBench returns the bench of the setup, where there is one and it is wanted.
func (g *guide) keptBench() (b bench, kept bool) {
	words, live, err := g.Kept()
	if err != nil {
		g.say(err.Error())
		return bench{}, false
	}
	return bench{live: live}, words != "" && g.agree("Measure with "+words+"?", "That is what \"tapload setup\" keeps of your bench.", true)
}

func (g *guide) askBench() bench {
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
	var b bench
	if b.live = at < len(cards); b.live {
		b.source = []string{"--card", cards[at].Name}
	} else {
		path, err := g.Bench()
		stop(err)
		b.source = []string{"--bench", path}
	}
	ohm := g.ask("Sense resistor in ohm", "The resistor between the card's output and the load; its value is marked on it.", "10", false, g.above0(quantity.Ohm))
	within := g.ask("Its tolerance", "As its colour code or its maker says, such as 1%; a good meter's own error where it was measured.", "1%", false, g.Percent)
	b.sense = []string{"--sense-ohm", ohm, "--sense-tolerance", within}
	return b
}

// calibration returns the jig file to use: one that is here, one that is made
// now, or none.
func (g *guide) calibration(b bench) string {
	file := cmp.Or(jigOfJob(), "jig.json")
	const help = "Three standards in place of the load (nothing, a short, a known resistor) take the errors of card and leads out of every sweep. Without them a sweep is right to a percent or two where a loudspeaker is rated."
	if isFile(file) {
		if g.agree("Correct with the calibration "+file+"?", help, true) {
			return file
		}
		return ""
	}
	if !g.agree("Calibrate the jig first? It takes three measurements.", help, false) {
		return ""
	}
	known := g.ask("Known resistor in ohm", "A resistor that you trust, about as large as the loads; measure it with a good meter.", "10", false, g.above0(quantity.Ohm))
	within := g.ask("Its tolerance as well", "All later curves are as sure as this resistor is: as its maker says, or the meter's own error, such as 0.1%.", "1%", false, g.Percent)
	for _, s := range []struct{ kind, connect string }{
		{"open", "Connect nothing in place of the load."},
		{"short", "Connect a short in place of the load: both test leads on one piece of wire."},
		{"known", "Connect the known resistor in place of the load."},
	} {
		g.pause(s.connect)
		args := slices.Concat([]string{"jig", s.kind, "-o", file}, b.sense, b.source)
		if s.kind == "known" {
			args = append(args, "--ohm", known, "--tolerance", within)
		}
		if !g.do(args...) {
			stop(errLeft)
		}
	}
	g.pause("Connect the load again.")
	return file
}

func (g *guide) identify() {
	path := g.askRecord("Which load?", 1)
	marked := g.ask("Rating marked on it, in ohm", "What its label says, to be held against what it is; leave it out where there is none.", "", true, g.above0(quantity.Ohm))
	drivers := g.ask("Number of drivers in it", "With it a dead one shows; leave it out where nobody looked.", "", true, func(s string) error {
		if n, err := strconv.Atoi(s); err != nil || n < 1 {
			return errors.New("must be a whole number, 1 or more")
		}
		return nil
	})
	g.do(slices.Concat([]string{"fit", path}, flag("--marked-ohm", marked), flag("--drivers", drivers))...)
	g.next("Next: its hookup, number 3 of the menu.")
}

// cabinets asks for loads until there are enough; those of a job come by
// themselves. What was given before, and what was measured, is proposed.
func (g *guide) cabinets() []string {
	if j, err := job.Read("."); err == nil && len(j.Cabinets) > 0 {
		var labels []string
		for _, c := range j.Cabinets {
			labels = append(labels, c.Label)
		}
		if g.agree("Use the cabinets of this folder's job, "+quantity.List(labels)+"?", "job.toml in this folder names them with their records.", true) {
			return nil
		}
	}
	if len(g.loads) > 0 && g.agree("Use "+quantity.List(g.loads)+" as before?", "No names them anew.", true) {
		return g.loads
	}
	g.say("Name the cabinets one by one: NAME=8 for one that is known by its rating, NAME=FILE" + record.Suffix + " or a number of this list for one that was measured. Enter alone ends.")
	found := records()
	for i, t := range found {
		fmt.Fprintf(g.Out, "  %d  %s\n", i+1, oneline.Harmless(t.String()))
	}
	var given, names []string
	for {
		question, first := fmt.Sprintf("Cabinet %d (Enter ends)", len(given)+1), ""
		if len(given) == 0 {
			question = "Cabinet 1"
			if len(found) > 0 {
				first = "1"
			}
		}
		var name string
		answer := g.once(question, "A name, an equals sign, and its rating in ohm or the file of its record; Enter alone ends the list.", first, len(given) > 0, func(s string) (err error) {
			if name, err = g.Load(listed(found, s)); err != nil {
				return err
			}
			if slices.Contains(names, name) {
				return fmt.Errorf("names %s twice; give each cabinet its own name", name)
			}
			return nil
		})
		if answer == "" {
			g.loads = given
			return given
		}
		given, names = append(given, listed(found, answer)), append(names, name)
	}
}

// listed is an answer, or for a number of the list the load that stands there.
func listed(found []taken, answer string) string {
	if n, err := strconv.Atoi(answer); err == nil && n >= 1 && n <= len(found) {
		file := found[n-1].file
		return record.LabelOf(file) + "=" + file
	}
	return answer
}

// askAmplifier asks for the flags of an amplifier; a job's comes by itself.
func (g *guide) askAmplifier(fromJob bool) []string {
	if fromJob {
		return nil
	}
	if len(g.amplifier) > 0 && g.agree("The amplifier as before, "+strings.Join(g.amplifier, " ")+"?", "No describes another.", true) {
		return g.amplifier
	}
	const kind = "What kind of amplifier?"
	if g.choose(kind, "A valve amplifier has taps, each for one load, and must not run without one; a solid-state one has a lowest load.", []string{"valve, with taps", "solid-state, with a lowest load"}, 0) == 0 {
		taps := g.ask("Taps of the amplifier in ohm", "The loads that are marked at a valve amplifier's output jacks or selector.", "4,8,16", false, g.Taps)
		g.amplifier = []string{"--tap", taps}
	} else {
		least := g.ask("Its lowest load in ohm", "What its maker allows at least, which is marked at its output; of a bridged one that for bridged use.", "4", false, g.above0(quantity.Ohm))
		g.amplifier = []string{"--amp", "solid-state", "--amp-min-ohm", least}
	}
	watts := g.ask("Its rated power in watts", "As its maker marks it; with it the page says who gets how much.", "", true, g.above0(quantity.Watt))
	g.amplifier = append(g.amplifier, flag("--watts", watts)...)
	return g.amplifier
}

func (g *guide) findHookup() {
	loads := g.cabinets()
	amplifier := g.askAmplifier(len(loads) == 0)
	g.do(slices.Concat([]string{"plan"}, loads, amplifier)...)
	g.next("Next: the boxes of the hookup that you choose, number 4 of the menu.")
}

func (g *guide) drawBox() {
	loads := g.cabinets()
	formula := g.ask("Hookup", "+ is in series and || in parallel; || binds tighter, brackets go first: (a + b) || (c + d).", "", false, isFormula)
	path := g.place("File for the sheet", "box.pdf", ".pdf", ".html")
	g.do(slices.Concat([]string{"box", "sheet", formula}, loads, []string{"-o", path})...)
	g.next("Next: build it, check it with a meter, and prove it, number 5 of the menu.", path)
}

func isFormula(s string) error {
	if _, err := hookup.Parse(s); err != nil {
		return fmt.Errorf("is no hookup: %w", err)
	}
	return nil
}

func (g *guide) proveBox() {
	g.say("Measure each cabinet alone first, then all through the box, at the plug that goes to the amplifier; unplug the box from the amplifier for that.")
	args := []string{"box", "verify"}
	var used []string
	if !isFile(job.FileName) {
		for {
			path := g.askRecord(fmt.Sprintf("Cabinet %c alone?", 'a'+len(used)), 0, used...)
			used, args = append(used, path), append(args, "--cab", path)
			if len(used) < 2 {
				continue
			}
			if !g.agree("Another cabinet?", "All that were plugged into the box.", false) {
				break
			}
		}
		formula := g.ask("Hookup", "Of the cabinets a, b, c as they were named; left out, all are in series.", "", true, isFormula)
		args = append(args, flag("--hookup", formula)...)
	}
	seen := g.askRecord("And through the box?", 1, used...)
	g.do(append(args, "--seen", seen)...)
}

func (g *guide) compareDriver() {
	before := g.askRecord("Before the work?", 2)
	after := g.askRecord("After the work?", 1, before)
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
	g.next("Next: open it; its first page is for the customer.", "report.html", "report.pdf")
}
