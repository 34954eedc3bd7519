// Package demo does a whole invented job on the virtual bench.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"tapload/cmd/tapload/internal/files"
	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/job"
	"tapload/measure/oneline"
	"tapload/measure/record"
)

// Reference is that of the demonstration's job, by which its folder is known.
const Reference = "LANTERN-1 (invented)"

// Run runs a command line of the program in the current folder and returns its
// exit code.
type Run func(ctx context.Context, args []string, stdout, stderr io.Writer) (code int)

// Write puts files, by their paths, all or none.
type Write func(files map[string][]byte) error

// step is a part of the demonstration: what it is about, and the commands
// that do it.
type step struct {
	about    string
	commands []command
}

type command struct {
	args    []string
	code    int      // that it must end with
	answers bool     // the first paragraph of its page is shown
	shows   []string // how other paragraphs begin that are shown
}

// Do does the job in a folder, which it makes, and shows every command on w. Any
// folder but an earlier demonstration's that holds something is left alone. program
// is what is typed for tapload in the terminal.
func Do(ctx context.Context, w io.Writer, folder, program string, run Run, write Write) (err error) {
	if err := clearFolder(folder); err != nil {
		return err
	}
	put := map[string][]byte{}
	for name, text := range Benches() {
		path := filepath.Join(folder, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			return fmt.Errorf("cannot make the folder %s: %w", filepath.Dir(path), files.Plain(err))
		}
		put[path] = []byte(text)
	}
	if err := write(put); err != nil {
		return err
	}
	// The commands run as they are shown, from inside the folder.
	home, err := os.Getwd()
	if err != nil {
		return fmt.Errorf("cannot tell the current folder: %w", err)
	}
	if err := os.Chdir(folder); err != nil {
		return fmt.Errorf("cannot use the folder %s: %w", folder, files.Plain(err))
	}
	defer func() { err = errors.Join(err, os.Chdir(home)) }()

	p := page{w: w}
	p.words("The Lantern Hall, a small dance hall by a river, wants to run three cabinets from its valve amplifier of 50 W with taps of 4, 8 and 16 ohm. The one by the dance floor has no label; those of the stage and the balcony say 16 ohm, and the stage's driver is back from being reconed. All of this is invented, and measured on a virtual bench.")
	p.line("")
	p.line(oneline.Harmless("$ cd " + screen.Word(folder)))
	all := steps()
	for i, s := range all {
		p.line("")
		p.words(fmt.Sprintf("STEP %d OF %d. %s", i+1, len(all), s.about))
		for _, c := range s.commands {
			if err := c.do(ctx, run, &p); err != nil {
				return err
			}
		}
	}
	p.line("")
	p.line("Open these:")
	for _, f := range []struct{ name, what string }{
		{"report.html", "the job sheet: a page for the customer, and the bench record"},
		{"report.pdf", "the same, to print"},
		{"invented-boxes.pdf", "how to build the boxes, and what a meter must read"},
		{"invented-load.png", "the three cabinets together against the taps"},
		{"invented-proof.png", "what was measured through the wrong box"},
		{"invented-recone.png", "the driver before and after its cone was too heavy"},
		{job.FileName, "the job, to be edited by hand"},
	} {
		name := filepath.Join(folder, f.name)
		p.line("  " + oneline.Harmless(name))
		p.line("      " + f.what)
	}
	p.line("")
	p.words("To play on: go into " + folder + ", change a load in " + filepath.Join("bench", "dance.toml") + " and sweep it again as above; \"" + program + " report\" then says what else that changes. \"" + program + " job status\" lists what the job has, and \"" + program + "\" alone asks what is to be done.")
	return p.err
}

// do shows the command as it would be typed, runs it, and shows part of what it
// printed, and its warnings.
func (c command) do(ctx context.Context, run Run, p *page) error {
	for _, line := range screen.Command("$ ", c.args) {
		p.line(line)
	}
	var out, log strings.Builder
	if code := run(ctx, c.args, &out, &log); code != c.code {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return fmt.Errorf("\"tapload %s\" exited with %d, and the demonstration needs %d: %s", strings.Join(c.args, " "), code, c.code, strings.TrimSpace(log.String()))
	}
	for i, paragraph := range strings.Split(out.String(), "\n\n") {
		if i == 0 && c.answers || slices.ContainsFunc(c.shows, func(begin string) bool { return strings.HasPrefix(paragraph, begin) }) {
			p.line(strings.TrimSpace(paragraph))
		}
	}
	shows := false
	for line := range strings.Lines(log.String()) {
		if shows = strings.HasPrefix(line, "warning: ") || shows && strings.HasPrefix(line, "  "); shows {
			p.line(strings.TrimRight(line, "\n"))
		}
	}
	return p.err
}

// clearFolder takes away the job and the calibration of an earlier demonstration,
// so that new ones can be made in their place, and refuses any other folder that
// holds something.
func clearFolder(folder string) error {
	entries, err := os.ReadDir(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("cannot use the folder %s: %w", folder, files.Plain(err))
	case len(entries) == 0:
		return nil
	}
	path := filepath.Join(folder, job.FileName)
	text, err := os.ReadFile(path)
	if err != nil || !strings.Contains(string(text), fmt.Sprintf("reference = %q", Reference)) {
		return fmt.Errorf("the folder %s holds something that is no demonstration; name another with -o", folder)
	}
	return errors.Join(remove(path), remove(filepath.Join(folder, "jig.json")))
}

func steps() []step {
	bench := func(name string) string { return filepath.Join("bench", name+".toml") }
	file := func(name string) string { return name + record.Suffix }
	sweep := func(name, label string) command {
		return command{args: []string{"sweep", "--bench", bench(name), "--jig", "jig.json", "--label", label + " (invented)", "-o", file(name), "--force"}}
	}
	const formula, series = "(dance + stage) || balcony", "dance + stage"
	return []step{
		{"A folder for the job.", []command{
			{args: []string{"job", "new", ".", "--reference", Reference, "--asked", "Run our three cabinets from the house amplifier",
				"--amp-name", "house amplifier (invented)", "--tap", "4,8,16", "--watts", "50"}},
		}},
		{"The jig is calibrated with an open, a short and a known resistor, and proved with another resistor.", []command{
			{args: []string{"jig", "open", "-o", "jig.json", "--bench", bench("jig")}},
			{args: []string{"jig", "short", "-o", "jig.json", "--bench", bench("jig")}},
			{args: []string{"jig", "known", "-o", "jig.json", "--bench", bench("jig"), "--ohm", "10", "--tolerance", "0.1%"}},
			{args: []string{"jig", "prove", "jig.json", "--bench", bench("resistor"), "--ohm", "22", "--tolerance", "0.5%"}, answers: true},
			{args: []string{"job", "add", "jig", "jig.json"}},
		}},
		{"Is the stage's reconed driver what it was, before it goes back into its cabinet? At first it is not, and the work is done again.", []command{
			sweep("driver-before", "stage driver"), sweep("driver-heavy", "stage driver, first try"),
			{args: []string{"compare", file("driver-before"), file("driver-heavy"), "-o", "invented-recone.png"}, code: failed, answers: true, shows: []string{"what would explain"}},
			sweep("driver-after", "stage driver, second try"),
			{args: []string{"compare", file("driver-before"), file("driver-after")}, answers: true},
			{args: []string{"job", "add", "driver", "stage", "--before", file("driver-before"), "--after", file("driver-after"), "--note", "the first cone was too heavy, and was taken out again"}},
		}},
		{"The three cabinets are measured: 12 seconds of chirp each, through a resistor of 10 ohm.", []command{
			sweep("dance", "dance"), sweep("stage", "stage"), sweep("balcony", "balcony"),
			{args: []string{"job", "add", "cabinet", "dance", "--record", file("dance"), "--watts", "60", "--note", "no label at all"}},
			{args: []string{"job", "add", "cabinet", "stage", "--record", file("stage"), "--watts", "50", "--marked-ohm", "16", "--drivers", "1"}},
			{args: []string{"job", "add", "cabinet", "balcony", "--record", file("balcony"), "--watts", "100", "--marked-ohm", "16"}},
		}},
		{"What are they?", []command{
			{args: []string{"fit", file("dance"), "--plot", "invented-dance.png"}, answers: true},
			{args: []string{"fit", file("stage"), "--marked-ohm", "16", "--drivers", "1"}, answers: true},
			{args: []string{"fit", file("balcony"), "--marked-ohm", "16"}, answers: true},
		}},
		{"Which hookup suits the taps?", []command{
			{args: []string{"plan"}, answers: true, shows: []string{"1. "}},
			{args: []string{"job", "add", "hookup", formula, "--tap", "8", "--why", "it matches a tap, and each cabinet gets what it can take"}},
			{args: []string{"hookup", formula, "-o", "invented-load.png"}, answers: true},
		}},
		{"The boxes: how to build them, and what a meter must read.", []command{
			{args: []string{"box", "sheet", formula, "-o", "invented-boxes.pdf"}, answers: true},
		}},
		{"Are the finished boxes right? At first the sleeves of the series box touch its metal chassis.", []command{
			sweep("box-wrong", "series box, first try"),
			{args: []string{"box", "verify", "--hookup", series, "--seen", file("box-wrong"), "-o", "invented-proof.png"}, code: failed, answers: true},
			{args: []string{"job", "add", "proof", "series box, first try", "--hookup", series, "--seen", file("box-wrong"), "--note", "the jacks were not insulated from the chassis"}},
			sweep("box-right", "series box, second try"),
			{args: []string{"box", "verify", "--hookup", series, "--seen", file("box-right")}, answers: true},
			{args: []string{"job", "add", "proof", "series box, second try", "--hookup", series, "--seen", file("box-right")}},
			sweep("box-both", "both boxes"),
			{args: []string{"box", "verify", "--hookup", formula, "--seen", file("box-both")}, answers: true},
			{args: []string{"job", "add", "proof", "both boxes", "--seen", file("box-both")}},
		}},
		{"The job sheet.", []command{{args: []string{"report"}, answers: true}}},
	}
}

// failed is the exit code of a test that failed.
const failed = 3

func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// page writes lines and keeps the first error.
type page struct {
	w   io.Writer
	err error
}

func (p *page) line(s string) {
	if p.err == nil {
		_, p.err = fmt.Fprintln(p.w, s)
	}
}

func (p *page) words(s string) { p.line(screen.Fold(oneline.Harmless(s), screen.Columns)) }
