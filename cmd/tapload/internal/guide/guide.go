// Package guide leads somebody who does not live in a terminal through the jobs,
// line by line: it asks, shows the command that does it, and runs that.
package guide

import (
	"bufio"
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
	do    func(*guide) error
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
		i, err := g.choose("What is to be done?", "Each of these asks for what it needs and shows the command that does it.", titles, -1)
		if errors.Is(err, errLeft) {
			return nil
		}
		if err == nil {
			err = jobs[i].do(g)
		}
		if err != nil && !errors.Is(err, errLeft) {
			return err
		}
	}
}

func (g *guide) say(text string) { fmt.Fprintln(g.Out, screen.Fold(text, screen.Columns)) }

// read returns what is typed next.
func (g *guide) read(prompt string) (string, error) {
	fmt.Fprint(g.Out, prompt)
	select {
	case line, ok := <-g.lines:
		if !ok {
			fmt.Fprintln(g.Out)
			return "", errLeft
		}
		return strings.TrimSpace(line), nil
	case <-g.ctx.Done():
		return "", g.ctx.Err()
	}
}

// ask returns an answer that check likes; an empty one is the default, and
// where there is none and it is not optional, asked again.
func (g *guide) ask(question, help, byDefault string, optional bool, check func(string) error) (string, error) {
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
		answer, err := g.read(prompt + " ")
		switch {
		case err != nil:
			return "", err
		case answer == "q":
			return "", errLeft
		case answer == "?":
			g.say(help)
			continue
		case answer == "":
			answer = byDefault
		}
		if answer == "" {
			if optional {
				return "", nil
			}
			g.say("An answer is needed here; ? explains it, q goes back.")
			continue
		}
		if err := check(answer); err != nil {
			g.say("That " + err.Error() + ".")
			continue
		}
		return answer, nil
	}
}

// choose returns which of the options was chosen; byDefault is one, or -1.
func (g *guide) choose(question, help string, options []string, byDefault int) (int, error) {
	fmt.Fprintln(g.Out)
	for i, o := range options {
		fmt.Fprintf(g.Out, "  %d  %s\n", i+1, o)
	}
	first := ""
	if byDefault >= 0 {
		first = strconv.Itoa(byDefault + 1)
	}
	answer, err := g.ask(question, help, first, false, func(s string) error {
		if n, err := strconv.Atoi(s); err != nil || n < 1 || n > len(options) {
			return fmt.Errorf("must be a number from 1 to %d", len(options))
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	n, err := strconv.Atoi(answer)
	return n - 1, err
}

// agree asks a question of yes or no.
func (g *guide) agree(question, help string, byDefault bool) (bool, error) {
	first := "no"
	if byDefault {
		first = "yes"
	}
	answer, err := g.ask(question, help, first, false, func(s string) error {
		if s = strings.ToLower(s); s != "yes" && s != "no" && s != "y" && s != "n" {
			return errors.New("must be yes or no")
		}
		return nil
	})
	return strings.HasPrefix(strings.ToLower(answer), "y"), err
}

// place asks for a file to write, and before it replaces one.
func (g *guide) place(question, byDefault string, endings ...string) (string, error) {
	for {
		path, err := g.ask(question, "A file in this folder, or with its path. Its ending says what it is: "+quantity.List(endings)+".", byDefault, false, func(s string) error {
			if !slices.ContainsFunc(endings, func(e string) bool { return strings.HasSuffix(s, e) }) {
				return fmt.Errorf("must end in %s", quantity.List(endings))
			}
			return nil
		})
		if err != nil || !isFile(path) {
			return path, err
		}
		replace, err := g.agree(path+" is there already; replace it?", "A record that is replaced is kept with a ~ behind its name; a picture or a sheet is not.", false)
		if err != nil || replace {
			return path, err
		}
	}
}

// record asks for a record of this folder, or of another.
func (g *guide) askRecord(question string, not ...string) (string, error) {
	found, err := filepath.Glob("*" + record.Suffix)
	if err != nil {
		return "", err
	}
	found = slices.DeleteFunc(found, func(f string) bool { return slices.Contains(not, f) })
	const help = "A record is what a measurement leaves, a file that ends in " + record.Suffix + "."
	if len(found) > 0 {
		options := append(slices.Clone(found), "another file")
		i, err := g.choose(question, help, options, 0)
		if err != nil || i < len(found) {
			return options[i], err
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
func (g *guide) pause(text string) error {
	g.say(text)
	answer, err := g.read("Enter goes on: ")
	if err == nil && answer == "q" {
		err = errLeft
	}
	return err
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
