package live

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"time"
)

// hub sends messages to every page that is open. Of each kind a page that is slow
// gets the newest alone.
type hub struct {
	changed func() // called after somebody came or went

	mu        sync.Mutex
	newest    map[string][]byte // what a page that comes is told first
	listeners map[*listener]bool
}

type listener struct {
	pending map[string][]byte
	wake    chan struct{}
}

// send sends v, as JSON, to all, but for a Stand that they have. It is kept for
// those who come later, unless v is of a moment.
func (h *hub) send(kind string, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("a message of kind %s has no JSON: %v", kind, err))
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if kind == stand && bytes.Equal(h.newest[kind], data) {
		return
	}
	if kind != moment {
		if h.newest == nil {
			h.newest = map[string][]byte{}
		}
		h.newest[kind] = data
	}
	for l := range h.listeners {
		l.pending[kind] = data
		select {
		case l.wake <- struct{}{}:
		default:
		}
	}
}

// The kinds of messages.
const (
	moment  = "moment"  // what Watch tells
	stand   = "stand"   // a Stand
	working = "working" // a Working
)

func (h *hub) open() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.listeners)
}

func (h *hub) join() *listener {
	h.mu.Lock()
	defer h.mu.Unlock()
	l := &listener{pending: map[string][]byte{}, wake: make(chan struct{}, 1)}
	for kind, data := range h.newest {
		l.pending[kind] = data
	}
	l.wake <- struct{}{}
	if h.listeners == nil {
		h.listeners = map[*listener]bool{}
	}
	h.listeners[l] = true
	return l
}

func (h *hub) leave(l *listener) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.listeners, l)
}

func (h *hub) take(l *listener) map[string][]byte {
	h.mu.Lock()
	defer h.mu.Unlock()
	had := l.pending
	l.pending = map[string][]byte{}
	return had
}

// ServeHTTP streams messages as server-sent events (WHATWG HTML, 9.2) until the
// page goes.
func (h *hub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	const patience = 10 * time.Second // with a page that reads nothing
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	l := h.join()
	h.changed()
	defer h.changed()
	defer h.leave(l)
	beat := time.NewTicker(patience)
	defer beat.Stop()
	for {
		if out.SetWriteDeadline(time.Now().Add(patience)) != nil {
			return
		}
		for kind, data := range h.take(l) {
			if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", kind, data); err != nil {
				return
			}
		}
		if out.Flush() != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-l.wake:
		case <-beat.C: // shows a page that went without a word
			if _, err := fmt.Fprint(w, ":\n\n"); err != nil {
				return
			}
		}
	}
}
