package feedback

import (
	"context"
	_ "embed"
	"fmt"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/learning"
	"lensledger/projections/measure"
	"lensledger/projections/pg"
)

//go:embed sql/list_case_mix.sql
var listCaseMixSQL string

// MinOthers is how many other surgeons a band needs before it is shown.
const MinOthers = 5

// Band is the middle half of what others had in a band of experience.
type Band struct {
	learning.Band
	Others int     `json:"others"` // surgeons, the one compared left out
	N      int     `json:"n"`      // values
	Lower  float64 `json:"lower_quartile"`
	Median float64 `json:"median"`
	Upper  float64 `json:"upper_quartile"`
}

// Peers asks for what others had at the same count of cases, without any person in
// the answer. A nil function, or a band of fewer than MinOthers, is shown as
// nothing.
type Peers struct {
	Step    func(step string, caseNumber int) (Band, error) // seconds of one run
	CaseMix func(caseNumber int) (Band, error)              // composite odds ratios of the risk model
}

// ReadPeers reads what others had in the band of the case's number. It runs as the
// internal role figures of the case's department, which is no person's, in a
// transaction of its own after the one of ReadEvidence. Step times are those of all
// others, case mix is that of other trainees whom the role sees. It answers as of
// now, whatever the evidence is of.
func ReadPeers(ctx context.Context, tx pgx.Tx, e Evidence) (Peers, error) {
	number, known := e.CaseNumber()
	band, ok := learning.BandOf(number)
	if !known || !ok {
		return Peers{}, nil
	}
	steps, err := learning.Peers(ctx, tx, e.Row.FirstOperator, band)
	if err != nil {
		return Peers{}, err
	}
	times := map[string]Band{}
	for _, p := range steps {
		if !p.Hidden {
			times[p.Step] = Band{Band: p.Band, Others: *p.Others, N: *p.Runs, Lower: *p.Lower, Median: *p.Median, Upper: *p.Upper}
		}
	}
	mix, err := readCaseMix(ctx, tx, e.Row.FirstOperator, band)
	if err != nil {
		return Peers{}, err
	}
	return Peers{
		Step:    func(step string, _ int) (Band, error) { return times[step], nil },
		CaseMix: func(int) (Band, error) { return mix, nil },
	}, nil
}

func readCaseMix(ctx context.Context, tx pgx.Tx, surgeon string, band learning.Band) (Band, error) {
	type mixed struct {
		Surgeon             string
		OddsRatioMillionths int64
	}
	first := band.First
	if first == learning.Bands[0].First {
		first = 0 // a part case before the first whole one
	}
	rows, err := pg.Structs[mixed](ctx, tx, listCaseMixSQL, surgeon, first, band.Last)
	if err != nil {
		return Band{}, fmt.Errorf("read the case mix of others: %w", err)
	}
	out := Band{Band: band, N: len(rows)}
	ratios := make([]float64, len(rows))
	for i, r := range rows {
		if i == 0 || r.Surgeon != rows[i-1].Surgeon {
			out.Others++
		}
		ratios[i] = float64(r.OddsRatioMillionths) / 1e6
	}
	if out.Others < MinOthers {
		return Band{}, nil
	}
	out.Lower, out.Median, out.Upper, err = quartiles(ratios)
	return out, err
}

// quartiles are those of rule 7.
func quartiles(values []float64) (lower, median, upper float64, err error) {
	if lower, err = measure.Quantile(values, 0.25, 7); err != nil {
		return 0, 0, 0, err
	}
	if median, err = measure.Quantile(values, 0.5, 7); err != nil {
		return 0, 0, 0, err
	}
	upper, err = measure.Quantile(values, 0.75, 7)
	return lower, median, upper, err
}
