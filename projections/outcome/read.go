package outcome

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/standing_rows.sql
	standingRowsSQL string
	//go:embed sql/standing_awaited.sql
	standingAwaitedSQL string
	//go:embed sql/latest_day.sql
	latestDaySQL string
	//go:embed sql/read_row.sql
	readRowSQL string
	//go:embed sql/straddling_department.sql
	straddlingDepartmentSQL string
	//go:embed sql/straddling_surgeon.sql
	straddlingSurgeonSQL string
)

// ErrNoCase means that no such case can be seen.
var ErrNoCase = errors.New("no such case")

// Rows gives a department's operations with a date from one day to another, both
// included, as of a position: rows that no later event touches stand, and only
// cases that straddle the position are folded again.
func Rows(ctx context.Context, tx pgx.Tx, department string, from, to time.Time, asOf archive.AsOf) ([]Row, error) {
	out, err := pg.Structs[Row](ctx, tx, standingRowsSQL, int64(asOf.Position), department, from, to)
	if err != nil {
		return nil, fmt.Errorf("read operations: %w", err)
	}
	if !asOf.Past {
		return out, nil
	}
	cases, err := StraddlingIn(ctx, tx, department, asOf)
	if err != nil {
		return nil, err
	}
	for _, c := range cases {
		if r := RowOf(c); r.In(department, from, to) {
			out = append(out, r)
		}
	}
	return out, nil
}

// In says whether the row is a department's operation of the given days, both
// included.
func (r Row) In(department string, from, to time.Time) bool {
	return r.Counts && r.Department == department && !r.OperatedOn.Before(from) && !r.OperatedOn.After(to)
}

// Awaited gives a department's cases that were booked for one of some days, both
// included, and have neither started nor been cancelled, as of a position, by code.
func Awaited(ctx context.Context, tx pgx.Tx, department string, from, to time.Time, asOf archive.AsOf) ([]Row, error) {
	out, err := pg.Structs[Row](ctx, tx, standingAwaitedSQL, int64(asOf.Position), department, from, to)
	if err != nil {
		return nil, fmt.Errorf("read awaited operations: %w", err)
	}
	if !asOf.Past {
		return out, nil
	}
	cases, err := StraddlingIn(ctx, tx, department, asOf)
	if err != nil {
		return nil, err
	}
	for _, c := range cases {
		r := RowOf(c)
		if on := r.AwaitedOn; on != nil && r.Department == department && !on.Before(from) && !on.After(to) {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b Row) int { return strings.Compare(a.CaseCode, b.CaseCode) })
	return out, nil
}

// StraddlingIn folds the cases of a department that a position cuts in two, as
// they stood at it.
func StraddlingIn(ctx context.Context, tx pgx.Tx, department string, asOf archive.AsOf) ([]fold.Case, error) {
	return straddling(ctx, tx, straddlingDepartmentSQL, department, asOf)
}

// StraddlingOf folds the cases of a surgeon that a position cuts in two, as they
// stood at it.
func StraddlingOf(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]fold.Case, error) {
	return straddling(ctx, tx, straddlingSurgeonSQL, surgeon, asOf)
}

func straddling(ctx context.Context, tx pgx.Tx, sql, key string, asOf archive.AsOf) ([]fold.Case, error) {
	codes, err := pg.Values[string](ctx, tx, sql, int64(asOf.Position), key)
	if err != nil {
		return nil, fmt.Errorf("find straddling cases: %w", err)
	}
	return archive.CasesAt(ctx, tx, codes, asOf.Position)
}

// LatestDay is the latest day of operation of some departments on record; the zero
// time without any.
func LatestDay(ctx context.Context, tx pgx.Tx, departments []string) (time.Time, error) {
	var last *time.Time
	if err := tx.QueryRow(ctx, latestDaySQL, departments).Scan(&last); err != nil {
		return time.Time{}, fmt.Errorf("read the latest day of operation: %w", err)
	}
	if last == nil {
		return time.Time{}, nil
	}
	return *last, nil
}

// Record is one case as a person reads it: the row and the folded case.
type Record struct {
	Row  Row
	Case fold.Case
	AsOf archive.AsOf
}

// Read gives a case's record as of a position. A code that was merged into
// another gives that one's record.
func Read(ctx context.Context, tx pgx.Tx, code string, asOf archive.AsOf) (Record, error) {
	for {
		rows, err := tx.Query(ctx, readRowSQL, code)
		if err != nil {
			return Record{}, fmt.Errorf("read case: %w", err)
		}
		row, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[Row])
		if errors.Is(err, pgx.ErrNoRows) {
			return Record{}, ErrNoCase
		}
		if err != nil {
			return Record{}, fmt.Errorf("read case: %w", err)
		}
		if row.FirstPosition > int64(asOf.Position) {
			return Record{}, ErrNoCase
		}
		cases, err := archive.CasesAt(ctx, tx, []string{code}, asOf.Position)
		if err != nil {
			return Record{}, err
		}
		into := ""
		for _, c := range cases {
			if c.Code == code && c.MergedInto == "" {
				return Record{Row: RowOf(c), Case: c, AsOf: asOf}, nil
			}
			if c.Code == code {
				into = c.MergedInto
			}
		}
		if into == "" {
			return Record{}, ErrNoCase
		}
		code = into
	}
}
