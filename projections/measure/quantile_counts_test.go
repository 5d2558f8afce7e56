package measure

import (
	"errors"
	"testing"

	"pgregory.net/rapid"
)

// A list given as counts has the quantiles of the list itself, which are held to R's
// elsewhere.
func TestQuantileOfCounts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(rapid.IntRange(0, 40), 1, 60).Draw(t, "list")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		counts, values := make([]int, 50), make([]float64, len(list))
		for i, n := range list {
			counts[n]++
			values[i] = float64(n)
		}
		want, err := Quantile(values, p, 7)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := QuantileOfCounts(counts, p); err != nil || got != want {
			t.Fatalf("%v at %v: %v %v, want %v", list, p, got, err, want)
		}
	})
	// 1, 2, 2, 4 at a quarter: place 1 + 3/4 counted from 1, so three quarters of
	// the way from 1 to 2 (Hyndman and Fan's rule 7, by hand).
	if got, err := QuantileOfCounts([]int{0, 1, 2, 0, 1}, 0.25); err != nil || got != 1.75 {
		t.Errorf("%v %v, want 1.75", got, err)
	}
	if _, err := QuantileOfCounts([]int{0, 0}, 0.5); !errors.Is(err, ErrNoCases) {
		t.Error(err)
	}
	for _, p := range []float64{-0.1, 1.1} {
		if _, err := QuantileOfCounts([]int{1}, p); err == nil {
			t.Errorf("p %v is taken", p)
		}
	}
	if _, err := QuantileOfCounts([]int{1, -1}, 0.5); err == nil {
		t.Error("a negative count is taken")
	}
}
