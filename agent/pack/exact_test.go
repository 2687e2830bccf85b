package pack

import (
	"fmt"
	"math"
	"testing"
)

// exact gives a count with the Clopper-Pearson interval (Biometrika 26 (1934) 404).
func exact(k, n int) string {
	lo, hi := clopperPearson(k, n)
	return fmt.Sprintf("%d of %d (95 %%: %.1f to %.1f %%)", k, n, 100*lo, 100*hi)
}

func clopperPearson(k, n int) (lo, hi float64) {
	atMost := func(k int, p float64) float64 { // P(X <= k)
		var s float64
		for i := 0; i <= k; i++ {
			a, _ := math.Lgamma(float64(n + 1))
			b, _ := math.Lgamma(float64(i + 1))
			c, _ := math.Lgamma(float64(n - i + 1))
			s += math.Exp(a - b - c + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
		}
		return s
	}
	solve := func(f func(p float64) bool) float64 { // largest p where f holds
		a, b := 0.0, 1.0
		for range 50 {
			if m := 0.5 * (a + b); f(m) {
				a = m
			} else {
				b = m
			}
		}
		return a
	}
	if k > 0 {
		lo = solve(func(p float64) bool { return 1-atMost(k-1, p) < 0.025 })
	}
	hi = 1
	if k < n {
		hi = solve(func(p float64) bool { return atMost(k, p) > 0.025 })
	}
	return lo, hi
}

// Published: 95 % Clopper-Pearson interval of 0 of 10 is 0 to 0.3085 (1-0.025^(1/10));
// of 5 of 10, 0.1871 to 0.8129 (Newcombe, Statistics in Medicine 17 (1998) 857; from memory).
func TestClopperPearson(t *testing.T) {
	lo, hi := clopperPearson(0, 10)
	near(t, "low of 0 of 10", lo, 0, 1e-9)
	near(t, "high of 0 of 10", hi, 0.3085, 1e-4)
	lo, hi = clopperPearson(5, 10)
	near(t, "low of 5 of 10", lo, 0.1871, 1e-4)
	near(t, "high of 5 of 10", hi, 0.8129, 1e-4)
}
