package department

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/measure"
)

// ErrOverlap means that two periods to compare have a day in common.
var ErrOverlap = errors.New("two periods to compare have no day in common")

// ComparedRuptures sets a department's crude rupture rate of one period against
// that of another: the first less the second, and over it. Comparison is nil when
// either has fewer than 25 operations. Case mix may differ between the two; the
// adjusted rates stand beside it.
type ComparedRuptures struct {
	Department string              `json:"department"`
	AsOf       archive.AsOf        `json:"as_of"`
	Definition string              `json:"definition"`
	First      ComparedPeriod      `json:"first"`
	Second     ComparedPeriod      `json:"second"`
	Comparison *measure.Comparison `json:"comparison"`
	LeftOut    LeftOut             `json:"left_out"`
}

// ComparedPeriod is one of two periods.
type ComparedPeriod struct {
	From     string         `json:"from"`
	To       string         `json:"to"`
	Figure   RuptureFigure  `json:"capsule_rupture"`
	Excluded map[string]int `json:"excluded"`
}

// CompareRuptures compares two periods of a department as of a position.
func CompareRuptures(ctx context.Context, tx pgx.Tx, department string, first, second Period, asOf archive.AsOf) (ComparedRuptures, error) {
	c := ComparedRuptures{Department: department, AsOf: asOf, Definition: Definition}
	if !first.From.After(second.To) && !second.From.After(first.To) {
		return c, ErrOverlap
	}
	for _, part := range []struct {
		into *ComparedPeriod
		of   Period
	}{{&c.First, first}, {&c.Second, second}} {
		b, err := Read(ctx, tx, department, part.of, asOf)
		if err != nil {
			return c, err
		}
		c.LeftOut = b.LeftOut // of whatever period
		*part.into = ComparedPeriod{part.of.From.Format(time.DateOnly), part.of.To.Format(time.DateOnly), b.CapsuleRupture, b.Excluded}
	}
	a, b := c.First.Figure, c.Second.Figure
	if a.N < smallNumber || b.N < smallNumber {
		return c, nil
	}
	compared, err := measure.CompareRates(a.Events, a.N, b.Events, b.N)
	if err != nil {
		return c, err
	}
	c.Comparison = &compared
	return c, nil
}
