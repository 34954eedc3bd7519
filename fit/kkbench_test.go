package fit

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// BenchmarkKK shows that the time of the test grows in proportion to the points
// at most. The figures are kept in testdata/figures/kk.txt.
func BenchmarkKK(b *testing.B) {
	for _, n := range []int{500, 5000, 50000} {
		b.Run(fmt.Sprintf("points=%d", n), func(b *testing.B) {
			rng := rand.New(rand.NewPCG(1, 1))
			c := kkGrid(goodDriver, n, 0.001, true, rng)
			load := fittedTo(b, kkGrid(goodDriver, 264, 0.001, true, rng))
			for b.Loop() {
				if _, err := KK(b.Context(), c, load); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
