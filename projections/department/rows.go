package department

import (
	_ "embed"
	"time"

	"lensledger/projections/outcome"
)

// CreateSQL makes the tables of this read model.
//
//go:embed sql/create.sql
var CreateSQL string

// Cell names one sum: a department, a span and a quantity.
type Cell struct {
	Department string
	Months     int16     // 1, or 3: a calendar quarter
	Month      time.Time // first day of the span
	Quantity   string
}

// quarterOf is the first day of a day's calendar quarter.
func quarterOf(day time.Time) time.Time {
	return time.Date(day.Year(), (day.Month()-1)/3*3+1, 1, 0, 0, 0, 0, time.UTC)
}

// Quantities of a cell. Excluded operations are counted by reason under
// ExcludedPrefix, unknown risk factors by name under UnknownPrefix.
const (
	Operations     = "operations"    // operations in the benchmarks with a known outcome
	Ruptures       = "rupture"       // of these, with a capsule rupture
	ExpectedNano   = "expected-nano" // their expected ruptures, x 10^9
	Takeovers      = "unplanned-takeover"
	TakeoverKnown  = "takeover-known"
	Finished       = "with-operating-time"
	ExcludedPrefix = "excluded:"
	UnknownPrefix  = "unknown:"

	// ExcludedUnfinished is the reason of an operation whose end isn't recorded.
	ExcludedUnfinished = "not-finished"
)

// Add adds sign times the contribution of one operation, and of its eye, to the
// cells. eye is nil for an operation that stays out of the benchmarks.
func Add(cells map[Cell]int64, r outcome.Row, eye *outcome.EyeRow, sign int64) {
	if !r.Counts {
		return
	}
	month := Cell{Department: r.Department, Months: 1, Month: time.Date(r.OperatedOn.Year(), r.OperatedOn.Month(), 1, 0, 0, 0, 0, time.UTC)}
	quarter := Cell{Department: r.Department, Months: 3, Month: quarterOf(*r.OperatedOn)}
	add := func(quantity string, n int64) {
		for _, c := range []Cell{month, quarter} {
			if c.Months > 1 && !isFigureQuantity[quantity] {
				continue
			}
			c.Quantity = quantity
			if cells[c] += sign * n; cells[c] == 0 {
				delete(cells, c)
			}
		}
	}
	if reason := ExcludedReason(r); reason != "" {
		add(ExcludedPrefix+reason, 1)
		return
	}
	add(Operations, 1)
	add(ExpectedNano, r.ExpectedNano)
	if r.Rupture {
		add(Ruptures, 1)
	}
	if r.TakenOver != nil {
		add(TakeoverKnown, 1)
		if *r.TakenOver {
			add(Takeovers, 1)
		}
	}
	if r.OperatingSeconds != nil {
		add(Finished, 1)
	}
	for _, f := range r.UnknownFactors {
		add(UnknownPrefix+f, 1)
	}
	if eye != nil {
		addEye(add, *eye)
	}
}

// ExcludedReason says why an operation stays out of the benchmarks, or "".
func ExcludedReason(r outcome.Row) string {
	if r.Excluded != "" {
		return r.Excluded
	}
	if !r.OutcomeKnown {
		return ExcludedUnfinished
	}
	return ""
}
