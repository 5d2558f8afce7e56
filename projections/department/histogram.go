package department

import (
	"fmt"
	"strconv"
	"strings"
)

// ErrorHistogram counts eyes by prediction error in dioptres, negative is more
// myopic than predicted. An error on an edge lies in the bin nearer to no error, so
// that the bins up to 0.50 D hold the eyes within 0.50 D.
type ErrorHistogram struct {
	WidthD float64    `json:"width_d"`
	N      int        `json:"n"` // every eye with a prediction error
	Bins   []ErrorBin `json:"bins"`
}

// ErrorBin is one bin; an open end is null.
type ErrorBin struct {
	FromD *float64 `json:"from_d"`
	ToD   *float64 `json:"to_d"`
	Eyes  int      `json:"eyes"`
	Main  int      `json:"main"` // of these, eyes of the main figure
}

// Bins in thousandths of a dioptre: their width, and the size from which errors
// stand in the open bins at either end. Common practice, no source.
const (
	binWidth = 250
	binsUpTo = 2000
)

// histogramOf counts the errors in sums of addEye.
func histogramOf(sums map[string]int64) (ErrorHistogram, error) {
	const half = binsUpTo / binWidth
	h := ErrorHistogram{WidthD: binWidth / 1000.0, Bins: make([]ErrorBin, 2*half+2)}
	edge := func(i int) *float64 {
		d := float64(i-half) * binWidth / 1000
		return &d
	}
	for i := range h.Bins {
		if i > 0 {
			h.Bins[i].FromD = edge(i - 1)
		}
		if i < len(h.Bins)-1 {
			h.Bins[i].ToD = edge(i)
		}
	}
	for quantity, n := range sums {
		rest, found := strings.CutPrefix(quantity, ErrorPrefix)
		if !found {
			continue
		}
		group, text, _ := strings.Cut(rest, ":")
		off, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return h, fmt.Errorf("size of errors %q: %w", quantity, err)
		}
		bin := &h.Bins[binOf(off)]
		bin.Eyes += int(n)
		if group == mainEyes {
			bin.Main += int(n)
		}
		h.N += int(n)
	}
	return h, nil
}

// binOf is the place of an error, in thousandths of a dioptre, among the bins.
func binOf(off int64) int {
	const half = binsUpTo / binWidth
	size := max(off, -off)
	steps := 0 // whole bins between no error and this one
	if size > 0 {
		steps = int((size - 1) / binWidth)
	}
	steps = min(steps, half)
	if off < 0 {
		return half - steps
	}
	return half + 1 + steps
}
