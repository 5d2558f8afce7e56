package alarm

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/projections/measure"
	"lensledger/projections/pg"
)

// FalseAlarmRate is how many false alarms a year are to be expected of all
// detection charts of a department together, were everybody's performance exactly
// as acceptable: for each chart the cases of the last year on record divided by
// its average number of cases to a false alarm.
//
// Source: measure.FalseAlarmsAYear, with exact run lengths for cases of equal risk.
type FalseAlarmRate struct {
	Department string             `json:"department"`
	From       string             `json:"from"` // first day of the year counted; "" without an operation
	To         string             `json:"to"`
	Charts     []ChartFalseAlarms `json:"charts"`
	PerYear    float64            `json:"per_year"`
	Unknown    int                `json:"unknown"` // charts whose run length can't be worked out; not in the sum
}

// ChartFalseAlarms is one chart's share. Surgeon is "" for the department's own
// charts.
type ChartFalseAlarms struct {
	Chart            string   `json:"chart"`
	Surgeon          string   `json:"surgeon"`
	Outcome          string   `json:"outcome"`
	Design           Design   `json:"-"`
	DesignCode       string   `json:"design"`
	Cases            int      `json:"cases"`              // of the last year
	AverageRunLength *float64 `json:"average_run_length"` // cases to a false alarm; null when unknown
	PerYear          *float64 `json:"per_year"`
}

// FalseAlarms reads the expected false alarms of a department's detection charts,
// its own charts of misses and of loss of vision among them, as of a position. The
// year ends with the latest operation on the surgeons' charts. The reader has to
// see the department's charts whole.
func FalseAlarms(ctx context.Context, tx pgx.Tx, department string, asOf archive.AsOf) (FalseAlarmRate, error) {
	out := FalseAlarmRate{Department: department, Charts: []ChartFalseAlarms{}}
	standing := standingCharts
	if asOf.Past {
		standing = pastCharts
	}
	found, entries, err := standing(ctx, tx, department, asOf)
	if err != nil || len(entries) == 0 {
		return out, err
	}
	last := slices.MaxFunc(entries, func(a, b learning.Entry) int { return a.StartedAt.Compare(b.StartedAt) }).StartedAt.UTC()
	to := time.Date(last.Year(), last.Month(), last.Day(), 0, 0, 0, 0, time.UTC)
	from := to.AddDate(-1, 0, 1)
	out.From, out.To = from.Format(time.DateOnly), to.Format(time.DateOnly)
	cases := map[[2]string]int{}
	for _, e := range entries {
		for _, c := range personal {
			if o := observation(c, e, 0); o.Enters && o.Known && !e.StartedAt.Before(from) {
				cases[[2]string{e.Surgeon, c}]++
			}
		}
	}
	for _, c := range found {
		c.Cases = cases[[2]string{c.Surgeon, c.Outcome}]
		out.Charts = append(out.Charts, c)
	}
	groups, err := DepartmentCharts(ctx, tx, department, OwnOutcomes, ByNothing, asOf)
	if err != nil {
		return out, err
	}
	for _, g := range groups {
		c := chartShare(g.Code, "", g.Design)
		c.Cases = since(g.Points, from) + since(g.Provisional, from)
		out.Charts = append(out.Charts, c)
	}
	slices.SortFunc(out.Charts, func(a, b ChartFalseAlarms) int {
		return cmp.Or(cmp.Compare(a.Surgeon, b.Surgeon), cmp.Compare(a.Outcome, b.Outcome))
	})
	return out, out.sum()
}

// sum works out each chart's share and the whole.
func (r *FalseAlarmRate) sum() error {
	var inUse []measure.ChartInUse
	for i := range r.Charts {
		c := &r.Charts[i]
		known := c.Design.Lengths()
		if !known.Known {
			r.Unknown++
			continue
		}
		length := known.InControl
		one := measure.ChartInUse{InControl: length, CasesAYear: float64(c.Cases)}
		share, err := measure.FalseAlarmsAYear([]measure.ChartInUse{one})
		if err != nil {
			return fmt.Errorf("false alarms of chart %s: %w", c.Chart, err)
		}
		c.AverageRunLength, c.PerYear = &length.AverageRunLength, &share
		inUse = append(inUse, one)
	}
	var err error
	if r.PerYear, err = measure.FalseAlarmsAYear(inUse); err != nil {
		return fmt.Errorf("false alarms of %s: %w", r.Department, err)
	}
	return nil
}

// OwnOutcomes are the outcomes that a department's own charts watch.
var OwnOutcomes = []string{string(events.OutcomeRefractionMiss), string(events.OutcomeVisualLoss)}

// personal are the outcomes for which a chart raises an alarm for a person.
var personal = []string{string(events.OutcomeCapsuleRupture), string(events.OutcomeUnplannedTakeover)}

func chartShare(chart, surgeon string, d Design) ChartFalseAlarms {
	return ChartFalseAlarms{Chart: chart, Surgeon: surgeon, Outcome: d.Outcome, Design: d, DesignCode: d.Code}
}

func since(points []Point, from time.Time) int {
	n := 0
	for _, p := range points {
		if !p.StartedAt.Before(from) {
			n++
		}
	}
	return n
}

// standingCharts lists the detection charts of a department's surgeons as they
// stand, with the entries of the last year.
func standingCharts(ctx context.Context, tx pgx.Tx, department string, asOf archive.AsOf) ([]ChartFalseAlarms, []learning.Entry, error) {
	states, err := States(ctx, tx)
	if err != nil {
		return nil, nil, err
	}
	designs, err := DesignsOf(ctx, tx, asOf)
	if err != nil {
		return nil, nil, err
	}
	var out []ChartFalseAlarms
	var surgeons []string
	for _, s := range states {
		if s.Department == department && s.Kind == string(events.KindDetection) {
			out = append(out, chartShare(s.Chart, s.Surgeon, designs[s.Design]))
			surgeons = append(surgeons, s.Surgeon)
		}
	}
	entries, err := learning.LastYear(ctx, tx, surgeons)
	return out, entries, err
}

// pastCharts lists them as they stood, with all entries.
func pastCharts(ctx context.Context, tx pgx.Tx, department string, asOf archive.AsOf) ([]ChartFalseAlarms, []learning.Entry, error) {
	surgeons, err := pg.Values[string](ctx, tx, chartSurgeonsSQL, int64(asOf.Position))
	if err != nil {
		return nil, nil, fmt.Errorf("list surgeons: %w", err)
	}
	var out []ChartFalseAlarms
	var all []learning.Entry
	for _, surgeon := range surgeons {
		drawn, entries, err := charts(ctx, tx, surgeon, asOf, false)
		if err != nil {
			return nil, nil, err
		}
		if len(drawn) == 0 || drawn[0].Surgeon.Department != department {
			continue
		}
		all = append(all, entries...)
		for _, c := range drawn {
			if c.Design.Kind == string(events.KindDetection) {
				out = append(out, chartShare(c.Code, surgeon, c.Design))
			}
		}
	}
	return out, all, nil
}
