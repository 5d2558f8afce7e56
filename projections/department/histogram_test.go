package department

import (
	"strconv"
	"testing"
)

// An error on an edge lies in the bin nearer to no error, on both sides, so that the
// bins up to an edge hold what is counted within it.
func TestErrorHistogram(t *testing.T) {
	sums := map[string]int64{}
	add := func(quantity string, n int64) { sums[quantity] += n }
	within := map[float64]int{}
	for _, off := range []int64{-2600, -2001, -2000, -1751, -1000, -501, -500, -251, -250, -1, 0, 1, 250, 251, 500, 501, 1000, 2000, 2001} {
		group := otherEyes
		if off%2 == 0 {
			group = mainEyes
		}
		add(ErrorPrefix+group+":"+strconv.FormatInt(off, 10), 1)
		for _, edge := range []float64{0.25, 0.5, 1, 2} {
			if max(off, -off) <= int64(edge*1000) {
				within[edge]++
			}
		}
	}
	h, err := histogramOf(sums)
	if err != nil {
		t.Fatal(err)
	}
	if h.N != 19 || len(h.Bins) != 18 || h.Bins[0].FromD != nil || h.Bins[17].ToD != nil || *h.Bins[0].ToD != -2 || *h.Bins[17].FromD != 2 || *h.Bins[9].FromD != 0 {
		t.Fatalf("%+v", h)
	}
	counts, main := 0, 0
	for _, b := range h.Bins {
		counts, main = counts+b.Eyes, main+b.Main
	}
	if counts != 19 || main != 10 || h.Bins[0].Eyes != 2 || h.Bins[17].Eyes != 1 {
		t.Errorf("%d eyes, %d of the main figure: %+v", counts, main, h.Bins)
	}
	for edge, want := range within {
		got := 0
		for _, b := range h.Bins {
			if b.FromD != nil && b.ToD != nil && *b.FromD >= -edge && *b.ToD <= edge {
				got += b.Eyes
			}
		}
		if got != want {
			t.Errorf("within %.2f D: %d in the bins, %d counted", edge, got, want)
		}
	}
}
