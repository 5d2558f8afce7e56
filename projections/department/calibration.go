package department

import (
	"cmp"
	"context"
	"math"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/outcome"
)

// Calibration gives, for a department's operations of a period whose outcome is
// known, the risk model's linear predictor (the natural logarithm of the composite
// odds ratio, the surgeon at the reference grade) and whether the capsule
// ruptured: what a recalibration of the model is fitted to. Both are in the order
// of the case codes.
func Calibration(ctx context.Context, tx pgx.Tx, department string, p Period, asOf archive.AsOf) (predictors []float64, ruptures []bool, err error) {
	rows, err := outcome.Rows(ctx, tx, department, p.From, p.To, asOf)
	if err != nil {
		return nil, nil, err
	}
	slices.SortFunc(rows, func(a, b outcome.Row) int { return cmp.Compare(a.CaseCode, b.CaseCode) })
	for _, r := range rows {
		if ExcludedReason(r) == "" {
			predictors = append(predictors, math.Log(float64(r.OddsRatioMillionths)/1e6))
			ruptures = append(ruptures, r.Rupture)
		}
	}
	return predictors, ruptures, nil
}
