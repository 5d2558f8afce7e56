package feedback

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
)

// Planned is a booked case with its case mix beside what is usual at the planned
// first operator's count of cases. It holds facts; nobody is chosen by it.
type Planned struct {
	outcome.Planned
	Surgeon    string // planned first operator; empty when not recorded
	Supervised bool   // the reader sees the surgeon's whole record
	CaseNumber int    // whole cases so far, prior ones added; 0 without Supervised
	CaseMix    CaseMix
	evidence   Evidence
}

// ReadPlanned sets planned cases beside the surgeon's own latest operations, where
// the reader sees the surgeon's record. Beside asks for the others afterwards.
func ReadPlanned(ctx context.Context, tx pgx.Tx, planned []outcome.Planned, supervised func(surgeon string) bool, asOf archive.AsOf) ([]Planned, error) {
	known := map[string]Evidence{}
	out := make([]Planned, len(planned))
	for i, p := range planned {
		surgeon := string(p.Case.Booked.PlannedFirstOperator)
		out[i] = Planned{Planned: p, Surgeon: surgeon, Supervised: surgeon != "" && supervised(surgeon)}
		if out[i].Supervised {
			e, found := known[surgeon]
			if !found {
				var err error
				if e, err = surgeonEvidence(ctx, tx, surgeon, p.PlannedOn, asOf); err != nil {
					return nil, err
				}
				known[surgeon] = e
			}
			out[i].evidence = e
			out[i].CaseNumber = learning.NewNumbering(e.Surgeon, e.Entries).Reached()
		}
		out[i].evidence.Row.ExpectedNano = p.Risk.Nano
		out[i].evidence.Row.OddsRatioMillionths = p.Risk.OddsRatioMillionths
		out[i].evidence.Row.UnknownFactors = p.Risk.Unknown
	}
	return out, nil
}

// surgeonEvidence reads what a surgeon did so far.
func surgeonEvidence(ctx context.Context, tx pgx.Tx, surgeon string, on time.Time, asOf archive.AsOf) (Evidence, error) {
	e := Evidence{RecordSeen: true}
	var err error
	if e.Surgeon, err = learning.Standing(ctx, tx, surgeon, asOf); err != nil {
		return e, err
	}
	if e.Entries, err = learning.Entries(ctx, tx, surgeon, asOf); err != nil {
		return e, err
	}
	// Everything that the surgeon began lies before the end of the planned day.
	end := on.AddDate(0, 0, 2)
	e.Row.FirstOperator, e.Row.StartedAt = surgeon, &end
	e.Earlier, err = readEarlier(ctx, tx, e.Row, asOf)
	return e, err
}

// Beside fills in the case mix, with that of other trainees at the same count. It
// runs as the internal role figures of the planned cases' department, which is no
// person's, in a transaction of its own after that of ReadPlanned.
func Beside(ctx context.Context, tx pgx.Tx, planned []Planned) error {
	type place struct {
		surgeon string
		band    learning.Band
	}
	bands := map[place]Band{}
	for i := range planned {
		p := &planned[i]
		var number *int
		peers := Peers{}
		if p.Supervised {
			n := p.CaseNumber
			number = &n
			if band, ok := learning.BandOf(n + 1); ok { // the planned one is the next
				at := place{p.Surgeon, band}
				mix, found := bands[at]
				if !found {
					var err error
					if mix, err = readCaseMix(ctx, tx, p.Surgeon, band); err != nil {
						return err
					}
					bands[at] = mix
				}
				peers.CaseMix = func(int) (Band, error) { return mix, nil }
			}
		}
		var err error
		if p.CaseMix, err = caseMixOf(p.evidence, number, peers); err != nil {
			return err
		}
	}
	return nil
}
