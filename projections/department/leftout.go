package department

import (
	"context"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/outcome"
)

// LeftOut is what was received for a department, of whatever period, and set aside,
// in events and in cases. A case that is counted here may be in the figures all the
// same, without what was set aside. How many records are missing is no small number:
// it is shown to whoever gets the figures.
type LeftOut struct {
	archive.LeftOut
	Cases           int `json:"cases"`             // with an event in quarantine or an unsettled conflict, each once
	CasesInConflict int `json:"cases_in_conflict"` // of them, with an unsettled conflict
}

// CountLeftOut counts what the figures of each of some departments leave out, as of
// a position.
func CountLeftOut(ctx context.Context, tx pgx.Tx, departments []string, asOf archive.AsOf) (map[string]LeftOut, error) {
	received, err := archive.CountLeftOut(ctx, tx, departments, asOf)
	if err != nil {
		return nil, err
	}
	conflicting, err := outcome.ConflictingCases(ctx, tx, departments, asOf)
	if err != nil {
		return nil, err
	}
	out := make(map[string]LeftOut, len(departments))
	for _, code := range departments {
		l := LeftOut{LeftOut: *received[code], CasesInConflict: len(conflicting[code])}
		each := map[string]bool{}
		for _, list := range [][]string{l.CaseCodes, conflicting[code]} {
			for _, c := range list {
				each[c] = true
			}
		}
		l.Cases = len(each)
		out[code] = l
	}
	return out, nil
}

// addLeftOut adds up what is left out of several departments.
func addLeftOut(list ...LeftOut) LeftOut {
	sum := LeftOut{LeftOut: archive.LeftOut{Quarantined: []archive.QuarantineCount{}}}
	for _, l := range list {
		sum.Cases += l.Cases
		sum.CasesInConflict += l.CasesInConflict
		sum.Waiting += l.Waiting
		sum.InConflict += l.InConflict
		sum.Unreadable += l.Unreadable
		sum.Quarantined = append(sum.Quarantined, l.Quarantined...)
	}
	return sum
}
