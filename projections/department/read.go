package department

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

var (
	//go:embed sql/sum_cells.sql
	sumCellsSQL string
	//go:embed sql/sum_cells_of_many.sql
	sumCellsOfManySQL string
	//go:embed sql/list_spans.sql
	listSpansSQL string
)

// Definition is the version of the measures' definitions, as docs/measures.md
// states them.
const Definition = "2026-1"

// Period is a run of days, both included, by the departments' local calendar.
type Period struct{ From, To time.Time }

// ErrPeriod means that a period can't be read.
var ErrPeriod = errors.New("a period is from and to, each a day such as 2025-03-12 or a month such as 2025-03, with from not after to")

// ParsePeriod reads two days or months; a month stands for its first day as from
// and for its last as to.
func ParsePeriod(from, to string) (Period, error) {
	day := func(s string, last bool) (time.Time, bool) {
		if t, err := time.Parse(time.DateOnly, s); err == nil {
			return t, true
		}
		t, err := time.Parse("2006-01", s)
		if last {
			t = t.AddDate(0, 1, -1)
		}
		return t, err == nil
	}
	f, okFrom := day(from, false)
	t, okTo := day(to, true)
	if !okFrom || !okTo || t.Before(f) {
		return Period{}, fmt.Errorf("%w: found from %q and to %q", ErrPeriod, from, to)
	}
	return Period{f, t}, nil
}

// wholeMonths says whether the period begins and ends with a month.
func (p Period) wholeMonths() bool { return p.From.Day() == 1 && p.To.AddDate(0, 0, 1).Day() == 1 }

// Span is the run of months in which a department has operations.
type Span struct {
	Department string
	Period     Period
}

// Spans lists the departments that the reader may see, by code.
func Spans(ctx context.Context, tx pgx.Tx) ([]Span, error) {
	rows, err := tx.Query(ctx, listSpansSQL)
	if err != nil {
		return nil, fmt.Errorf("list departments: %w", err)
	}
	var out []Span
	var s Span
	_, err = pgx.ForEachRow(rows, []any{&s.Department, &s.Period.From, &s.Period.To}, func() error {
		s.Period.To = s.Period.To.AddDate(0, 1, -1)
		out = append(out, s)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list departments: %w", err)
	}
	return out, nil
}

// Benchmarks are a department's figures for a period, as of a position.
type Benchmarks struct {
	Department     string         `json:"department"`
	From           string         `json:"from"`
	To             string         `json:"to"`
	AsOf           archive.AsOf   `json:"as_of"`
	Definition     string         `json:"definition"`
	Operations     int            `json:"operations"`
	CapsuleRupture RuptureFigure  `json:"capsule_rupture"`
	Takeover       *CountedFigure `json:"unplanned_takeover"`
	Vision         Vision         `json:"vision"`
	Refraction     Refraction     `json:"refraction"`
	Complications  Complications  `json:"complications"`
	Completeness   Completeness   `json:"completeness"`
	Excluded       map[string]int `json:"excluded"`
	LeftOut        LeftOut        `json:"left_out"`
}

// RuptureFigure is the capsule rupture rate: crude, and adjusted by indirect
// standardisation, observed / expected x the reference rate of the population to
// which the risk model is calibrated. Rates and limits are null without a case,
// and below 25 cases only the counts are given.
type RuptureFigure struct {
	Events       int               `json:"events"`
	N            int               `json:"n"`
	Rate         *float64          `json:"rate"`
	Interval     *measure.Interval `json:"interval_95"`
	Exact        *measure.Interval `json:"interval_95_exact"`
	Expected     float64           `json:"expected"`
	AdjustedRate *float64          `json:"adjusted_rate"`
	AdjustedCI   *measure.Interval `json:"adjusted_interval_95"`
	Reference    measure.Reference `json:"reference"`
	RiskModel    string            `json:"risk_model"`
	RiskVersion  string            `json:"risk_model_version"`
	Unknown      map[string]int    `json:"unknown_factors"`
}

// CountedFigure is a crude rate.
type CountedFigure struct {
	Events   int               `json:"events"`
	N        int               `json:"n"`
	Rate     *float64          `json:"rate"`
	Interval *measure.Interval `json:"interval_95"`
}

// Completeness says what is missing: of the operations counted, in how many each
// is known. Acuity and refraction are those that count by their windows.
type Completeness struct {
	OperatingTime   CountedFigure `json:"operating_time_known"`
	AcuityBefore    CountedFigure `json:"acuity_before_known"`
	AcuityAfter     CountedFigure `json:"acuity_after_known"`
	AcuityBoth      CountedFigure `json:"acuity_before_and_after_known"`
	Refraction      CountedFigure `json:"refraction_known"`
	PredictionError CountedFigure `json:"prediction_error_known"`
	FollowupClosed  CountedFigure `json:"followup_closed"`
	Unfinished      int           `json:"operations_without_end"`
}

func completenessOf(sums map[string]int64, unfinished int) (Completeness, error) {
	c := Completeness{Unfinished: unfinished}
	for _, known := range []struct {
		figure   *CountedFigure
		quantity string
	}{
		{&c.OperatingTime, Finished}, {&c.AcuityBefore, AcuityBeforeKnown}, {&c.AcuityAfter, AcuityAfterKnown},
		{&c.AcuityBoth, AcuityBothKnown}, {&c.Refraction, RefractionKnown}, {&c.PredictionError, ErrorKnown},
		{&c.FollowupClosed, FollowupClosed},
	} {
		var err error
		if *known.figure, err = counted(int(sums[known.quantity]), int(sums[Operations])); err != nil {
			return c, err
		}
	}
	return c, nil
}

// Read gives a department's figures. A run of whole months as of now is a sum of
// cells; anything else is summed from the operations themselves by the same
// function.
func Read(ctx context.Context, tx pgx.Tx, department string, p Period, asOf archive.AsOf) (Benchmarks, error) {
	sums, err := sums(ctx, tx, department, p, asOf)
	if err != nil {
		return Benchmarks{}, err
	}
	b, err := benchmarks(department, p, asOf, sums)
	if err != nil {
		return b, err
	}
	left, err := CountLeftOut(ctx, tx, []string{department}, asOf)
	b.LeftOut = left[department]
	return b, err
}

// benchmarks makes the figures of the sums over a period.
func benchmarks(department string, p Period, asOf archive.AsOf, sums map[string]int64) (Benchmarks, error) {
	b := Benchmarks{Department: department, From: p.From.Format(time.DateOnly), To: p.To.Format(time.DateOnly), AsOf: asOf,
		Definition: Definition, Operations: int(sums[Operations]), Excluded: map[string]int{}, LeftOut: addLeftOut()}
	unknown := map[string]int{}
	for q, n := range sums {
		if reason, ok := strings.CutPrefix(q, ExcludedPrefix); ok {
			b.Excluded[reason] = int(n)
		}
		if factor, ok := strings.CutPrefix(q, UnknownPrefix); ok {
			unknown[factor] = int(n)
		}
	}
	var err error
	if b.CapsuleRupture, err = Rupture(int(sums[Ruptures]), b.Operations, sums[ExpectedNano]); err != nil {
		return b, err
	}
	b.CapsuleRupture.Unknown = unknown
	takeover, err := counted(int(sums[Takeovers]), int(sums[TakeoverKnown]))
	if err != nil {
		return b, err
	}
	b.Takeover = &takeover
	if b.Vision, err = visionOf(sums, asOf); err != nil {
		return b, err
	}
	if b.Refraction, err = refractionOf(sums, asOf); err != nil {
		return b, err
	}
	if b.Complications, err = complicationsOf(sums); err != nil {
		return b, err
	}
	b.Completeness, err = completenessOf(sums, b.Excluded[ExcludedUnfinished])
	return b, err
}

func sums(ctx context.Context, tx pgx.Tx, department string, p Period, asOf archive.AsOf) (map[string]int64, error) {
	out := map[string]int64{}
	if asOf.Past || !p.wholeMonths() {
		operations, err := outcome.Operations(ctx, tx, department, p.From, p.To, asOf)
		if err != nil {
			return nil, err
		}
		cells := map[Cell]int64{}
		for _, o := range operations {
			Add(cells, o.Row, o.Eye, 1)
		}
		for c, n := range cells {
			if c.Months == 1 {
				out[c.Quantity] += n
			}
		}
		return out, nil
	}
	rows, err := tx.Query(ctx, sumCellsSQL, department, p.From, p.To)
	if err != nil {
		return nil, fmt.Errorf("sum cells: %w", err)
	}
	var quantity string
	var total int64
	if _, err := pgx.ForEachRow(rows, []any{&quantity, &total}, func() error {
		out[quantity] = total
		return nil
	}); err != nil {
		return nil, fmt.Errorf("sum cells: %w", err)
	}
	return out, nil
}

// sumsOfMany gives each department's sums, as of now those that figures are made of.
func sumsOfMany(ctx context.Context, tx pgx.Tx, departments []string, p Period, asOf archive.AsOf) ([]map[string]int64, error) {
	list := make([]map[string]int64, len(departments))
	if asOf.Past {
		for i, code := range departments {
			var err error
			if list[i], err = sums(ctx, tx, code, p, asOf); err != nil {
				return nil, err
			}
		}
		return list, nil
	}
	at := make(map[string]int, len(departments))
	for i, code := range departments {
		at[code], list[i] = i, map[string]int64{}
	}
	from, to := p.quarters()
	rows, err := tx.Query(ctx, sumCellsOfManySQL, departments, p.From, p.To, from, to, figureQuantities)
	if err != nil {
		return nil, fmt.Errorf("sum cells of departments: %w", err)
	}
	var department, quantity string
	var total int64
	if _, err := pgx.ForEachRow(rows, []any{&department, &quantity, &total}, func() error {
		list[at[department]][quantity] = total
		return nil
	}); err != nil {
		return nil, fmt.Errorf("sum cells of departments: %w", err)
	}
	return list, nil
}

// quarters gives the calendar quarters that lie wholly in a period of whole
// months: the first day of the first one, and the first day after the last one,
// the same where there is none.
func (p Period) quarters() (from, to time.Time) {
	end := p.To.AddDate(0, 0, 1)
	if from = quarterOf(p.From); from.Before(p.From) {
		from = from.AddDate(0, 3, 0)
	}
	if to = quarterOf(end); to.Before(from) {
		return end, end
	}
	return from, to
}

// smallNumber is the number of cases below which counts stand alone.
const smallNumber = 25

// Rupture makes the capsule rupture figure of events among n operations, with
// their expected number x 10^9.
func Rupture(events, n int, expectedNano int64) (RuptureFigure, error) {
	model, reference := measure.DefaultModel(), measure.Reference2016To2022()
	f := RuptureFigure{Events: events, N: n, Expected: float64(expectedNano) / 1e9, Reference: reference,
		RiskModel: model.Name, RiskVersion: model.Version}
	if n < smallNumber {
		return f, nil
	}
	rate, err := measure.NewRate(events, n)
	if err != nil {
		return f, fmt.Errorf("capsule rupture rate of %d in %d: %w", events, n, err)
	}
	f.Rate, f.Interval, f.Exact = &rate.Rate, &rate.Wilson, &rate.Exact
	if expectedNano > 0 {
		adjusted, err := measure.AdjustedRate(events, f.Expected, model, reference)
		if err != nil {
			return f, fmt.Errorf("adjusted capsule rupture rate of %d in %d: %w", events, n, err)
		}
		f.AdjustedRate, f.AdjustedCI = &adjusted.Rate, &adjusted.Exact
	}
	return f, nil
}

func counted(events, n int) (CountedFigure, error) {
	f := CountedFigure{Events: events, N: n}
	if n < smallNumber {
		return f, nil
	}
	rate := float64(events) / float64(n)
	interval, err := measure.Wilson(events, n, 0.95)
	if err != nil {
		return f, fmt.Errorf("rate of %d in %d: %w", events, n, err)
	}
	f.Rate, f.Interval = &rate, &interval
	return f, nil
}
