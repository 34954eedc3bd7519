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

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/job"
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

	// What flags and arguments take: an error says what is wrong with it, as
	// "must be ...".
	Number func(s, unit string) error
	Taps   func(s string) error
	Load   func(s string) error

	// Exchanged says what tells that two records are the wrong way round, or "".
	Exchanged func(before, after string) string
}

// Card is a sound card to choose: its name, and what it is in a few words.
type Card struct{ Name, What string }

type guide struct {
	World
	ctx   context.Context
	lines <-chan string // typed; closed at the end of the input
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
	return (&guide{w, ctx, lines}).run()
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
			chosen = g.choose("What is to be done?", "Each of these asks for what it needs and shows the command that does it.", titles, -1)
			jobs[chosen].do(g)
		})
		switch {
		case errors.Is(err, errLeft) && chosen < 0:
			return nil
		case err != nil && !errors.Is(err, errLeft):
			return err
		}
	}
}

func (g *guide) say(text string) { fmt.Fprintln(g.Out, screen.Fold(text, screen.Columns)) }

// read returns what is typed next; q leaves.
func (g *guide) read(prompt string) (typed string) {
	fmt.Fprint(g.Out, prompt)
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

// ask returns an answer that check likes; an empty one is the default, and
// where there is none and it is not optional, asked again.
func (g *guide) ask(question, help, byDefault string, optional bool, check func(string) error) string {
	prompt := question
	switch {
	case byDefault != "":
		prompt += " [" + byDefault + "]"
	case optional:
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
		case answer == "" && optional:
			return ""
		case answer == "":
			g.say("An answer is needed here; ? explains it, q goes back.")
			continue
		}
		if err := check(answer); err != nil {
			g.say("That " + err.Error() + ".")
			continue
		}
		return answer
	}
}

// choose returns which of the options was chosen; byDefault is one, or -1.
func (g *guide) choose(question, help string, options []string, byDefault int) (chosen int) {
	fmt.Fprintln(g.Out)
	for i, o := range options {
		fmt.Fprintf(g.Out, "  %d  %s\n", i+1, o)
	}
	first := ""
	if byDefault >= 0 {
		first = strconv.Itoa(byDefault + 1)
	}
	g.ask(question, help, first, false, func(s string) (err error) {
		if chosen, err = strconv.Atoi(s); err != nil || chosen < 1 || chosen > len(options) {
			return fmt.Errorf("must be a number from 1 to %d", len(options))
		}
		return nil
	})
	return chosen - 1
}

// agree asks a question of yes or no.
func (g *guide) agree(question, help string, byDefault bool) bool {
	first := "no"
	if byDefault {
		first = "yes"
	}
	answer := g.ask(question, help, first, false, func(s string) error {
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
		path := g.ask(question, "A file in this folder, or with its path. Its ending says what it is: "+quantity.List(endings)+".", byDefault, false, func(s string) error {
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

// records are those of this folder.
func records() []string {
	found, err := filepath.Glob("*" + record.Suffix)
	stop(err)
	return found
}

// askRecord asks for a record of this folder, or of another.
func (g *guide) askRecord(question string, not ...string) string {
	found := slices.DeleteFunc(records(), func(f string) bool { return slices.Contains(not, f) })
	const help = "A record is what a measurement leaves, a file that ends in " + record.Suffix + "."
	if len(found) > 0 {
		options := append(slices.Clone(found), "another file")
		if i := g.choose(question, help, options, 0); i < len(found) {
			return options[i]
		}
	}
	return g.ask("File of the record", help, "", false, func(s string) error {
		if !isFile(s) {
			return fmt.Errorf("is no file here; measure first, which is number 1 of the menu")
		}
		return nil
	})
}

// do shows a command, runs it, and reports whether it ended well.
func (g *guide) do(args ...string) bool {
	fmt.Fprintf(g.Out, "\nThe command for this:\n%s\n\n", strings.Join(screen.Command("  ", args), "\n"))
	return g.Run(g.ctx, args)
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
