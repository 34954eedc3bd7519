// Package transform takes the Fourier transform of long real sequences where
// they lie, with one more sequence as room to work in, and ends early with its
// context.
//
// The sums, and the order in which they are taken, are those of FFTPACK (P. N.
// Swarztrauber, in the public domain), so that the results are those of its
// translation in gonum/dsp/fourier to the last bit.
package transform

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"sync"
	"unsafe"
)

// Real transforms real sequences of one length, of no prime factor above 5. It
// may be used by several goroutines at once.
type Real struct {
	n      int
	stages []stage
}

// stage is one factor of the length: l1 groups of radix times ido values are
// combined.
type stage struct {
	radix, l1, ido int

	// table has the cosines and sines of the stage's angles, for each step of
	// the radix ido values; nil where every one of them is used so rarely that
	// it is worked out when it is.
	table []float64
	angle float64 // 2 pi/n
}

// Stages of so few groups, of a long sequence, work out their angles: the first of
// the length's factors would else have a table as long as that.
const (
	fewGroups    = 16
	longSequence = 1 << 18
)

// New returns what transforms sequences of n values. It panics where n has a
// prime factor above 5, for which there is no transform here.
func New(n int) *Real {
	r := &Real{n: n}
	l1 := 1
	for _, radix := range factors(n) {
		s := stage{radix: radix, l1: l1, ido: n / (l1 * radix), angle: 2 * math.Pi / float64(n)}
		if s.ido > 2 && (l1 > fewGroups || n < longSequence) {
			s.table = make([]float64, (radix-1)*s.ido)
			s.tabulate(s.table, 0, s.ido)
		}
		r.stages = append(r.stages, s)
		l1 *= radix
	}
	return r
}

// factors returns those of n: 4, 2, 3 and 5 in this order, a single 2 first.
func factors(n int) (f []int) {
	rest := n
	for _, radix := range []int{4, 2, 3, 5} {
		for rest > 1 && rest%radix == 0 {
			rest /= radix
			if radix == 2 {
				f = append([]int{2}, f...)
			} else {
				f = append(f, radix)
			}
		}
	}
	if rest != 1 {
		panic(fmt.Sprintf("transform: a length of %d has a prime factor above 5", n))
	}
	return f
}

// LengthBelow returns the greatest even length up to n, which is 2 or more, that New takes.
func LengthBelow(n int) int {
	for n -= n % 2; n > 2; n -= 2 {
		rest := n
		for _, p := range [...]int{2, 3, 5} {
			for rest%p == 0 {
				rest /= p
			}
		}
		if rest == 1 {
			break
		}
	}
	return n
}

// Len returns the length of the sequences.
func (r *Real) Len() int { return r.n }

// Lines returns the memory of Len+2 values, of which Values is all but the first
// and the last, as the coefficients 0 to Len/2.
func (r *Real) Lines(memory []float64) []complex128 {
	return unsafe.Slice((*complex128)(unsafe.Pointer(unsafe.SliceData(memory[:r.n+2]))), r.n/2+1)
}

// Values returns the memory of coefficients 0 to Len/2 as the sequence: values
// and coefficients are in one place, either at a time.
func (r *Real) Values(lines []complex128) []float64 {
	return r.memory(lines)[1 : r.n+1]
}

func (r *Real) memory(lines []complex128) []float64 {
	return unsafe.Slice((*float64)(unsafe.Pointer(unsafe.SliceData(lines[:r.n/2+1]))), 2*(r.n/2+1))
}

// Forward replaces the values by their coefficients
//
//	X(k) = sum of x(m) exp(-2 pi j k m/Len),  k = 0 .. Len/2.
//
// Room is Len values to work in, which are lost. An error is that of ctx, and
// leaves nothing of any use.
func (r *Real) Forward(ctx context.Context, lines []complex128, room []float64) error {
	x := r.Values(lines)
	from, to := x, room[:r.n]
	for i := len(r.stages) - 1; i >= 0; i-- {
		if err := r.stages[i].run(ctx, from, to, forward); err != nil {
			return err
		}
		from, to = to, from
	}
	err := settle(ctx, x, from)
	// The stages leave X(0), then real and imaginary part of each, of an even
	// length last the real X(Len/2).
	x = r.memory(lines)
	x[0], x[1] = x[1], 0
	if r.n%2 == 0 {
		x[len(x)-1] = 0
	}
	return err
}

// Backward replaces the coefficients by Len times their values. Of those that are
// real by nature the imaginary part has no effect.
func (r *Real) Backward(ctx context.Context, lines []complex128, room []float64) error {
	memory := r.memory(lines)
	memory[1] = memory[0]
	x := r.Values(lines)
	from, to := x, room[:r.n]
	for i := range r.stages {
		if err := r.stages[i].run(ctx, from, to, backward); err != nil {
			return err
		}
		from, to = to, from
	}
	return settle(ctx, x, from)
}

// settle copies the result to x, if it is not there.
func settle(ctx context.Context, x, result []float64) error {
	if len(x) == 0 || &x[0] == &result[0] {
		return ctx.Err()
	}
	return split(ctx, len(x), 1, 0, func(lo, hi int, _ []float64) { copy(x[lo:hi], result[lo:hi]) })
}

// butterfly combines groups k to before kEnd of stage s in x to those in y: with
// ends the values of each that have no partner, and the pairs from the one at a
// to before aEnd, whose cosines and sines turns has by step of the radix.
type butterfly func(s *stage, x, y []float64, turns [5][]float64, k, kEnd, a, aEnd int, ends bool)

// The butterflies by radix.
var (
	forward  = [6]butterfly{2: forward2, 3: forward3, 4: forward4, 5: forward5}
	backward = [6]butterfly{2: backward2, 3: backward3, 4: backward4, 5: backward5}
)

func (s *stage) run(ctx context.Context, x, y []float64, by [6]butterfly) error {
	b := by[s.radix]
	pairs := (s.ido - 1) / 2
	if s.table != nil || pairs == 0 {
		turns := s.turns(s.table, s.ido)
		return split(ctx, s.l1, s.radix*s.ido, 0, func(lo, hi int, _ []float64) {
			b(s, x, y, turns, lo, hi, 1, 1+2*pairs, true)
		})
	}
	b(s, x, y, [5][]float64{}, 0, s.l1, 1, 1, true)
	return split(ctx, pairs, 2*s.radix*s.l1, chunk, func(lo, hi int, room []float64) {
		length := 2 * (hi - lo)
		table := room[:(s.radix-1)*length]
		s.tabulate(table, lo, length)
		b(s, x, y, s.turns(table, length), 0, s.l1, 1+2*lo, 1+2*hi, false)
	})
}

// tabulate writes cosine and sine of the pairs from number lo on into table, for
// each step of the radix as many numbers as length.
func (s *stage) tabulate(table []float64, lo, length int) {
	for j := 1; j < s.radix; j++ {
		angle := float64(j*s.l1) * s.angle
		row := table[(j-1)*length : j*length]
		for i := 0; i+1 < length; i += 2 {
			row[i+1], row[i] = math.Sincos(float64(lo+i/2+1) * angle)
		}
	}
}

// turns returns the rows of a table, by step of the radix.
func (s *stage) turns(table []float64, length int) (rows [5][]float64) {
	for j := 1; j < s.radix && table != nil; j++ {
		rows[j] = table[(j-1)*length : j*length]
	}
	return rows
}

// chunk is how many values are worked on before the context is asked.
const chunk = 1 << 13

// split calls do for parts of n units, of so many values each, on all processors,
// with as much room to work in as is asked for, and returns the error of ctx where
// it ended before.
func split(ctx context.Context, n, values, room int, do func(lo, hi int, room []float64)) error {
	each := max(1, chunk/values)
	workers := min(runtime.GOMAXPROCS(0), (n+each-1)/each)
	work := func(lo, end int) {
		buffer := make([]float64, room)
		for ; lo < end && ctx.Err() == nil; lo += each {
			do(lo, min(lo+each, end), buffer)
		}
	}
	var wait sync.WaitGroup
	for w := 1; w < workers; w++ {
		wait.Go(func() { work(n*w/workers, n*(w+1)/workers) })
	}
	work(0, n/max(1, workers))
	wait.Wait()
	return ctx.Err()
}
