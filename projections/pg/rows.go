package pg

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// Structs reads rows into structs by the names of their columns. Which column
// belongs in which field is looked up for the first row alone: pgx does it for each,
// and a page reads some thousand rows.
func Structs[T any](ctx context.Context, tx pgx.Tx, sql string, args ...any) ([]T, error) {
	rows, err := tx.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := []T{}
	var fields aimed
	var row *T // what the fields are of
	for rows.Next() {
		if row == nil {
			fields.CollectableRow = rows
			row, err = pgx.RowToAddrOfStructByName[T](&fields)
		} else {
			var empty T
			*row = empty // no two rows share what a field points to
			err = rows.Scan(fields.targets...)
		}
		if err != nil {
			return nil, err
		}
		out = append(out, *row)
	}
	return out, rows.Err()
}

// aimed is a row that remembers where it was scanned to.
type aimed struct {
	pgx.CollectableRow
	targets []any
}

func (a *aimed) Scan(targets ...any) error {
	a.targets = targets
	return a.CollectableRow.Scan(targets...)
}

// Values reads rows of one column.
func Values[T any](ctx context.Context, tx pgx.Tx, sql string, args ...any) ([]T, error) {
	rows, err := tx.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[T])
}
