package department

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// ErrorClass counts the prediction errors of a quarter of a dioptre. A class of
// errors below zero holds its lower edge, one above its upper edge, and zero is in
// the one above: so the classes within 0.50 D hold just what Within050 counts. The
// outermost two are open: there From or To is nil.
type ErrorClass struct {
	From  *float64 `json:"from_d"`
	To    *float64 `json:"to_d"`
	Count int      `json:"count"`
}

// Classes in thousandths of a dioptre. Common practice, no source.
const (
	classWidth = 250
	classEnd   = 2000 // beyond lie the open classes
)

// errorClasses counts errors, given by size in thousandths of a dioptre.
func errorClasses(sizes map[int64]int64) []ErrorClass {
	if len(sizes) == 0 {
		return nil
	}
	const each = classEnd / classWidth // closed classes on each side of zero
	var out [2*each + 2]ErrorClass
	for i := range out {
		if i > 0 {
			from := float64((i-1-each)*classWidth) / 1000
			out[i].From = &from
		}
		if i < len(out)-1 {
			to := float64((i-each)*classWidth) / 1000
			out[i].To = &to
		}
	}
	for off, n := range sizes {
		out[classOf(off, each)].Count += int(n)
	}
	return out[:]
}

// classOf finds the class of an error; each is the number of closed ones on a side.
func classOf(off, each int64) int64 {
	size := max(off, -off)
	outwards := min(each, max(0, size-1)/classWidth) // an edge belongs to the class inside
	if off < 0 {
		return each - outwards
	}
	return each + 1 + outwards
}

// errorSizes counts the errors of some groups of eyes by their size.
func errorSizes(sums map[string]int64, groups []string) (map[int64]int64, error) {
	out := map[int64]int64{}
	for q, n := range sums {
		rest, ok := strings.CutPrefix(q, ErrorPrefix)
		group, text, _ := strings.Cut(rest, ":")
		if !ok || !slices.Contains(groups, group) {
			continue
		}
		off, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return nil, fmt.Errorf("size of errors %q: %w", q, err)
		}
		out[off] += n
	}
	return out, nil
}
