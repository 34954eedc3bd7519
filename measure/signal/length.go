package signal

import "math"

// Smooth reports whether n has no prime factor above 5 and few enough factors
// for a transform of that length. Transforms of other lengths are slow and lose
// digits, or fail.
func Smooth(n int) bool { return factors(n) <= mostFactors }

const (
	mostFactors = 13 // for which the transform has room; with more, such as 2^7 3^10, it fails
	fewFactors  = 11 // of a period at a low rate, that leave room for several of them at a high one
)

// factors returns of how many factors of 3, 4, 2 and 5, taken in this order, n
// is the product; more than any transform has when it is no such product.
func factors(n int) (count int) {
	if n < 1 {
		return math.MaxInt
	}
	for _, p := range []int{3, 4, 2, 5} {
		for n%p == 0 {
			n /= p
			count++
		}
	}
	if n > 1 {
		return math.MaxInt
	}
	return count
}

// SmoothLength returns the least even number, n or above, that is Smooth.
func SmoothLength(n int) int {
	best := math.MaxInt
	for p5, fives := 1, 0; p5 < 2*n; p5, fives = 5*p5, fives+1 {
		for p3, threes := p5, 0; p3 < 2*n; p3, threes = 3*p3, threes+1 {
			p, twos := 2*p3, 1
			for p < n {
				p, twos = 2*p, twos+1
			}
			if fives+threes+(twos+1)/2 <= mostFactors {
				best = min(best, p)
			}
		}
	}
	return best
}
