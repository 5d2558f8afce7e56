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

var (
	//go:embed sql/standing_eyes.sql
	standingEyesSQL string
	//go:embed sql/standing_endophthalmitis.sql
	standingEndophthalmitisSQL string
)

// Operation is an operation's row with its eye's, which is nil for an operation
// that stays out of the benchmarks.
type Operation struct {
	Row
	Eye *EyeRow
}

// OperationOf pairs the rows of a folded case.
func OperationOf(c fold.Case) Operation {
	o := Operation{Row: RowOf(c)}
	if e, ok := EyeOf(c, o.Row); ok {
		o.Eye = &e
	}
	return o
}

// Operations gives a department's operations with a date from one day to another,
// both included, as of a position, as Rows does.
func Operations(ctx context.Context, tx pgx.Tx, department string, from, to time.Time, asOf archive.AsOf) ([]Operation, error) {
	rows, err := pg.Structs[Row](ctx, tx, standingRowsSQL, int64(asOf.Position), department, from, to)
	if err != nil {
		return nil, fmt.Errorf("read operations: %w", err)
	}
	eyes, err := standingEyes(ctx, tx, standingEyesSQL, department, from, to, asOf)
	if err != nil {
		return nil, err
	}
	byCase := make(map[string]*EyeRow, len(eyes))
	for i := range eyes {
		byCase[eyes[i].CaseCode] = &eyes[i]
	}
	out := make([]Operation, 0, len(rows))
	for _, r := range rows {
		out = append(out, Operation{r, byCase[r.CaseCode]})
	}
	if !asOf.Past {
		return out, nil
	}
	cases, err := StraddlingIn(ctx, tx, department, asOf)
	if err != nil {
		return nil, err
	}
	for _, c := range cases {
		if o := OperationOf(c); o.In(department, from, to) {
			out = append(out, o)
		}
	}
	return out, nil
}

// Eyes gives the eyes of a department's operations that count and aren't excluded,
// with a date from one day to another, both included, as of a position.
func Eyes(ctx context.Context, tx pgx.Tx, department string, from, to time.Time, asOf archive.AsOf) ([]EyeRow, error) {
	return eyesAt(ctx, tx, standingEyesSQL, department, from, to, asOf, func(EyeRow) bool { return true })
}

// Endophthalmitis gives, of the same eyes, those with an infection inside the eye
// within 42 days of the operation.
func Endophthalmitis(ctx context.Context, tx pgx.Tx, department string, from, to time.Time, asOf archive.AsOf) ([]EyeRow, error) {
	return eyesAt(ctx, tx, standingEndophthalmitisSQL, department, from, to, asOf, func(e EyeRow) bool { return e.EndophthalmitisOn != nil })
}

func eyesAt(ctx context.Context, tx pgx.Tx, sql, department string, from, to time.Time, asOf archive.AsOf, wanted func(EyeRow) bool) ([]EyeRow, error) {
	out, err := standingEyes(ctx, tx, sql, department, from, to, asOf)
	if err != nil || !asOf.Past {
		return out, err
	}
	cases, err := StraddlingIn(ctx, tx, department, asOf)
	if err != nil {
		return nil, err
	}
	for _, c := range cases {
		if o := OperationOf(c); o.Eye != nil && o.In(department, from, to) && wanted(*o.Eye) {
			out = append(out, *o.Eye)
		}
	}
	// In one order whatever the position, for sums of floating-point numbers.
	slices.SortFunc(out, func(a, b EyeRow) int { return strings.Compare(a.CaseCode, b.CaseCode) })
	return out, nil
}

func standingEyes(ctx context.Context, tx pgx.Tx, sql, department string, from, to time.Time, asOf archive.AsOf) ([]EyeRow, error) {
	out, err := pg.Structs[EyeRow](ctx, tx, sql, int64(asOf.Position), department, from, to)
	if err != nil {
		return nil, fmt.Errorf("read eyes: %w", err)
	}
	return out, nil
}
