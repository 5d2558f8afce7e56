package outcome

import (
	"context"
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

//go:embed sql/list_planned.sql
var listPlannedSQL string

// Planned is a case that is booked and has neither started nor been cancelled.
type Planned struct {
	Case      fold.Case
	PlannedOn time.Time // day
	Risk      Risk      // from what was assessed so far
}

// ListPlanned lists the cases of some departments that the reader may see, booked
// for a day or later, soonest first, at most limit of them. It is work ahead, so it
// is read as of now only.
func ListPlanned(ctx context.Context, tx pgx.Tx, departments []string, from time.Time, asOf archive.AsOf, limit int) ([]Planned, error) {
	codes, err := pg.Values[string](ctx, tx, listPlannedSQL, departments, from, limit)
	if err != nil {
		return nil, fmt.Errorf("list planned cases: %w", err)
	}
	cases, err := archive.CasesAt(ctx, tx, codes, asOf.Position)
	if err != nil {
		return nil, fmt.Errorf("fold planned cases: %w", err)
	}
	var out []Planned
	for _, c := range cases {
		if !slices.Contains(codes, c.Code) || c.Booked == nil {
			continue
		}
		if on := awaitedOn(c); on != nil {
			out = append(out, Planned{Case: c, PlannedOn: *on, Risk: Expected(c.Preop)})
		}
	}
	slices.SortFunc(out, func(a, b Planned) int {
		if d := a.PlannedOn.Compare(b.PlannedOn); d != 0 {
			return d
		}
		return strings.Compare(a.Case.Code, b.Case.Code)
	})
	return out, nil
}
