// Package guide leads somebody who does not live in a terminal through the jobs,
// line by line: it asks, shows the command that does it, and runs that.
package guide

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/job"
	"tapload/measure/infile"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
	"tapload/measure/record"
)

// World is what a guide works in.
type World struct {
	In  io.Reader
	Out io.Writer

	// Run runs a command line of the program, which prints for itself, and reports
	// whether it ended well.
	Run func(ctx context.Context, args []string) bool

	// Cards are the sound cards that can measure, the best first.
	Cards func() ([]Card, error)

	// Bench makes a bench with an invented cabinet and returns its file.
	Bench func() (string, error)

	// Kept says what the setup has of a bench, "" where it has none to measure
	// with; live tells a sound card from a virtual bench.
	Kept func() (words string, live bool, err error)

	// What flags and arguments take: an error says what is wrong with it, as
	// "must be ...", or asks back. Load returns the name of a load.
	Number  func(s string, unit quantity.Unit) error
	Percent func(s string) error
	Taps    func(s string) error
	Load    func(s string) (name string, err error)

	// Exchanged says what tells that two records are the wrong way round, or "".
	Exchanged func(before, after string) string
}

// Card is a sound card to choose: its name, and what it is in a few words.
type Card struct{ Name, What string }

type guide struct {
	World
	ctx   context.Context
	lines <-chan string // typed; closed at the end of the input

	answers map[string]string // of the job that is asked, or did not end well: they are proposed again
	ended   bool              // the last command ended well

	// What was given before is proposed to the next job.
	loads     []string
	amplifier []string
}

// errLeft ends a guide, or the job that it is in.
var errLeft = errors.New("left")

// stop leaves a job with err where that is one, from however deep in its
// questions, so that a job reads as what it asks. attempt catches it.
func stop(err error) {
	if err != nil {
		panic(stopped{err})
	}
}

type stopped struct{ err error }

// attempt does a job, and returns with what it was stopped.
func (g *guide) attempt(do func(*guide)) (err error) {
	defer func() {
		switch r := recover().(type) {
		case nil:
		case stopped:
			err = r.err
		default:
			panic(r)
		}
	}()
	do(g)
	return nil
}

// Run shows the menu until it is left or ctx is done.
func Run(ctx context.Context, w World) error {
	lines := make(chan string)
	go func() {
		defer close(lines)
		in := bufio.NewScanner(w.In)
		for in.Scan() {
			select {
			case lines <- in.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return (&guide{World: w, ctx: ctx, lines: lines, answers: map[string]string{}}).run()
}

// guidedJob is what the menu offers.
type guidedJob struct {
	title string
	do    func(*guide)
}

func guidedJobs() []guidedJob {
	return []guidedJob{
		{"Measure a cabinet or a driver", (*guide).measure},
		{"Say what a measured load is", (*guide).identify},
		{"Find the hookup that suits an amplifier", (*guide).findHookup},
		{"Draw a jumper box to build", (*guide).drawBox},
		{"Prove a finished box", (*guide).proveBox},
		{"Compare a driver before and after reconing", (*guide).compareDriver},
	}
}

func (g *guide) run() error {
	g.say("tapload measures what loudspeaker cabinets really are, and finds how to run them from an amplifier. Type a number and Enter; ? explains, q goes back. Everything here can be typed as a command too.")
	after := false // an answer stands on the screen, which the menu would push off it
	for {
		jobs := guidedJobs()
		if isFile(job.FileName) {
			jobs = append(jobs, guidedJob{"Write the job sheet of this folder", (*guide).writeReport})
		}
		var titles []string
		for _, j := range jobs {
			titles = append(titles, j.title)
		}
		chosen := -1
		err := g.attempt(func(g *guide) {
			if after {
				chosen = g.number("What next? A number, or Enter for the menu", menuHelp, "", true, len(jobs))
			}
			if chosen < 0 {
				chosen = g.choose("What is to be done?", menuHelp, titles, -1)
			}
			g.ended = false
			jobs[chosen].do(g)
		})
		after = err == nil
		if g.ended && err == nil {
			clear(g.answers)
		}
		switch {
		case errors.Is(err, errLeft) && chosen < 0:
			return nil
		case err != nil && !errors.Is(err, errLeft):
			return err
		}
	}
}

func (g *guide) say(text string) {
	fmt.Fprintf(g.Out, "%s\n", oneline.HarmlessText([]byte(screen.Fold(text, screen.Columns))))
}

// read returns what is typed next; q leaves.
func (g *guide) read(prompt string) (typed string) {
	fmt.Fprintf(g.Out, "%s", oneline.HarmlessText([]byte(prompt)))
	select {
	case line, ok := <-g.lines:
		if !ok {
			fmt.Fprintln(g.Out)
			stop(errLeft)
		}
		typed = strings.TrimSpace(line)
	case <-g.ctx.Done():
		stop(g.ctx.Err())
	}
	if typed == "q" {
		stop(errLeft)
	}
	return typed
}

// ask returns an answer that check likes, and proposes it again when the job did
// not end well; an empty one is the default, and where there is none and it is
// not optional, asked again.
func (g *guide) ask(question, help, byDefault string, optional bool, check func(string) error) string {
	answer := g.once(question, help, cmp.Or(g.answers[question], byDefault), optional, check)
	g.answers[question] = answer
	return answer
}

// leftOut is typed for nothing where something is proposed.
const leftOut = "-"

// once is ask without a memory.
func (g *guide) once(question, help, byDefault string, optional bool, check func(string) error) string {
	prompt := question
	switch {
	case byDefault != "" && optional:
		prompt += " [" + byDefault + "; " + leftOut + " for none]"
	case byDefault != "":
		prompt += " [" + byDefault + "]"
	case optional && !strings.Contains(question, "Enter"): // which says so itself
		prompt += " [leave out]"
	}
	if !strings.HasSuffix(prompt, "?") {
		prompt += ":"
	}
	for {
		answer := cmp.Or(g.read(prompt+" "), byDefault)
		switch {
		case answer == "?":
			g.say(help)
			continue
		case optional && (answer == "" || answer == leftOut):
			return ""
		case answer == "":
			g.say("An answer is needed here; ? explains it, q goes back.")
			continue
		}
		if err := check(answer); err != nil {
			g.say(refusal(answer, err.Error()))
			continue
		}
		return answer
	}
}

// refusal is a sentence of an error that has one already, or that lacks its
// beginning.
func refusal(answer, fault string) string {
	if strings.HasSuffix(fault, "?") {
		return answer + ": " + fault
	}
	return "That " + fault + "."
}

// choose returns which of the options was chosen; byDefault is one, or -1. What
// was chosen before goes first where the job did not end well.
func (g *guide) choose(question, help string, options []string, byDefault int) (chosen int) {
	fmt.Fprintln(g.Out)
	for i, o := range options {
		fmt.Fprintf(g.Out, "  %d  %s\n", i+1, oneline.Harmless(o))
	}
	if i := slices.Index(options, g.answers[question]); i >= 0 && byDefault >= 0 {
		byDefault = i
	}
	first := ""
	if byDefault >= 0 {
		first = strconv.Itoa(byDefault + 1)
	}
	chosen = g.number(question, help, first, false, len(options))
	g.answers[question] = options[chosen]
	return chosen
}

// number asks for one from 1 to most and returns it counted from 0, or -1 where it
// is left out.
func (g *guide) number(question, help, byDefault string, optional bool, most int) (n int) {
	g.once(question, help, byDefault, optional, func(s string) (err error) {
		if n, err = strconv.Atoi(s); err != nil || n < 1 || n > most {
			return fmt.Errorf("must be a number from 1 to %d", most)
		}
		return nil
	})
	return n - 1
}

const menuHelp = "Each job asks for what it needs and shows the command that does it."

// agree asks a question of yes or no.
func (g *guide) agree(question, help string, byDefault bool) bool {
	first := "no"
	if byDefault {
		first = "yes"
	}
	answer := g.once(question, help, first, false, func(s string) error {
		if s = strings.ToLower(s); s != "yes" && s != "no" && s != "y" && s != "n" {
			return errors.New("must be yes or no")
		}
		return nil
	})
	return strings.HasPrefix(strings.ToLower(answer), "y")
}

// place asks for a file to write, and before it replaces one.
func (g *guide) place(question, byDefault string, endings ...string) string {
	for {
		path := g.once(question, "A file in this folder, or with its path. Its ending says what it is: "+quantity.List(endings)+".", byDefault, false, func(s string) error {
			if !slices.ContainsFunc(endings, func(e string) bool { return strings.HasSuffix(s, e) }) {
				return fmt.Errorf("must end in %s", quantity.List(endings))
			}
			return nil
		})
		if !isFile(path) || g.agree(path+" is there already; replace it?", "A record that is replaced is kept with a ~ behind its name; a picture or a sheet is not.", false) {
			return path
		}
	}
}

// taken is a record of this folder, and when it was measured.
type taken struct {
	file string
	at   time.Time
}

func (t taken) String() string {
	return fmt.Sprintf("%-32s %s", t.file, t.at.Local().Format("2 Jan 2006, 15:04"))
}

// records are those of this folder, the earliest first. What cannot be read is
// none.
func records() (all []taken) {
	found, err := filepath.Glob("*" + record.Suffix)
	stop(err)
	for _, file := range found {
		if text, err := infile.Open(file); err == nil {
			if r, err := record.Read(text); err == nil {
				all = append(all, taken{file, r.Taken})
			}
			stop(text.Close())
		}
	}
	slices.SortStableFunc(all, func(a, b taken) int { return a.at.Compare(b.at) })
	return all
}

// askRecord asks for a record of this folder, or of another; ago 1 proposes the
// latest, 2 the one before that, and 0 the earliest.
func (g *guide) askRecord(question string, ago int, not ...string) string {
	found := slices.DeleteFunc(records(), func(t taken) bool { return slices.Contains(not, t.file) })
	const help = "A record is what a measurement leaves, a file that ends in " + record.Suffix + "."
	if len(found) > 0 {
		var options []string
		for _, t := range found {
			options = append(options, t.String())
		}
		first := max(0, len(found)-ago)
		if ago == 0 {
			first = 0
		}
		if i := g.choose(question, help, append(options, "another file"), first); i < len(found) {
			return found[i].file
		}
	}
	return g.ask("File of the record", help, "", false, func(s string) error {
		if !isFile(s) {
			return errors.New("is no file here; measure first, which is number 1 of the menu")
		}
		return nil
	})
}

// do shows a command, runs it, and reports whether it ended well.
func (g *guide) do(args ...string) bool {
	fmt.Fprintln(g.Out, "\nThe command for this:")
	for _, line := range screen.Command("  ", args) {
		fmt.Fprintln(g.Out, oneline.Harmless(line))
	}
	fmt.Fprintln(g.Out)
	g.ended = g.Run(g.ctx, args)
	return g.ended
}

// next says what was written and where things go on, after a command that ended
// well.
func (g *guide) next(where string, written ...string) {
	if !g.ended {
		g.say("To change an answer choose the same number again: yours are proposed.")
		return
	}
	if len(written) > 0 {
		where = "Written: " + quantity.List(written) + ". " + where
	}
	g.say(where)
}

// pause waits for Enter, so that something can be connected.
func (g *guide) pause(text string) {
	g.say(text)
	g.read("Enter goes on: ")
}

// flag returns a flag and its value, or nothing where there is no value.
func flag(name, value string) []string {
	if value == "" {
		return nil
	}
	return []string{name, value}
}

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
}
