// Package stopping holds what takes its time to ending soon after its context
// does, in tests.
package stopping

import (
	"context"
	"runtime"
	"sync"
	"testing"
	"time"

	"tapload/measure/processor"
)

// soon is the processor time that may pass between two looks at a context, and from
// its end to the return of what was to end with it. A fifth of the whole may pass
// where that is more, as on a slow machine or under the race detector.
const soon = 100 * time.Millisecond

// watched is a context that notes each look at it, which is a call of Err, and ends
// at one of them. Processor time, unlike the clock's, is the same on a busy machine.
type watched struct {
	context.Context
	cancel context.CancelFunc
	endAt  int // look; 0 for never

	mu      sync.Mutex
	looks   int
	last    time.Duration // processor time of the last look
	longest time.Duration // between two looks
}

func watch(ctx context.Context, endAt int) *watched {
	w := &watched{endAt: endAt, last: processor.Time()}
	w.Context, w.cancel = context.WithCancel(ctx)
	return w
}

func (w *watched) Err() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.note()
	if w.looks++; w.looks == w.endAt {
		w.cancel()
	}
	return w.Context.Err()
}

func (w *watched) note() {
	now := processor.Time()
	w.longest = max(w.longest, now-w.last)
	w.last = now
}

// Check does work as often as it takes to end it at several moments, after it has
// done it whole: each time it must return the context's error, as it is, and soon.
func Check(t *testing.T, work func(context.Context) error) {
	t.Helper()
	goroutines := runtime.NumGoroutine()
	began, w := processor.Time(), watch(t.Context(), 0)
	if err := work(w); err != nil {
		t.Fatal(err)
	}
	w.note()
	w.cancel()
	whole := w.last - began
	limit := max(soon, whole/5)
	if w.longest > limit {
		t.Errorf("of %v of processor time it does not look at its context for %v; at most %v is right", whole, w.longest, limit)
	}
	if w.looks < 2 {
		t.Fatalf("it looks %d times", w.looks)
	}
	slowest := time.Duration(0)
	moments := 2
	if !testing.Short() {
		moments = 5
	}
	for i := range moments {
		one := watch(t.Context(), 1+i*(w.looks-1)/moments)
		err := work(one)
		took := processor.Time() - one.last
		one.cancel()
		if err != context.Canceled {
			t.Fatalf("ended at look %d of %d it returns %v, and not the error of its context", one.endAt, w.looks, err)
		}
		if took > limit {
			t.Errorf("ended at look %d of %d it goes on for %v of processor time; at most %v is right", one.endAt, w.looks, took, limit)
		}
		slowest = max(slowest, took)
	}
	for deadline := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > goroutines; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%d goroutines of %d are left", runtime.NumGoroutine(), goroutines)
		}
	}
	t.Logf("%v in all, %d looks, %v between two at most, ended within %v", whole, w.looks, w.longest, slowest)
}
