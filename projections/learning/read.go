package learning

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/standing_entries.sql
	standingEntriesSQL string
	//go:embed sql/all_entries.sql
	allEntriesSQL string
	//go:embed sql/department_entries.sql
	departmentEntriesSQL string
	//go:embed sql/all_steps.sql
	allStepsSQL string
	//go:embed sql/standing_steps.sql
	standingStepsSQL string
	//go:embed sql/last_year.sql
	lastYearSQL string
	//go:embed sql/read_surgeon.sql
	readSurgeonSQL string
)

// Entries gives a surgeon's chart entries in chart order, as of a position.
func Entries(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]Entry, error) {
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, err
	}
	return entries(ctx, tx, surgeon, asOf, straddling)
}

// straddlingOf folds the surgeon's cases that a past position cuts in two.
func straddlingOf(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]fold.Case, error) {
	if !asOf.Past {
		return nil, nil
	}
	return outcome.StraddlingOf(ctx, tx, surgeon, asOf)
}

func entries(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, straddling []fold.Case) ([]Entry, error) {
	sql, args := allEntriesSQL, []any{surgeon}
	if asOf.Past {
		sql, args = standingEntriesSQL, []any{surgeon, int64(asOf.Position)}
	}
	out, err := pg.Structs[Entry](ctx, tx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("read chart entries: %w", err)
	}
	for i := range out {
		out[i].StartedAt = out[i].StartedAt.UTC()
	}
	for _, c := range straddling {
		for _, e := range EntriesOf(c, outcome.RowOf(c)) {
			if e.Surgeon == surgeon {
				out = append(out, e)
			}
		}
	}
	slices.SortFunc(out, Order)
	return out, nil
}

// StepEntries gives a surgeon's step entries in chart order, as of a position.
func StepEntries(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]StepEntry, error) {
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, err
	}
	return stepEntries(ctx, tx, surgeon, asOf, straddling)
}

func stepEntries(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, straddling []fold.Case) ([]StepEntry, error) {
	sql, args := allStepsSQL, []any{surgeon}
	if asOf.Past {
		sql, args = standingStepsSQL, []any{surgeon, int64(asOf.Position)}
	}
	out, err := pg.Structs[StepEntry](ctx, tx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("read step entries: %w", err)
	}
	for i := range out {
		out[i].StartedAt = out[i].StartedAt.UTC()
	}
	for _, c := range straddling {
		for _, e := range StepEntriesOf(c, outcome.RowOf(c)) {
			if e.Surgeon == surgeon {
				out = append(out, e)
			}
		}
	}
	slices.SortFunc(out, OrderSteps)
	return out, nil
}

// EntriesIn gives the chart entries of a department's operations of some days,
// both included, as of a position.
func EntriesIn(ctx context.Context, tx pgx.Tx, department string, from, to time.Time, asOf archive.AsOf) ([]Entry, error) {
	out, err := pg.Structs[Entry](ctx, tx, departmentEntriesSQL, department, from, to, int64(asOf.Position))
	if err != nil {
		return nil, fmt.Errorf("read chart entries: %w", err)
	}
	if !asOf.Past {
		return out, nil
	}
	cases, err := outcome.StraddlingIn(ctx, tx, department, asOf)
	if err != nil {
		return nil, err
	}
	for _, c := range cases {
		if r := outcome.RowOf(c); r.In(department, from, to) {
			out = append(out, EntriesOf(c, r)...)
		}
	}
	return out, nil
}

// LastYear gives the chart entries of some surgeons together from a year before
// their latest one on, as they are now, in no order.
func LastYear(ctx context.Context, tx pgx.Tx, surgeons []string) ([]Entry, error) {
	out, err := pg.Structs[Entry](ctx, tx, lastYearSQL, surgeons)
	if err != nil {
		return nil, fmt.Errorf("read the last year's chart entries: %w", err)
	}
	return out, nil
}

// Standing gives a surgeon's standing as of a position; one never enrolled has
// only the code.
func Standing(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) (Surgeon, error) {
	if asOf.Past {
		s, err := archive.SurgeonAt(ctx, tx, surgeon, asOf.Position)
		return SurgeonOf(s), err
	}
	rows, err := tx.Query(ctx, readSurgeonSQL, surgeon)
	if err != nil {
		return Surgeon{}, fmt.Errorf("read surgeon: %w", err)
	}
	s, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[Surgeon])
	if errors.Is(err, pgx.ErrNoRows) {
		return Surgeon{Surgeon: surgeon}, nil
	}
	return s, err
}
