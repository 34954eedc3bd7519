package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/setup"
	"tapload/measure/oneline"
)

// env is what a command sees of the world around it.
type env struct {
	stdin          io.Reader
	stdout, stderr io.Writer
	talks          bool // stdin and stdout are a terminal, with somebody at it
	getenv         func(string) string
	now            func() time.Time
	columns        int // width of the terminal that stderr is; 0 when it is none
	sound          soundSystem
	written        *written  // by this command line; nil where nobody asks
	page           *pageSink // what takes results beside stdout; nil for none
	program        string    // what is typed to run this one; "" for its name
	shown          func()    // called once the browser has a page; nil for nothing
	settings       string    // folder of what the user keeps for all commands; "" for none
}

func systemEnv() env {
	e := env{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, getenv: os.Getenv, now: time.Now, sound: hardware{}, settings: setup.Folder(os.Getenv("TAPLOAD_CONFIG"))}
	if path, err := os.Executable(); err == nil && !onPath(path) {
		e.program = screen.Word(path)
	}
	e.talks = term.IsTerminal(int(os.Stdin.Fd())) && term.IsTerminal(int(os.Stdout.Fd()))
	if fd := int(os.Stderr.Fd()); term.IsTerminal(fd) && os.Getenv("TERM") != "dumb" && redraws(fd) {
		e.columns = 80
		if w, _, err := term.GetSize(fd); err == nil && w > 0 {
			e.columns = w
		}
	}
	return e
}

// onPath reports whether the name alone runs the program of that path.
func onPath(path string) bool {
	found, err := exec.LookPath("tapload")
	if err != nil {
		return false
	}
	a, errA := os.Stat(found)
	b, errB := os.Stat(path)
	return errA == nil && errB == nil && os.SameFile(a, b)
}

// warn prints a warning, which belongs to a result and does not stop it.
func (e env) warn(text string) { e.say("warning: " + text) }

// run executes one command line and returns its exit code.
func run(ctx context.Context, args []string, e env) int {
	e.written = &written{outer: e.written}
	running, stop := context.WithCancel(ctx)
	defer stop()
	out := &output{w: e.stdout, ended: stop}
	e.stdout = out
	root := newRoot(e)
	root.SetArgs(args)
	return exitOf(ctx, e, out.judge(root.ExecuteContext(running), e.written))
}

func newRoot(e env) *cobra.Command {
	root := &cobra.Command{
		Use:   "tapload",
		Short: "Measure loudspeaker loads with a sound card and one resistor",
		Long: `Measure loudspeaker loads with a sound card and one resistor.

Wire it as: card output - sense resistor - load - ground. Input 1 hears the
voltage before the resistor, input 2 the voltage at the load.

"tapload" alone, in a terminal, is the guide: it asks line by line what is to be
done. "tapload help" also lists the topics of the manual.`,
		Example: `  tapload demo       # see it work, without hardware
  tapload cards      # which sound cards are there
  tapload setup --card "USB Audio" --sense-ohm 10      # say once what you have
  tapload sweep --label cab                            # measure a load
  tapload fit cab.sweep.json                           # say more of what it is
  tapload plan a=cab.sweep.json b=8 --tap 4,8,16       # find its hookup`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			err := fmt.Errorf("there is no command %s", oneline.Quote(args[0]))
			if like := c.SuggestionsFor(args[0]); len(like) > 0 {
				err = fmt.Errorf("%w; did you mean %q?", err, slices.MaxFunc(like, func(a, b string) int { return alikeUpTo(a, args[0]) - alikeUpTo(b, args[0]) }))
			}
			return usage(c, err)
		},
		RunE: func(c *cobra.Command, _ []string) error {
			if asked, err := c.Flags().GetBool("version"); asked || err != nil {
				return errors.Join(err, readVersion().withLibrary().print(e.stdout))
			}
			if e.talks {
				return e.guide(c.Context())
			}
			return c.Help()
		},
	}
	root.Flags().Bool("version", false, "print the version")
	root.PersistentFlags().String(jobFlag, "", "`folder` of the job to use (default: the current folder, where it holds a job.toml)")
	root.SetOut(e.stdout)
	root.SetErr(e.stderr)
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error { return usage(c, flagError(err)) })
	root.SuggestionsMinimumDistance = 2
	// Flags wrapped to a terminal's width, where cobra leaves them one line
	// each, and no usage line for the root, which only prints its help.
	root.SetUsageTemplate(strings.NewReplacer(
		".LocalFlags.FlagUsages", ".LocalFlags.FlagUsagesWrapped 80",
		".InheritedFlags.FlagUsages", ".InheritedFlags.FlagUsagesWrapped 80",
		"{{if .Runnable}}\n  {{.UseLine}}", "{{if and .Runnable .HasParent}}\n  {{.UseLine}}",
	).Replace(root.UsageTemplate()))
	root.AddCommand(
		newCards(e), newSetup(e), newCheck(e), newLive(e), newStimulus(e), newSweep(e), newJig(e),
		newFit(e), newCompare(e), newHookup(e), newPlan(e), newBox(e), newJob(e), newShop(e), newReport(e), newLabels(e), newPlot(e), newImport(e), newExport(e),
		newDemo(e), newVersion(e), newManual(e),
	)
	root.SetHelpFunc(briefly(e, root.HelpFunc()))
	root.SetHelpCommand(newHelp(e))
	alike(e, root.Commands())
	offer(root)
	return root
}

// alikeUpTo returns how many letters two words begin with alike.
func alikeUpTo(a, b string) int {
	n := 0
	for n < min(len(a), len(b)) && a[n] == b[n] {
		n++
	}
	return n
}

// alike gives commands, and all below them, what is the same in each: flags in
// the order of their registration, what is remembered for those that nobody gives,
// no arguments where no rule allows some, and the help where a command is a family
// of others.
func alike(e env, all []*cobra.Command) {
	for _, c := range all {
		c.Flags().SortFlags = false
		if c.Args == nil {
			c.Args = noArgs
		}
		if c.RunE == nil {
			c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
		}
		remember(e, c)
		guard(c)
		alike(e, c.Commands())
	}
}

// checked is a command's check of its flags.
func checked(check func() error) func(*cobra.Command, []string) error {
	return func(c *cobra.Command, _ []string) error {
		if err := check(); err != nil {
			return usage(c, err)
		}
		return nil
	}
}

// noArgs and someArgs are cobra's argument rules with sentences of our own.
func noArgs(c *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usage(c, fmt.Errorf("%s: the command takes flags only", oneline.Quote(args[0])))
	}
	return nil
}

func someArgs(low, high int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		switch {
		case len(args) < low:
			return usage(c, fmt.Errorf("name %s", what))
		case len(args) > high:
			return usage(c, fmt.Errorf("%s is one argument too many; the command takes %s", oneline.Quote(args[high]), what))
		}
		return nil
	}
}
