package department

import (
	"fmt"

	"lensledger/projections/measure"
)

// Share is a number of cases and their share of n. Below 25 cases the number
// stands alone.
type Share struct {
	Count    int               `json:"count"`
	N        int               `json:"n"`
	Share    *float64          `json:"share"`
	Interval *measure.Interval `json:"interval_95"`
	Bounds   *Bounds           `json:"bounds,omitempty"`
}

// Bounds are what a share would be if all that are missing had turned out well,
// and if all had turned out badly. Missing follow-up isn't random: the truth may
// be anywhere between.
type Bounds struct {
	Missing int     `json:"missing"`
	Good    float64 `json:"all_missing_good"`
	Bad     float64 `json:"all_missing_bad"`
}

func shareOf(count, n int) (Share, error) {
	s := Share{Count: count, N: n}
	if n < smallNumber {
		return s, nil
	}
	share := float64(count) / float64(n)
	interval, err := measure.Wilson(count, n, 0.95)
	if err != nil {
		return s, fmt.Errorf("share of %d in %d: %w", count, n, err)
	}
	s.Share, s.Interval = &share, &interval
	return s, nil
}

// boundedGood is the share of something good with its bounds.
func boundedGood(count, n, missing int) (Share, error) {
	s, err := shareOf(count, n)
	if s.Share != nil {
		all := float64(n + missing)
		s.Bounds = &Bounds{missing, float64(count+missing) / all, float64(count) / all}
	}
	return s, err
}

// BoundedFigure is a crude rate of something bad with its bounds.
type BoundedFigure struct {
	CountedFigure
	Bounds *Bounds `json:"bounds,omitempty"`
}

func boundedBad(events, n, missing int) (BoundedFigure, error) {
	f, err := counted(events, n)
	b := BoundedFigure{CountedFigure: f}
	if f.Rate != nil {
		all := float64(n + missing)
		b.Bounds = &Bounds{missing, float64(events) / all, float64(events+missing) / all}
	}
	return b, err
}

// enoughToCompare is the share of cases with follow-up below which no comparison
// should be drawn. Common practice, no source.
const enoughToCompare = 0.70

// enoughKnown says whether follow-up is complete enough to compare.
func enoughKnown(known, n int) bool {
	return n >= smallNumber && float64(known) >= float64(enoughToCompare*float64(n))
}

// Window is a run of days after the operation by local calendar dates, both
// included.
type Window struct {
	FromDay int `json:"from_day"`
	ToDay   int `json:"to_day"`
}
