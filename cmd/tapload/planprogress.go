package main

import (
	"fmt"
	"io"
	"sync"
)

// planProgress shows on a terminal how far a search has come, in one line that
// is redrawn. Elsewhere it shows nothing: a search is seconds at most.
type planProgress struct {
	w        io.Writer
	terminal bool

	mu    sync.Mutex // reports come from several goroutines
	shown int        // cells and percent last drawn, so that equal lines are drawn once
}

func newPlanProgress(e env) *planProgress {
	return &planProgress{w: e.stderr, terminal: e.columns >= progressWidth, shown: -1}
}

func (p *planProgress) report(done, all int) {
	if !p.terminal || all <= 0 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	percent := int(100 * float64(done) / float64(all))
	if percent <= p.shown {
		return
	}
	p.shown = percent
	fmt.Fprintf(p.w, "\r\x1b[Ksearching [%s] %3d %% of %d hookups", bar(float64(done)/float64(all)), percent, all)
}

// end takes the line away.
func (p *planProgress) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.shown >= 0 {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
