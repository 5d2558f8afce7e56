package department

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/measure"
)

// RiskModelCheck holds the risk model in force against a department's own
// operations of a period, and proposes the same model with intercept and slope
// fitted to them. Nothing here puts a model in force. Calibration is nil below 10
// ruptures, the proposal nil below 100, and the refusals say how many there are and
// how many it takes.
type RiskModelCheck struct {
	Department     string                  `json:"department"`
	From           string                  `json:"from"`
	To             string                  `json:"to"`
	AsOf           archive.AsOf            `json:"as_of"`
	Definition     string                  `json:"definition"`
	Model          string                  `json:"risk_model"`
	Version        string                  `json:"risk_model_version"`
	N              int                     `json:"n"`
	Events         int                     `json:"events"`
	Calibration    *measure.Calibration    `json:"calibration"`
	Deciles        []measure.RiskGroup     `json:"deciles"`
	HosmerLemeshow *measure.HosmerLemeshow `json:"hosmer_lemeshow"`
	Refused        *ModelRefusal           `json:"calibration_refused"`
	Proposal       *ModelProposal          `json:"recalibrated"`
	NoProposal     *ModelRefusal           `json:"recalibrated_refused"`
	Excluded       map[string]int          `json:"excluded"`
}

// ModelRefusal says why a model isn't judged or refitted. Events, the smaller of
// the numbers of ruptures and of operations without, and Needed are 0 where
// something else stands in the way.
type ModelRefusal struct {
	Why    string `json:"why"`
	Events int    `json:"events"`
	Needed int    `json:"needed"`
}

// ModelProposal is the model refitted. Its own figures are of the operations that
// it was fitted to, so that they flatter it: only later ones can judge it.
type ModelProposal struct {
	Name           string                 `json:"name"`
	Version        string                 `json:"version"`
	Population     string                 `json:"population"`
	From           string                 `json:"from"`
	ReferenceRisk  float64                `json:"reference_risk"` // of a patient with every factor at its reference
	ReferenceRate  float64                `json:"reference_rate"`
	Intercept      measure.Coefficient    `json:"intercept"`
	Slope          measure.Coefficient    `json:"slope"`
	After          measure.Calibration    `json:"calibration"`
	Deciles        []measure.RiskGroup    `json:"deciles"`
	HosmerLemeshow measure.HosmerLemeshow `json:"hosmer_lemeshow"`
}

// CheckRiskModel judges the model in force on a department's operations of a period
// as of a position.
func CheckRiskModel(ctx context.Context, tx pgx.Tx, department string, p Period, asOf archive.AsOf) (RiskModelCheck, error) {
	predictors, ruptures, err := Calibration(ctx, tx, department, p, asOf)
	if err != nil {
		return RiskModelCheck{}, err
	}
	sums, err := sums(ctx, tx, department, p, asOf)
	if err != nil {
		return RiskModelCheck{}, err
	}
	c, err := riskModelOf(department, p, asOf, predictors, ruptures)
	c.Excluded = members(sums, ExcludedPrefix)
	return c, err
}

func riskModelOf(department string, p Period, asOf archive.AsOf, predictors []float64, ruptures []bool) (RiskModelCheck, error) {
	model := measure.DefaultModel()
	c := RiskModelCheck{Department: department, From: p.From.Format(time.DateOnly), To: p.To.Format(time.DateOnly), AsOf: asOf, Definition: Definition,
		Model: model.Name, Version: model.Version, N: len(ruptures), Deciles: []measure.RiskGroup{}, Excluded: map[string]int{}}
	risks := make([]float64, len(predictors))
	for i, x := range predictors {
		p, err := model.Probability(math.Exp(x))
		if err != nil {
			return c, fmt.Errorf("risk of an operation: %w", err)
		}
		risks[i] = p
		if ruptures[i] {
			c.Events++
		}
	}
	calibration, err := measure.NewCalibration(risks, ruptures)
	if c.Refused, err = refusalOf(err); err != nil {
		return c, err
	}
	if c.Refused == nil {
		c.Calibration = &calibration
		if c.Deciles, err = measure.Deciles(risks, ruptures); err != nil {
			return c, err
		}
		fit, err := measure.NewHosmerLemeshow(c.Deciles)
		if err != nil {
			return c, err
		}
		c.HosmerLemeshow = &fit
	}
	r, err := measure.Recalibrate(model, predictors, ruptures, measure.RecalibrationRequest{Name: model.Name, Version: model.Version + "+" + department,
		Population: "operations of " + department + " from " + c.From + " to " + c.To, MinimumEvents: measure.RecalibrationEvents})
	if c.NoProposal, err = refusalOf(err); err != nil || c.NoProposal != nil {
		return c, err
	}
	c.Proposal = &ModelProposal{Name: r.Model.Name, Version: r.Model.Version, Population: r.Model.Population, From: r.From,
		ReferenceRisk: r.Model.ReferencePRef, ReferenceRate: r.Model.ReferenceRate, Intercept: r.Intercept, Slope: r.Slope,
		After: r.After, Deciles: r.Deciles, HosmerLemeshow: r.HosmerLemeshow}
	return c, nil
}

// refusalOf tells a measure's refusal from a failure.
func refusalOf(err error) (*ModelRefusal, error) {
	var few *measure.TooFewEventsError
	var argument *measure.ArgumentError
	switch {
	case err == nil:
		return nil, nil
	case errors.As(err, &few):
		return &ModelRefusal{few.Error(), few.Events, few.Needed}, nil
	case errors.As(err, &argument), errors.Is(err, measure.ErrNoCases), errors.Is(err, measure.ErrCollinear), errors.Is(err, measure.ErrSeparated):
		return &ModelRefusal{Why: err.Error()}, nil
	}
	return nil, err
}
