package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fixtures/bench"
	"tapload/fixtures/jig"
	"tapload/fixtures/job"
	"tapload/fixtures/setup"
	"tapload/measure/oneline"
	"tapload/measure/quantity"
	"tapload/plot/report"
)

type setupOptions struct {
	source    sourceOptions
	jig       jigOptions
	jigFile   string
	fullScale volts
	level     decibel
	rate      int

	shop, address, paper string

	forget nameList

	answer
}

func newSetup(e env) *cobra.Command {
	var o setupOptions
	c := &cobra.Command{
		Use:   "setup",
		Short: "Keep what stays the same at your bench: card, resistor, jig",
		Long: `Keep what stays the same at your bench, so that no command asks for it again:
sound card, sense resistor, the jig's calibration, the level, and the name of
the shop. Alone it shows what is kept. Flags and a job override it.

What belongs to a card is used with that card alone, by its whole name; the
sense resistor with any card and recording; a virtual bench (--bench) and a jig
file have their own. It is kept for you alone, in your folder for settings, or
in the one that the variable TAPLOAD_CONFIG names.`,
		Example: `  tapload setup --card "USB Audio" --sense-ohm 10 --sense-tolerance 1%
  tapload setup --jig jig.json --level -12
  tapload setup --shop "Workshop by the river" --paper letter
  tapload setup --forget jig,level
  tapload setup`,
		RunE: func(c *cobra.Command, _ []string) error { return keepSetup(e, c, o) },
	}
	f := c.Flags()
	o.source.registerOwn(f)
	o.jig.register(f)
	f.StringVar(&o.jigFile, "jig", "", "calibration to correct with, a jig `file` of \"tapload jig\"")
	f.Var(&o.level, "level", "loudest sample of test signals, relative to full scale")
	f.Var(&o.fullScale, "full-scale-volt", "peak volts at the inputs that are full scale")
	f.Var((*sampleRate)(&o.rate), "rate", "sample rate")
	f.StringVar(&o.shop, "shop", "", "the workshop's `name`")
	f.StringVar(&o.address, "address", "", "the workshop's address, a `text`")
	f.StringVar(&o.paper, "paper", "", "paper of reports and sheets: a4 or letter, a `size`")
	f.Var(&o.forget, "forget", "remove these values, named as their flags; all is everything")
	o.answer.registerWhole(f)
	for _, name := range []string{"level", "full-scale-volt", "sense-ohm", "sense-tolerance", "mismatch", "channels"} {
		f.Lookup(name).DefValue = "" // nothing is kept that nobody gave
	}
	return c
}

// setupFile is where the setup is kept.
func (e env) setupFile() (string, error) {
	if e.settings == "" {
		return "", errors.New("the system has no folder for your settings; name one with the variable TAPLOAD_CONFIG")
	}
	return filepath.Join(e.settings, setup.FileName), nil
}

// readSetup reads what is kept; where there is no folder for it that is nothing.
func (e env) readSetup() (setup.Setup, error) {
	if e.settings == "" {
		return setup.Setup{}, nil
	}
	return setup.Read(filepath.Join(e.settings, setup.FileName))
}

// asTyped is a command line without what the setup keeps.
func (e env) asTyped(line string) string {
	if s, err := e.readSetup(); err == nil && s.Measures() {
		return strings.Replace(line, " --card NAME", "", 1)
	}
	return line
}

func keepSetup(e env, c *cobra.Command, o setupOptions) error {
	path, err := e.setupFile()
	if err != nil {
		return err
	}
	for _, name := range o.forget {
		if name != "all" && !slices.Contains(setup.Names(), name) {
			return usage(c, fmt.Errorf("--forget %s: nothing of that name is kept; the names are %s and all", oneline.Quote(name), quantity.List(setup.Names())))
		}
		if c.Flags().Changed(name) {
			return usage(c, fmt.Errorf("--forget %s and --%s: do one of them", name, name))
		}
	}
	changed := len(o.forget) > 0
	for _, name := range setup.Names() {
		changed = changed || c.Flags().Changed(name)
	}
	if !changed {
		return o.keep(e, c, path, false)
	}
	folder := filepath.Dir(path)
	defer os.Remove(folder) // which fails where something is in it
	const most = 10         // others that take the folder away before the lock is in it
	for n := 1; ; n++ {
		if err := os.MkdirAll(folder, 0o700); err != nil {
			return fmt.Errorf("cannot make the folder %s: %w", folder, plainPath(err))
		}
		held := false
		err := locked(c.Context(), path, func() error {
			held = true
			return o.keep(e, c, path, true)
		})
		if held || n == most || !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
}

// keep shows what is kept at path, after it is changed where the flags ask for that.
func (o setupOptions) keep(e env, c *cobra.Command, path string, changed bool) error {
	s, err := setup.Read(path)
	if err != nil {
		// A file that cannot be read must not keep somebody from beginning anew.
		if !slices.Contains(o.forget, "all") {
			return err
		}
		s = setup.Setup{}
	}
	before := s.Given()
	s.Forget(o.forget...)
	if changed {
		dropped, err := o.into(&s, c.Flags().Changed)
		if err != nil {
			return usage(c, err)
		}
		text, err := s.File()
		if err != nil {
			return usage(c, err)
		}
		if err := e.save(whole(path, text)); err != nil {
			return err
		}
		if len(dropped) > 0 {
			e.say("note: " + quantity.List(dropped) + " belonged to what was measured with before, and no longer stand; give them anew")
		}
		if len(before) > 0 || len(s.Given()) > 0 {
			e.say("written " + path)
		}
	}
	return o.show(e, s, report.Setup(s, path), nil)
}

// into puts what the flags give into s. Files are looked into first: what is kept
// must work. It returns what belonged to another card and is dropped.
func (o setupOptions) into(s *setup.Setup, given func(string) bool) (dropped []string, err error) {
	switch {
	case given("card") && given("bench"):
		return nil, errors.New("--card and --bench: measure with one of them")
	case given("card"):
		dropped = s.MoveTo(&o.source.card, "")
	case given("bench"):
		if _, err := bench.Load(o.source.bench); err != nil {
			return nil, err
		}
		path, err := filepath.Abs(o.source.bench)
		if err != nil {
			return nil, err
		}
		dropped = s.MoveTo(nil, path)
	}
	percent := func(f fraction) *float64 { p := 100 * float64(f); return &p }
	for name, set := range map[string]func(){
		"player":          func() { s.Player = o.source.player },
		"channels":        func() { s.Channels = slices.Clone(o.source.inputs[:]) },
		"rate":            func() { s.RateHz = o.rate },
		"level":           func() { l := float64(o.level); s.LevelDB = &l },
		"full-scale-volt": func() { s.FullScaleVolt = float64(o.fullScale) },
		"sense-ohm":       func() { s.SenseOhm = float64(o.jig.senseOhm) },
		"sense-tolerance": func() { s.SenseTolerancePercent = percent(o.jig.tolerance) },
		"mismatch":        func() { s.MismatchPercent = percent(o.jig.mismatch) },
		"shop":            func() { s.Shop = o.shop },
		"address":         func() { s.Address = o.address },
		"paper":           func() { s.Paper = o.paper },
	} {
		if given(name) {
			set()
		}
	}
	if s.Bench != "" && (s.Player != "" || s.Channels != nil) {
		return nil, errors.New("--player and --channels are for a sound card (--card), and a virtual bench is kept")
	}
	if given("jig") {
		if s.Jig, err = filepath.Abs(o.jigFile); err != nil {
			return nil, err
		}
	}
	if s.Jig == "" {
		return slices.DeleteFunc(dropped, given), nil
	}
	kept, err := setupJig(*s)
	if err != nil {
		return nil, err
	}
	if s.SenseOhm == 0 { // for what measures without the jig file
		s.SenseOhm, s.SenseTolerancePercent = kept.SenseOhm, percent(fraction(kept.Tolerance))
	}
	return slices.DeleteFunc(dropped, given), nil
}

// setupJig reads the jig file of s, which must go together with what s states.
func setupJig(s setup.Setup) (jig.Options, error) {
	kept, err := readJig(s.Jig)
	if err != nil {
		return jig.Options{}, fmt.Errorf("%w; \"tapload setup --forget jig\" keeps a bench without it", err)
	}
	o := jigOptions{senseOhm: ohms(s.SenseOhm), given: func(flag string) bool { return slices.Contains(s.Given(), flag) }}
	if p := s.SenseTolerancePercent; p != nil {
		o.tolerance = fraction(*p / 100)
	}
	if p := s.MismatchPercent; p != nil {
		o.mismatch = fraction(*p / 100)
	}
	if err := o.agree(s.Jig, kept.Options); err != nil {
		return jig.Options{}, fmt.Errorf("the setup does not go together: %w", err)
	}
	return kept.Options, nil
}

// without leaves the names of not out.
func without(names, not []string) []string {
	return slices.DeleteFunc(names, func(name string) bool { return slices.Contains(not, name) })
}

// remember has every command that measures, or prints on paper, take what no flag
// gives from the job and the setup.
func remember(e env, c *cobra.Command) {
	f := c.Flags()
	if c.Name() == "setup" || f.Lookup("card") == nil && f.Lookup("paper") == nil {
		return
	}
	check := c.PreRunE
	c.PreRunE = func(c *cobra.Command, args []string) error {
		if err := e.remembered(c); err != nil {
			return err
		}
		if check == nil {
			return nil
		}
		return check(c, args)
	}
}

// remembered sets the flags of c that nobody gave to what a job and the setup say,
// the job first, and tells which.
func (e env) remembered(c *cobra.Command) error {
	f := c.Flags()
	if err := jigOfJob(e, c); err != nil {
		return err
	}
	from := setup.Source{Recording: f.Changed("replay"), Virtual: f.Changed("bench")}
	if f.Changed("card") {
		name := f.Lookup("card").Value.String()
		from.Card = &name
	}
	if from.Virtual {
		return nil // and nothing that is kept can be in the way
	}
	all, err := e.readSetup()
	if err != nil {
		return err
	}
	mine := func(name string) bool { return f.Lookup(name) == nil || f.Changed(name) }
	s := all.For(from)
	left := slices.DeleteFunc(without(all.Given(), s.Given()), mine)
	s.Forget(slices.DeleteFunc(s.Given(), func(name string) bool { return !mine(name) })...)
	switch kind := f.Lookup("signal"); {
	case kind == nil:
	case signalOptions{kind: kind.Value.String()}.heard():
		s.Forget("level") // of test signals
	default:
		s.Forget("full-scale-volt") // of music
	}
	switch {
	case f.Lookup("jig") != nil && f.Changed("jig") && f.Lookup("jig").Value.String() != "":
		s.Forget("sense-ohm", "sense-tolerance", "mismatch") // which a jig file knows itself
	case s.Jig != "":
		if err := fitsSetupJig(f, all); err != nil {
			return err
		}
	}
	for _, name := range s.Given() {
		set := f.Lookup(name).Value.Set // a flag that is not given, but has another default
		if slices.Contains([]string{"card", "bench", "player"}, name) {
			set = func(to string) error { return f.Set(name, to) }
		}
		if err := set(s.Text(name)); err != nil {
			return fmt.Errorf("the setup's %s: %w", name, err)
		}
	}
	if len(s.Given()) > 0 {
		e.say(report.SetupTaken(s))
	}
	if from.Card != nil && len(left) > 0 {
		e.say("note: the setup is for another card; not used of it: " + quantity.List(left))
	}
	return nil
}

// fitsSetupJig returns an error where flags say something else than the jig file
// of the setup does.
func fitsSetupJig(f *pflag.FlagSet, s setup.Setup) error {
	kept, err := setupJig(s)
	if err != nil {
		return err
	}
	o := jigOptions{given: f.Changed}
	for name, of := range map[string]pflag.Value{"sense-ohm": &o.senseOhm, "sense-tolerance": &o.tolerance, "mismatch": &o.mismatch} {
		if err := of.Set(f.Lookup(name).Value.String()); err != nil {
			return err
		}
	}
	if err := o.agree(s.Jig, kept); err != nil {
		return fmt.Errorf("%w; --jig \"\" measures without the setup's jig", err)
	}
	return nil
}

// jigOfJob takes the calibration of a job for a command that corrects by one.
func jigOfJob(e env, c *cobra.Command) error {
	if f := c.Flags().Lookup("jig"); f == nil || f.Changed || c.Flags().Lookup("card") == nil {
		return nil
	}
	j, err := jobOf(c)
	if err != nil && (errors.Is(err, job.ErrNone) || !c.Flags().Changed(jobFlag)) {
		return nil // which is said where a job is needed
	}
	if err != nil || j == nil || j.Jig == "" {
		return err
	}
	sayFrom(e, j, []string{"the jig"})
	return c.Flags().Set("jig", j.Path(j.Jig))
}
