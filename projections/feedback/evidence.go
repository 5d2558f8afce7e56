package feedback

import (
	"cmp"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/all_earlier.sql
	allEarlierSQL string
	//go:embed sql/standing_earlier.sql
	standingEarlierSQL string
	//go:embed sql/sees_surgeon.sql
	seesSurgeonSQL string
)

// ErrNoOperation means that a case has no stage, since it isn't an operation.
var ErrNoOperation = errors.New("the case isn't an operation")

// ReadStage reads the summary of an operation as of a position. Use ReadEvidence,
// ReadPeers and StageOf one after another where peers come from the same database:
// a read inside another one needs two connections at once. It fails with
// outcome.ErrNoCase and ErrNoOperation.
func ReadStage(ctx context.Context, tx pgx.Tx, peers Peers, code string, asOf archive.AsOf) (Stage, error) {
	e, err := ReadEvidence(ctx, tx, code, asOf)
	if err != nil {
		return Stage{}, err
	}
	return StageOf(e, peers)
}

// ReadEvidence reads what the summary of an operation rests on. Where the reader
// sees the case but not the whole record of its first operator, as a consultant
// who answers for a colleague's case does, the evidence is of the case alone. It
// fails with outcome.ErrNoCase and ErrNoOperation.
func ReadEvidence(ctx context.Context, tx pgx.Tx, code string, asOf archive.AsOf) (Evidence, error) {
	record, err := outcome.Read(ctx, tx, code, asOf)
	if err != nil {
		return Evidence{}, err
	}
	return EvidenceFor(ctx, tx, record)
}

// EvidenceFor is ReadEvidence for a record that was read already.
func EvidenceFor(ctx context.Context, tx pgx.Tx, record outcome.Record) (Evidence, error) {
	e := Evidence{Case: record.Case, Row: record.Row}
	if !e.Row.Counts {
		return Evidence{}, ErrNoOperation
	}
	surgeon, asOf := e.Row.FirstOperator, record.AsOf
	if err := tx.QueryRow(ctx, seesSurgeonSQL, surgeon).Scan(&e.RecordSeen); err != nil {
		return Evidence{}, fmt.Errorf("ask who sees a surgeon: %w", err)
	}
	if !e.RecordSeen {
		return e, nil
	}
	var err error
	if e.Surgeon, err = learning.Standing(ctx, tx, surgeon, asOf); err != nil {
		return Evidence{}, err
	}
	if e.Entries, err = learning.Entries(ctx, tx, surgeon, asOf); err != nil {
		return Evidence{}, err
	}
	said, err := readSaid(ctx, tx, surgeon, asOf, e.Entries)
	if err != nil {
		return Evidence{}, err
	}
	e.Done, e.Points, e.Reviews = said.done, said.points, said.reviews
	e.Earlier, err = readEarlier(ctx, tx, e.Row, asOf)
	return e, err
}

// readEarlier reads the operations that a surgeon began before one, latest first,
// LastCases - 1 at most.
func readEarlier(ctx context.Context, tx pgx.Tx, row outcome.Row, asOf archive.AsOf) ([]Earlier, error) {
	sql, args := allEarlierSQL, []any{row.FirstOperator, *row.StartedAt, row.CaseCode, LastCases - 1}
	if asOf.Past {
		sql, args = standingEarlierSQL, append(args, int64(asOf.Position))
	}
	out, err := pg.Structs[Earlier](ctx, tx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("read earlier operations: %w", err)
	}
	for i := range out {
		out[i].StartedAt = out[i].StartedAt.UTC()
	}
	straddling, err := straddlingOf(ctx, tx, row.FirstOperator, asOf)
	if err != nil {
		return nil, err
	}
	return withStraddling(out, straddling, row), nil
}

// withStraddling adds cases that were folded again and keeps the latest.
func withStraddling(out []Earlier, straddling []fold.Case, row outcome.Row) []Earlier {
	for _, c := range straddling {
		r := outcome.RowOf(c)
		if !r.Counts || r.Excluded != "" || r.FirstOperator != row.FirstOperator {
			continue
		}
		e := Earlier{r.CaseCode, *r.StartedAt, r.OperatingSeconds, r.ExpectedNano}
		if e.order(Earlier{CaseCode: row.CaseCode, StartedAt: *row.StartedAt}) < 0 {
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b Earlier) int { return b.order(a) })
	return out[:min(len(out), LastCases-1)]
}

func (e Earlier) order(other Earlier) int {
	return cmp.Or(e.StartedAt.Compare(other.StartedAt), cmp.Compare(e.CaseCode, other.CaseCode))
}
