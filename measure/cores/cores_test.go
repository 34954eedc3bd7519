package cores

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"
)

func TestInOrder(t *testing.T) {
	bad := errors.New("seven")
	var got []int
	err := InOrder(context.Background(), 100, func(i int) (int, error) {
		time.Sleep(time.Duration(i%5) * 100 * time.Microsecond) // so that they end out of order
		if i == 7 {
			return 0, bad
		}
		return i * i, nil
	}, func(i, square int, err error) error {
		if (err != nil) != (i == 7) || err == nil && square != i*i {
			t.Errorf("piece %d came as %d, %v", i, square, err)
		}
		got = append(got, i)
		return nil
	})
	if err != nil || len(got) != 100 {
		t.Fatalf("%d of 100 pieces, %v", len(got), err)
	}
	for i, v := range got {
		if v != i {
			t.Fatalf("piece %d came in place %d", v, i)
		}
	}
}

func TestInOrderStops(t *testing.T) {
	var begun atomic.Int32
	work := func(i int) (int, error) { begun.Add(1); return i, nil }
	full := errors.New("disk full")
	if err := InOrder(context.Background(), 1e6, work, func(i, _ int, _ error) error { return full }); err != full {
		t.Errorf("the error of take is lost: %v", err)
	}
	if n := begun.Load(); n > 1000 {
		t.Errorf("%d pieces were begun after the first could not be taken", n)
	}
	ctx, stop := context.WithCancel(context.Background())
	err := InOrder(ctx, 1e6, work, func(i, _ int, _ error) error {
		if i == 3 {
			stop()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("stopped from outside: %v", err)
	}
}
