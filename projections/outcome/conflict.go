package outcome

import (
	"context"
	_ "embed"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
)

//go:embed sql/conflicting_cases.sql
var conflictingCasesSQL string

// ConflictingCases gives, by department, the codes under which an identity with more
// than one content stands unsettled, as of a position, sorted: neither content is
// folded, so that the case lacks something, or isn't there at all.
func ConflictingCases(ctx context.Context, tx pgx.Tx, departments []string, asOf archive.AsOf) (map[string][]string, error) {
	rows, err := tx.Query(ctx, conflictingCasesSQL, int64(asOf.Position), departments)
	if err != nil {
		return nil, fmt.Errorf("list cases in conflict: %w", err)
	}
	out, straddling := map[string][]string{}, map[string][]string{}
	var department, code string
	var straddles bool
	if _, err := pgx.ForEachRow(rows, []any{&department, &code, &straddles}, func() error {
		if straddles {
			straddling[department] = append(straddling[department], code)
		} else {
			out[department] = append(out[department], code)
		}
		return nil
	}); err != nil {
		return nil, fmt.Errorf("list cases in conflict: %w", err)
	}
	for _, department := range departments {
		cases, err := archive.CasesAt(ctx, tx, straddling[department], asOf.Position)
		if err != nil {
			return nil, err
		}
		for _, c := range cases {
			if len(c.Conflicts) > 0 {
				out[department] = append(out[department], c.Code)
			}
		}
		slices.Sort(out[department])
		out[department] = slices.Compact(out[department])
	}
	return out, nil
}
