package department

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

// Eyes are a department's eyes of a period as of a position, read once for what is
// asked of them.
type Eyes struct {
	department string
	period     Period
	asOf       archive.AsOf
	eyes       []outcome.EyeRow
}

// ReadEyes reads them.
func ReadEyes(ctx context.Context, tx pgx.Tx, department string, p Period, asOf archive.AsOf) (Eyes, error) {
	eyes, err := outcome.Eyes(ctx, tx, department, p.From, p.To, asOf)
	return Eyes{department, p, asOf, eyes}, err
}

// LensGroup is what the prediction errors of one lens model say about its
// constant, under one formula, biometer and constant in use. Below 25 eyes only
// their number is given, and where all errors are alike nothing can be said.
// AConstant is there for SRK/T in the eyes whose biometry is on record. A shift is
// advice to verify on other eyes; nothing applies it.
type LensGroup struct {
	LensModel string                    `json:"lens_model"`
	Formula   string                    `json:"formula"`
	Biometer  string                    `json:"biometer"`
	Constant  *float64                  `json:"constant"`
	N         int                       `json:"n"`
	Errors    *measure.PredictionResult `json:"errors"`
	Check     *measure.LensConstant     `json:"check"`
	AConstant *measure.AConstant        `json:"a_constant,omitempty"`
}

// formulaSRKT is the formula whose constant can be worked out from biometry.
const formulaSRKT = "srk/t"

// LensConstants sums up the prediction errors of the main figure's eyes, one eye a
// patient, by lens model, formula, biometer and constant, sorted by these.
//
// Source: Hoffer KJ et al. Am J Ophthalmol 2015;160:403-405 (citation from
// memory).
func (e Eyes) LensConstants() ([]LensGroup, error) { return lensGroups(e.eyes) }

type lensKey struct {
	model, formula, biometer string
	constant                 int64 // millionths; -1 when not stated
}

func lensGroups(eyes []outcome.EyeRow) ([]LensGroup, error) {
	groups := map[lensKey][]outcome.EyeRow{}
	for _, e := range eyes {
		if !e.Main() || e.IsSecond() || e.ErrorThousandths == nil {
			continue
		}
		k := lensKey{e.LensModel, e.Formula, e.Biometer, -1}
		if e.ConstantMillionths != nil {
			k.constant = *e.ConstantMillionths
		}
		groups[k] = append(groups[k], e)
	}
	keys := make([]lensKey, 0, len(groups))
	for k := range groups {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b lensKey) int {
		return cmp.Or(cmp.Compare(a.model, b.model), cmp.Compare(a.formula, b.formula), cmp.Compare(a.biometer, b.biometer),
			cmp.Compare(a.constant, b.constant))
	})
	out := make([]LensGroup, 0, len(keys))
	for _, k := range keys {
		g, err := lensGroup(k, groups[k])
		if err != nil {
			return nil, err
		}
		out = append(out, g)
	}
	return out, nil
}

func lensGroup(k lensKey, eyes []outcome.EyeRow) (LensGroup, error) {
	g := LensGroup{LensModel: k.model, Formula: k.formula, Biometer: k.biometer, N: len(eyes)}
	if eyes[0].ConstantMillionths != nil {
		c := float64(*eyes[0].ConstantMillionths) / 1e6
		g.Constant = &c
	}
	if g.N < smallNumber {
		return g, nil
	}
	off := make([]float64, len(eyes))
	var biometry []measure.LensEye
	for i, e := range eyes {
		off[i] = float64(*e.ErrorThousandths) / 1000
		if e.AxialLengthUM != nil && e.MeanKThousandths != nil {
			biometry = append(biometry, measure.LensEye{AxialLength: float64(*e.AxialLengthUM) / 1000, K: float64(*e.MeanKThousandths) / 1000,
				Power: float64(*e.PowerHundredths) / 100, Achieved: float64(*e.AchievedThousandths) / 1000})
		}
	}
	result, err := measure.NewPredictionResult(off)
	if err != nil {
		return g, err
	}
	g.Errors = &result
	check, err := measure.NewLensConstant(off, 0.95)
	if err := unlessNotToSay(err); err != nil {
		return g, err
	}
	if err == nil {
		g.Check = &check
	}
	if strings.EqualFold(g.Formula, formulaSRKT) && g.Constant != nil && len(biometry) >= smallNumber {
		constant, err := measure.NewAConstant(biometry, *g.Constant, 0.95)
		if err := unlessNotToSay(err); err != nil {
			return g, err
		}
		if err == nil {
			g.AConstant = &constant
		}
	}
	return g, nil
}

// unlessNotToSay drops the refusal of a list that a measure can say nothing about.
func unlessNotToSay(err error) error {
	var refused *measure.ArgumentError
	if errors.As(err, &refused) {
		return nil
	}
	return err
}

// LensAdvice is what a department's prediction errors of a period say about the
// constants in use. A shift is advice to verify on other eyes; nothing applies it.
type LensAdvice struct {
	Department  string       `json:"department"`
	From        string       `json:"from"`
	To          string       `json:"to"`
	AsOf        archive.AsOf `json:"as_of"`
	Definition  string       `json:"definition"`
	N           int          `json:"n"`
	MinimumEyes int          `json:"minimum_eyes"` // below it a group has its number alone
	Advice      string       `json:"advice"`
	Groups      []LensGroup  `json:"groups"`
}

// LensAdvice gives the advice.
func (e Eyes) LensAdvice() (LensAdvice, error) {
	groups, err := e.LensConstants()
	a := LensAdvice{Department: e.department, From: e.period.From.Format(time.DateOnly), To: e.period.To.Format(time.DateOnly), AsOf: e.asOf, Definition: Definition,
		MinimumEyes: smallNumber, Advice: "to verify on other eyes; nothing here changes a constant", Groups: groups}
	for _, g := range groups {
		a.N += g.N
	}
	return a, err
}
