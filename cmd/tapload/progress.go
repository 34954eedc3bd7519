package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"tapload/measure/card"
)

// redrawn is a line that is redrawn on a terminal.
type redrawn struct {
	w        io.Writer
	terminal bool

	mu    sync.Mutex // reports come from other goroutines
	shown bool       // something
}

// draw puts a line in the place of the last.
func (r *redrawn) draw(line string) {
	r.shown = true
	fmt.Fprint(r.w, "\r\x1b[K", line)
}

// end takes the line away.
func (r *redrawn) end() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.terminal && r.shown {
		fmt.Fprint(r.w, "\r\x1b[K")
	}
}

// progress shows how far playing has come: one line that is redrawn on a
// terminal, a few plain lines elsewhere.
type progress struct {
	redrawn
	color    bool
	doing    string     // "playing"
	quarters int        // quarters of the signal reported so far, in plain lines
	peak     [2]float64 // largest since the last plain line
}

func newProgress(e env) *progress {
	return &progress{
		redrawn: redrawn{w: e.stderr, terminal: e.columns >= progressWidth},
		color:   e.getenv("NO_COLOR") == "",
		doing:   "playing",
	}
}

const (
	barCells      = 22
	progressWidth = 78

	nearFullScale = -3.0 // dBFS: an input above this is about to clip
	tooQuiet      = -60.0
)

func (p *progress) report(r card.Progress) {
	p.mu.Lock()
	defer p.mu.Unlock()
	done := 0.0
	if r.Total > 0 {
		done = min(1, max(0, r.Done.Seconds()/r.Total.Seconds()))
	}
	if p.terminal {
		p.draw(p.line(done, max(0, r.Total-r.Done), r.Peak))
		return
	}
	for i := range p.peak {
		p.peak[i] = max(p.peak[i], r.Peak[i])
	}
	if q := int(4 * done); !p.shown || q > p.quarters {
		fmt.Fprintf(p.w, "%s: %.1f of %.1f s, V1 %s, V2 %s\n",
			p.doing, r.Done.Seconds(), r.Total.Seconds(), strings.TrimSpace(level(p.peak[0])), strings.TrimSpace(level(p.peak[1])))
		p.quarters, p.shown, p.peak = q, true, [2]float64{}
	}
}

func (p *progress) line(done float64, left time.Duration, peak [2]float64) string {
	return fmt.Sprintf("%s [%s] %5.1f s left  V1 %s  V2 %s", p.doing, bar(done), left.Seconds(), p.paint(peak[0]), p.paint(peak[1]))
}

// bar draws how much of the work is done, 0 to 1.
func bar(done float64) string {
	n := int(math.Round(done * barCells))
	return strings.Repeat("#", n) + strings.Repeat(".", barCells-n)
}

// paint colours a level that needs an eye on it.
func (p *progress) paint(peak float64) string {
	s := level(peak)
	if db := toDecibel(peak); p.color && (db > nearFullScale || db < tooQuiet) {
		return "\x1b[1;33m" + s + "\x1b[0m"
	}
	return s
}

// level writes a peak in decibels of full scale, eleven characters wide.
func level(peak float64) string {
	if peak <= 0 {
		return "silent     "
	}
	return fmt.Sprintf("%6.1f dBFS", max(-199.9, toDecibel(peak)))
}

// planProgress shows on a terminal how far a search has come. Elsewhere it shows
// nothing: a search is seconds at most.
type planProgress struct {
	redrawn
	percent int // last drawn, so that equal lines are drawn once
}

func newPlanProgress(e env) *planProgress {
	return &planProgress{redrawn: redrawn{w: e.stderr, terminal: e.columns >= progressWidth}, percent: -1}
}

func (p *planProgress) report(done, all int) {
	if !p.terminal || all <= 0 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	part := float64(done) / float64(all)
	if percent := int(100 * part); percent > p.percent {
		p.percent = percent
		p.draw(fmt.Sprintf("searching [%s] %3d %% of %d hookups", bar(part), percent, all))
	}
}
