package outcome

import (
	"context"
	_ "embed"
	"fmt"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/pg"
)

var (
	//go:embed sql/case_before.sql
	caseBeforeSQL string
	//go:embed sql/case_after.sql
	caseAfterSQL string
)

// Neighbours are the operations of the same first operator just before and just
// after one, of those that the reader may see; empty where there is none.
type Neighbours struct{ Before, After string }

// ReadNeighbours reads the neighbours of an operation as they are now. A case that
// isn't an operation has none.
func ReadNeighbours(ctx context.Context, tx pgx.Tx, row Row) (Neighbours, error) {
	var n Neighbours
	if !row.Counts {
		return n, nil
	}
	for sql, into := range map[string]*string{caseBeforeSQL: &n.Before, caseAfterSQL: &n.After} {
		codes, err := pg.Values[string](ctx, tx, sql, row.FirstOperator, *row.StartedAt, row.CaseCode)
		if err != nil {
			return n, fmt.Errorf("read the neighbours of a case: %w", err)
		}
		if len(codes) > 0 {
			*into = codes[0]
		}
	}
	return n, nil
}
