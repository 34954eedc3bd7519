package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"tapload/fixtures/job"
)

// demoReference is that of the demonstration's job, by which its folder is known.
const demoReference = "LANTERN-1 (invented)"

func newDemo(e env) *cobra.Command {
	folder := "demo"
	c := &cobra.Command{
		Use:   "demo",
		Short: "Do a whole invented job on the virtual bench",
		Long: `Do a whole job on the virtual bench, without any hardware: calibrate the jig,
compare a reconed driver, measure three cabinets of which one has no label and
one a wrong one, find their hookup, draw the boxes, prove a wrong one and the
right ones, and write the report. Hall, amplifier and cabinets are invented.

It leaves the job's folder, with the benches to play on. Files that an earlier
demonstration left there are replaced; any other folder that holds something is
left alone.`,
		Example: "  tapload demo",
		Args:    noArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return demo(c.Context(), e, folder) },
	}
	c.Flags().StringVarP(&folder, "output", "o", folder, "`folder` for the files")
	return c
}

// demoStep is a part of the demonstration: what it is about, and the commands
// that do it.
type demoStep struct {
	about    string
	commands []demoCommand
}

type demoCommand struct {
	args  []string
	code  int      // that it must end with
	shows []string // how those paragraphs of its page begin that are shown
}

func demo(ctx context.Context, e env, folder string) (err error) {
	if err := clearDemo(folder); err != nil {
		return err
	}
	var files []file
	benches := demoBenches()
	for _, name := range slices.Sorted(maps.Keys(benches)) {
		path := filepath.Join(folder, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			return fmt.Errorf("cannot make the folder %s: %w", filepath.Dir(path), plainPath(err))
		}
		files = append(files, whole(path, []byte(benches[name])))
	}
	if err := writeFiles(files...); err != nil {
		return err
	}
	// The commands run as they are shown, from inside the folder.
	home, err := os.Getwd()
	if err != nil {
		return fmt.Errorf("cannot tell the current folder: %w", err)
	}
	if err := os.Chdir(folder); err != nil {
		return fmt.Errorf("cannot use the folder %s: %w", folder, plainPath(err))
	}
	defer func() { err = errors.Join(err, os.Chdir(home)) }()

	p := page{w: e.stdout}
	p.words("The Lantern Hall, a small dance hall by a river, wants to run three cabinets from its valve amplifier of 50 W with taps of 4, 8 and 16 ohm. The one by the dance floor has no label; those of the stage and the balcony say 16 ohm, and the stage's driver is back from being reconed. All of this is invented, and measured on a virtual bench.")
	p.line("")
	p.line("$ cd " + shellWord(folder))
	steps := demoSteps()
	for i, s := range steps {
		p.line("")
		p.words(fmt.Sprintf("STEP %d OF %d. %s", i+1, len(steps), s.about))
		for _, c := range s.commands {
			if err := c.do(ctx, e, &p); err != nil {
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
		p.line("  " + name)
		p.line("      " + f.what)
	}
	p.line("")
	p.words("To play on: go into " + folder + ", change a load in " + filepath.Join("bench", "dance.toml") + " and sweep it again as above; \"tapload report\" then says what else that changes. \"tapload job status\" lists what the job has, and \"tapload\" alone asks what is to be done.")
	return p.err
}

// do shows the command as it would be typed, runs it, and shows part of what it
// printed, and its warnings.
func (c demoCommand) do(ctx context.Context, e env, p *page) error {
	for _, line := range typed(c.args) {
		p.line(line)
	}
	var out, log strings.Builder
	own := e
	own.stdout, own.stderr, own.columns = &out, &log, 0
	if code := run(ctx, c.args, own); code != c.code {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return fmt.Errorf("\"tapload %s\" ended with %d, and the demonstration needs %d: %s", strings.Join(c.args, " "), code, c.code, strings.TrimSpace(log.String()))
	}
	for paragraph := range strings.SplitSeq(out.String(), "\n\n") {
		if slices.ContainsFunc(c.shows, func(begin string) bool { return strings.HasPrefix(paragraph, begin) }) {
			p.line(fold(strings.TrimSpace(paragraph), pageColumns))
		}
	}
	for line := range strings.Lines(log.String()) {
		if strings.HasPrefix(line, "warning: ") {
			p.line(fold(strings.TrimSpace(line), pageColumns))
		}
	}
	return p.err
}

// typed is a command line for a shell, continued where it is wider than a page.
func typed(args []string) []string {
	lines := []string{"$ tapload"}
	for i := 0; i < len(args); i++ {
		piece := shellWord(args[i])
		if strings.HasPrefix(piece, "-") && i+1 < len(args) && !strings.HasPrefix(args[i+1], "-") {
			i++ // a flag stays with its value
			piece += " " + shellWord(args[i])
		}
		last := &lines[len(lines)-1]
		if line := *last + " " + piece; len([]rune(line+" "+shellGoesOn())) <= pageColumns {
			*last = line
			continue
		}
		*last += " " + shellGoesOn()
		lines = append(lines, "    "+piece)
	}
	return lines
}

// clearDemo takes away the job and the calibration of an earlier demonstration,
// so that new ones can be made in their place, and refuses any other folder that
// holds something.
func clearDemo(folder string) error {
	entries, err := os.ReadDir(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("cannot use the folder %s: %w", folder, plainPath(err))
	case len(entries) == 0:
		return nil
	}
	path := filepath.Join(folder, job.FileName)
	text, err := os.ReadFile(path)
	if err != nil || !strings.Contains(string(text), fmt.Sprintf("reference = %q", demoReference)) {
		return fmt.Errorf("the folder %s holds something that is no demonstration; name another with -o", folder)
	}
	return errors.Join(removeIfThere(path), removeIfThere(filepath.Join(folder, "jig.json")))
}

func demoSteps() []demoStep {
	bench := func(name string) string { return filepath.Join("bench", name+".toml") }
	record := func(name string) string { return name + recordSuffix }
	sweep := func(name, label string) demoCommand {
		return demoCommand{args: []string{"sweep", "--bench", bench(name), "--jig", "jig.json", "--label", label + " (invented)", "-o", record(name), "--force"}}
	}
	const formula, series = "(dance + stage) || balcony", "dance + stage"
	return []demoStep{
		{"A folder for the job.", []demoCommand{
			{args: []string{"job", "new", ".", "--reference", demoReference, "--asked", "Run our three cabinets from the house amplifier",
				"--amp-name", "house amplifier (invented)", "--tap", "4,8,16", "--watts", "50"}},
		}},
		{"The jig is calibrated with an open, a short and a known resistor, and proved with another resistor.", []demoCommand{
			{args: []string{"jig", "open", "-o", "jig.json", "--bench", bench("jig")}},
			{args: []string{"jig", "short", "-o", "jig.json", "--bench", bench("jig")}},
			{args: []string{"jig", "known", "-o", "jig.json", "--bench", bench("jig"), "--ohm", "10", "--tolerance", "0.1%"}},
			{args: []string{"jig", "prove", "jig.json", "--bench", bench("resistor"), "--ohm", "22", "--tolerance", "0.5%"}, shows: []string{"Pass"}},
			{args: []string{"job", "add", "jig", "jig.json"}},
		}},
		{"Is the stage's reconed driver what it was, before it goes back into its cabinet? At first it is not, and the work is done again.", []demoCommand{
			sweep("driver-before", "stage driver"), sweep("driver-heavy", "stage driver, first try"),
			{args: []string{"compare", record("driver-before"), record("driver-heavy"), "-o", "invented-recone.png"}, code: exitFail, shows: []string{"Fail", "what would explain"}},
			sweep("driver-after", "stage driver, second try"),
			{args: []string{"compare", record("driver-before"), record("driver-after")}, shows: []string{"Pass"}},
			{args: []string{"job", "add", "driver", "stage", "--before", record("driver-before"), "--after", record("driver-after"), "--note", "the first cone was too heavy, and was taken out again"}},
		}},
		{"The three cabinets are measured: 12 seconds of chirp each, through a resistor of 10 ohm.", []demoCommand{
			sweep("dance", "dance"), sweep("stage", "stage"), sweep("balcony", "balcony"),
			{args: []string{"job", "add", "cabinet", "dance", "--record", record("dance"), "--watts", "60", "--note", "no label at all"}},
			{args: []string{"job", "add", "cabinet", "stage", "--record", record("stage"), "--watts", "50", "--note", "one driver; its label says 16 ohm"}},
			{args: []string{"job", "add", "cabinet", "balcony", "--record", record("balcony"), "--watts", "100", "--note", "its label says 16 ohm"}},
		}},
		{"What are they?", []demoCommand{
			{args: []string{"fit", record("dance"), "--plot", "invented-dance.png"}, shows: []string{"dance"}},
			{args: []string{"fit", record("stage"), "--marked-ohm", "16", "--drivers", "1"}, shows: []string{"stage"}},
			{args: []string{"fit", record("balcony"), "--marked-ohm", "16"}, shows: []string{"balcony"}},
		}},
		{"Which hookup suits the taps?", []demoCommand{
			{args: []string{"plan"}, shows: []string{"8 hookups", "1. "}},
			{args: []string{"job", "add", "hookup", formula, "--tap", "8", "--why", "it matches a tap, and each cabinet gets what it can take"}},
			{args: []string{"hookup", formula, "-o", "invented-load.png"}, shows: []string{formula}},
		}},
		{"The boxes: how to build them, and what a meter must read.", []demoCommand{
			{args: []string{"box", "sheet", formula, "-o", "invented-boxes.pdf"}, shows: []string{"Build sheet"}},
		}},
		{"Are the finished boxes right? At first the sleeves of the series box touch its metal chassis.", []demoCommand{
			sweep("box-wrong", "series box, first try"),
			{args: []string{"box", "verify", "--hookup", series, "--seen", record("box-wrong"), "-o", "invented-proof.png"}, code: exitFail, shows: []string{"Wrong"}},
			{args: []string{"job", "add", "proof", "series box, first try", "--hookup", series, "--seen", record("box-wrong"), "--note", "the jacks were not insulated from the chassis"}},
			sweep("box-right", "series box, second try"),
			{args: []string{"box", "verify", "--hookup", series, "--seen", record("box-right")}, shows: []string{"Right"}},
			{args: []string{"job", "add", "proof", "series box, second try", "--hookup", series, "--seen", record("box-right")}},
			sweep("box-both", "both boxes"),
			{args: []string{"box", "verify", "--hookup", formula, "--seen", record("box-both")}, shows: []string{"Right"}},
			{args: []string{"job", "add", "proof", "both boxes", "--seen", record("box-both")}},
		}},
		{"The job sheet.", []demoCommand{{args: []string{"report"}, shows: []string{"Chosen"}}}},
	}
}
