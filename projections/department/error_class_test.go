package department

import (
	"testing"

	"pgregory.net/rapid"
)

// The classes hold every error once, and those within 0.50 and 1.00 D just what is
// counted within them: an error on an edge is inside.
func TestErrorClasses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sizes := rapid.MapOf(rapid.Int64Range(-4000, 4000), rapid.Int64Range(1, 9)).Draw(t, "sizes")
		for _, edge := range []int64{-2000, -1000, -500, -250, 0, 250, 500, 1000, 2000} {
			sizes[edge]++
		}
		want := map[float64]int{0.5: 0, 1: 0, 2: 0}
		all := 0
		for off, n := range sizes {
			all += int(n)
			for half := range want {
				if float64(max(off, -off)) <= 1000*half {
					want[half] += int(n)
				}
			}
		}
		got, sum := map[float64]int{0.5: 0, 1: 0, 2: 0}, 0
		for _, c := range errorClasses(sizes) {
			sum += c.Count
			for half := range got {
				if c.From != nil && c.To != nil && *c.From >= -half && *c.To <= half {
					got[half] += c.Count
				}
			}
		}
		if sum != all {
			t.Fatalf("the classes hold %d of %d errors", sum, all)
		}
		for half := range want {
			if got[half] != want[half] {
				t.Fatalf("within %.2f D: %d in the classes, %d counted", half, got[half], want[half])
			}
		}
	})
	// By hand: edges belong to the class inside.
	for off, class := range map[int64][2]float64{-500: {-0.5, -0.25}, -250: {-0.25, 0}, -1: {-0.25, 0}, 0: {0, 0.25}, 250: {0, 0.25}, 251: {0.25, 0.5}, 500: {0.25, 0.5}} {
		for _, c := range errorClasses(map[int64]int64{off: 1}) {
			if inside := c.From != nil && c.To != nil && *c.From == class[0] && *c.To == class[1]; inside != (c.Count == 1) {
				t.Errorf("%d is in %v to %v", off, c.From, c.To)
			}
		}
	}
	if errorClasses(nil) != nil {
		t.Error("classes of no errors")
	}
}
