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
	//go:embed sql/read_surgeon.sql
	readSurgeonSQL string
)

// Entries gives a surgeon's chart entries in chart order, as of a position.
func Entries(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]Entry, error) {
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
	if !asOf.Past {
		return out, nil
	}
	cases, err := outcome.StraddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, err
	}
	for _, c := range cases {
		for _, e := range EntriesOf(c, outcome.RowOf(c)) {
			if e.Surgeon == surgeon {
				out = append(out, e)
			}
		}
	}
	slices.SortFunc(out, Order)
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
