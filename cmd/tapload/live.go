package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"tapload/fit/identify"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/plot/report"
)

type liveOptions struct {
	source  sourceOptions
	signal  signalOptions
	jigFile string
	jig     jigOptions
	label   string
	seconds seconds

	json, text, noBrowser, documents bool
}

func newLive(e env) *cobra.Command {
	var o liveOptions
	c := &cobra.Command{
		Use:   "live",
		Short: "Open the page at the bench, which shows what is plugged in",
		Long: `Open the page at the bench in the browser of this machine: what is plugged in
while it is plugged in, its impedance, the levels of both inputs, and a whole
job as buttons. It plays a sound of many tones without end while the page is
seen, and says ten times a second whether the load is steady, what it is rated,
which tap it is safe on, and its lowest |Z|. Change the plug, and the answer
follows in two or three seconds; meanwhile it says "settling". Ctrl-C ends it.

Wiggle plug and lead: contacts that open for a moment are counted, with the
ohms that came in series at the worst.

--text says it in one line of the terminal instead, and writes no file. With
--json it prints every event, one object a line. The page is for this machine
alone, under an address that nobody can guess, which is printed.

A jig that was calibrated with another signal of the same sample rate will do.

` + paragraph("Look and listen as well: "+report.Unheard+"."),
		Example: `  tapload live
  tapload live --card "USB Audio" --job hall
  tapload live --card "USB Audio" --jig jig.json --text
  tapload live --bench bench.toml --text --seconds 5
  tapload live --card "USB Audio" --seconds 5 --json`,
		PreRunE: checked(o.check),
		RunE: func(c *cobra.Command, _ []string) error {
			if o.text || o.json {
				return runLive(c.Context(), e, o)
			}
			return livePage(c, e, o)
		},
	}
	f := c.Flags()
	o.source.register(f)
	f.Lookup("replay").Hidden = true
	f.StringVar(&o.jigFile, "jig", "", "calibration to correct with, a jig `file` of \"tapload jig\"")
	o.jig.register(f)
	o.signal = defaultSignal()
	o.signal.kind, o.signal.levels = multitone, levels{-12}
	f.Var(&o.signal.low, "low", "low end of the measured band")
	f.Var(&o.signal.high, "high", "high end of the measured band")
	f.Var((*sampleRate)(&o.signal.rate), "rate", "sample rate")
	f.Var(&o.signal.levels, "level", "loudest sample, relative to full scale")
	f.StringVar(&o.label, "label", "load", "`name` of what is measured")
	f.Var(&o.seconds, "seconds", "end after so much sound; without it, Ctrl-C ends it")
	f.Lookup("seconds").DefValue = ""
	f.BoolVar(&o.text, "text", false, "no page: say it in one line of the terminal")
	f.BoolVar(&o.json, "json", false, "no page: print every event as JSON, one a line")
	f.BoolVar(&o.documents, "documents", false, "work in the folder tapload of your documents, made if missing")
	f.BoolVar(&o.noBrowser, "no-browser", false, "print the page's address, and open no browser")
	return c
}

func (o *liveOptions) check() error {
	if o.source.replay != "" {
		return errors.New("--replay: a recording is over; live follows what is plugged in now, and \"tapload sweep --replay\" measures a recording")
	}
	page := !o.text && !o.json
	switch {
	case page && o.seconds > 0:
		return errors.New("--seconds is for --text and --json; the page ends with Ctrl-C")
	case o.documents && !page:
		return errors.New("--documents is for the page; leave it away beside --text and --json")
	case o.noBrowser && !page:
		return errors.New("--no-browser is for the page; leave it away beside --text and --json")
	}
	if err := o.source.check(); err != nil && !page { // the page asks for what is missing
		return err
	}
	if err := o.signal.fits(); err != nil {
		return err
	}
	return measure.LiveOptions(o.signal.multitone()).Check()
}

func runLive(ctx context.Context, e env, o liveOptions) (err error) {
	e.written.goesOn()
	j, err := o.jig.open(o.jigFile)
	if err != nil {
		return err
	}
	source, closeSource, err := o.source.open(e, &o.signal)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeSource()) }()
	sig, err := measure.LiveSignal(ctx, o.signal.multitone())
	if err != nil {
		return err
	}
	if o.source.live() {
		e.say(caution)
	}
	ctx, end := context.WithCancel(ctx)
	defer end()
	p := newLivePrinter(e)
	defer p.end()
	setup := measure.Setup{Card: inSeries(source), Signal: sig, Jig: j, Label: o.label, Simulated: o.source.bench != "", Now: e.now().UTC()}
	var printing error
	err = identify.Live(ctx, setup, identify.Known{}, func(event identify.LiveEvent) {
		switch {
		case e.page != nil:
			e.page.event(event)
		case o.json:
			printing = writeJSON(e.stdout, event)
		default:
			p.print(event)
		}
		if printing != nil || o.seconds > 0 && event.Seconds >= float64(o.seconds) {
			end()
		}
	})
	return errors.Join(err, printing)
}

// livePrinter shows a live view in one line: on a terminal it is redrawn, and its
// last words stay; elsewhere there is a new one when the words change.
type livePrinter struct {
	env
	line        redrawn
	words, last string
	said        map[string]bool                // codes of faults and warnings, once each
	levels      [calmFor][2]measure.InputLevel // of the last events, over and over
}

// calmFor is over how many events a level is the largest, so that the digits hold
// still: a second.
const calmFor = 10

func newLivePrinter(e env) *livePrinter {
	return &livePrinter{env: e, line: redrawn{w: e.stderr, terminal: e.columns >= progressWidth}, said: map[string]bool{}}
}

func (p *livePrinter) print(e identify.LiveEvent) {
	for _, w := range e.Warnings {
		p.once(w.Code, "warning: "+w.Text)
	}
	if f := e.Fault; f != nil && f.Text != "" {
		p.once(f.Code, f.Text+"; "+f.Advice)
	}
	words := e.Line()
	if p.line.terminal {
		p.line.draw(spread(words, e.Beside(), p.levelsOf(e)))
	} else if words != p.words {
		p.tell(p.full(e))
	}
	p.words, p.last = words, p.full(e)
}

// once says what stands for a code, the first time.
func (p *livePrinter) once(code, text string) {
	if p.said[code] {
		return
	}
	p.said[code] = true
	p.line.end()
	p.say(text)
}

// end leaves the last words on a terminal.
func (p *livePrinter) end() {
	p.line.end()
	if p.line.terminal && p.last != "" {
		p.tell(p.last)
	}
}

// full is the line with what stands beside the words.
func (p *livePrinter) full(e identify.LiveEvent) string {
	if beside := e.Beside(); beside != "" {
		return e.Line() + "; " + beside
	}
	return e.Line()
}

// levelsOf are the levels of the inputs, in dB of full scale.
func (p *livePrinter) levelsOf(e identify.LiveEvent) string {
	p.levels[e.Number%calmFor] = e.Inputs
	var level [2]string
	for i := range level {
		peak := 0.0
		for _, l := range p.levels {
			peak = max(peak, l[i].Peak)
		}
		level[i] = "silent"
		if peak >= card.FullScale {
			level[i] = "CLIPPED"
		} else if peak > 0 {
			level[i] = fmt.Sprintf("%.0f", toDecibel(peak))
		}
	}
	return fmt.Sprintf("%s, %s dBFS", level[0], level[1])
}

// spread puts the words at the left end of a line of a terminal, and at the right
// what stands beside them and the levels, as far as there is room.
func spread(words, beside, levels string) string {
	right := strings.TrimPrefix(beside+"  "+levels, "  ")
	room := progressWidth - 2 - utf8.RuneCountInString(words)
	for _, less := range []string{beside, levels, ""} {
		if utf8.RuneCountInString(right) <= room {
			break
		}
		right = less
	}
	if right == "" {
		return string([]rune(words)[:min(progressWidth, utf8.RuneCountInString(words))])
	}
	return words + strings.Repeat(" ", 2+room-utf8.RuneCountInString(right)) + right
}
