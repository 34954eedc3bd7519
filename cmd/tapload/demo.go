package main

import (
	"context"
	"errors"
	"fmt"
	"io"
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
const demoReference = "LANTERN-1"

func newDemo(e env) *cobra.Command {
	folder := "demo"
	c := &cobra.Command{
		Use:   "demo",
		Short: "Do a whole invented job on the virtual bench",
		Long: `Do a whole job on the virtual bench, without any hardware: calibrate the jig,
measure an unmarked cabinet and one with a wrong label, find their hookup, draw
the box, prove a wrong one and the right one, compare a reconed driver, and
write the report. Hall, amplifier and cabinets are invented.

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
	code  int // that it must end with
	lines int // of its page that are shown, folded lines counted
}

func demo(ctx context.Context, e env, folder string) error {
	if err := clearDemo(folder); err != nil {
		return err
	}
	var files []file
	for _, name := range slices.Sorted(maps.Keys(demoBenches())) {
		text := demoBenches()[name]
		path := filepath.Join(folder, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			return fmt.Errorf("cannot make the folder %s: %w", filepath.Dir(path), plainPath(err))
		}
		files = append(files, file{path, true, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }})
	}
	if err := writeFiles(files...); err != nil {
		return err
	}
	p := page{w: e.stdout}
	p.words("The Lantern Hall, a dance hall by a river, wants to run two cabinets from its valve amplifier of 50 W, whose taps are 8 and 16 ohm. One cabinet has no label; the other's says 16 ohm. A driver is back from being reconed. All of this is invented, and measured on a virtual bench.")
	steps := demoSteps(folder)
	for i, s := range steps {
		p.line("")
		p.words(fmt.Sprintf("%d of %d. %s", i+1, len(steps), s.about))
		for _, c := range s.commands {
			if err := c.do(ctx, e, &p); err != nil {
				return err
			}
		}
	}
	in := func(name string) string { return filepath.Join(folder, name) }
	p.line("")
	p.line("Open these:")
	for _, f := range []struct{ name, what string }{
		{"report.html", "the job sheet: a page for the customer, and the bench record"},
		{"report.pdf", "the same, to print"},
		{"box.pdf", "how to build the box, and how to check it"},
		{"load.png", "the combined load against the taps"},
		{"proof.png", "what was measured through the wrong box"},
		{job.FileName, "the job, to be edited by hand"},
	} {
		p.under(20, "  "+in(f.name), "  "+f.what)
	}
	p.words("The invented benches are in " + in("bench") + "; change one, and measure it again.")
	return p.err
}

// do runs the command, shows it as it would be typed, and the begin of what it
// printed.
func (c demoCommand) do(ctx context.Context, e env, p *page) error {
	var words []string
	for _, a := range c.args {
		words = append(words, shellWord(a))
	}
	line := "$ tapload " + strings.Join(words, " ")
	for i, part := range strings.Split(fold(line, pageColumns-4), "\n") {
		if i > 0 {
			part = "    " + strings.TrimSpace(part)
		}
		p.line("  " + part)
	}
	var out, log strings.Builder
	own := e
	own.stdout, own.stderr, own.columns = &out, &log, 0
	if code := run(ctx, c.args, own); code != c.code {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return fmt.Errorf("the step ended with %d instead of %d: %s", code, c.code, strings.TrimSpace(log.String()))
	}
	for i, text := range strings.Split(strings.TrimRight(out.String(), "\n"), "\n") {
		if i == c.lines {
			break
		}
		for _, part := range strings.Split(fold(text, pageColumns-4), "\n") {
			p.line("    " + part)
		}
	}
	return p.err
}

// clearDemo takes away the job and the calibration of an earlier demonstration,
// so that new ones can be made in their place, and refuses any other folder that holds something.
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

func demoSteps(folder string) []demoStep {
	in := func(name string) string { return filepath.Join(folder, name) }
	bench := func(name string) string { return in(filepath.Join("bench", name+".toml")) }
	record := func(name string) string { return in(name + recordSuffix) }
	ofJob := func(args ...string) []string { return append(args, "--job", folder) }
	sweep := func(name, label string) demoCommand {
		return demoCommand{args: []string{"sweep", "--bench", bench(name), "--jig", in("jig.json"), "--label", label, "-o", record(name), "--force"}}
	}
	const formula = "dance + stage"
	return []demoStep{
		{"A folder for the job.", []demoCommand{
			{args: []string{"job", "new", folder, "--reference", demoReference, "--asked", "Run both cabinets of the Lantern Hall (invented) from one amplifier",
				"--amp-name", "house amplifier (invented)", "--tap", "8,16", "--watts", "50"}},
		}},
		{"The jig is calibrated with an open, a short and a known resistor, and proved with another.", []demoCommand{
			{args: []string{"jig", "open", "-o", in("jig.json"), "--bench", bench("jig")}},
			{args: []string{"jig", "short", "-o", in("jig.json"), "--bench", bench("jig")}},
			{args: []string{"jig", "known", "-o", in("jig.json"), "--bench", bench("jig"), "--ohm", "10", "--tolerance", "0.1%"}},
			{args: []string{"jig", "prove", in("jig.json"), "--bench", bench("resistor"), "--ohm", "22", "--tolerance", "0.5%"}, lines: 2},
			{args: ofJob("job", "add", "jig", in("jig.json"))},
		}},
		{"Both cabinets are measured: 12 seconds of chirp each, through a resistor of 10 ohm.", []demoCommand{
			sweep("dance", "dance"), sweep("stage", "stage"),
			{args: ofJob("job", "add", "cabinet", "dance", "--record", record("dance"), "--watts", "60", "--note", "no label at all")},
			{args: ofJob("job", "add", "cabinet", "stage", "--record", record("stage"), "--watts", "50", "--note", "its label says 16 ohm")},
		}},
		{"What are they?", []demoCommand{
			{args: []string{"fit", record("dance"), "--plot", in("dance.png")}, lines: 1},
			{args: []string{"fit", record("stage"), "--marked-ohm", "16"}, lines: 1},
		}},
		{"Which hookup suits the taps?", []demoCommand{
			{args: ofJob("plan"), lines: 7},
			{args: ofJob("job", "add", "hookup", formula, "--tap", "16", "--why", "both cabinets are 8 ohm, whatever the label says, and in series they match the 16 ohm tap")},
			{args: ofJob("hookup", formula, "-o", in("load.png")), lines: 2},
		}},
		{"The box: how to build it, and what a meter must read.", []demoCommand{
			{args: ofJob("box", "sheet", formula, "-o", in("box.pdf")), lines: 3},
		}},
		{"Is the finished box right? The first is not: its jacks touch the metal.", []demoCommand{
			sweep("box-wrong", "box, first try"),
			{args: ofJob("box", "verify", "--seen", record("box-wrong"), "-o", in("proof.png")), code: exitFail, lines: 3},
			{args: ofJob("job", "add", "proof", "first try", "--seen", record("box-wrong"), "--note", "the jacks were not insulated from the chassis")},
			sweep("box-right", "box, second try"),
			{args: ofJob("box", "verify", "--seen", record("box-right")), lines: 1},
			{args: ofJob("job", "add", "proof", "second try", "--seen", record("box-right"))},
		}},
		{"Is the reconed driver what it was?", []demoCommand{
			sweep("driver-before", "driver, before"), sweep("driver-after", "driver, after"),
			{args: []string{"compare", record("driver-before"), record("driver-after"), "-o", in("recone.png")}, lines: 1},
			{args: ofJob("job", "add", "driver", "twelve", "--before", record("driver-before"), "--after", record("driver-after"))},
		}},
		{"The job sheet.", []demoCommand{{args: ofJob("report"), lines: 3}}},
	}
}
