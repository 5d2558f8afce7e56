package alarm

import (
	"context"
	_ "embed"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/list_designs.sql
	listDesignsSQL string
	//go:embed sql/list_reviews.sql
	listReviewsSQL string
	//go:embed sql/list_alarms.sql
	listAlarmsSQL string
	//go:embed sql/list_charts.sql
	listChartsSQL string
	//go:embed sql/list_notices.sql
	listNoticesSQL string
	//go:embed sql/chart_surgeons.sql
	chartSurgeonsSQL string
)

// Charts draws all charts of a surgeon as of a position: the same function that
// the projector stores alarms by, and the charts of steps, which are drawn on
// reading alone. A surgeon without a visible case has none.
func Charts(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]Chart, error) {
	drawn, _, err := charts(ctx, tx, surgeon, asOf, true)
	return drawn, err
}

// charts also gives the entries that the charts are drawn from.
func charts(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, withSteps bool) ([]Chart, []learning.Entry, error) {
	entries, err := learning.Entries(ctx, tx, surgeon, asOf)
	if err != nil || (len(entries) == 0 && !withSteps) {
		return nil, nil, err
	}
	standing, err := learning.Standing(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, nil, err
	}
	var codes []string
	for _, k := range chartsOf {
		codes = append(codes, CodeOf(surgeon, k.Outcome, k.Kind))
	}
	designs, reviews, err := decided(ctx, tx, codes, asOf)
	if err != nil {
		return nil, nil, err
	}
	var out []Chart
	if len(entries) > 0 {
		if standing.Department == "" {
			standing.Department = entries[len(entries)-1].Department
		}
		out = ComputeAll(standing, entries, designs, RestartsOf(reviews))
	}
	if !withSteps || !hasStepCharts(standing, designs) {
		return out, entries, nil
	}
	steps, err := learning.StepEntries(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, nil, err
	}
	return append(out, StepCharts(standing, entries, steps, designs)...), entries, nil
}

// decided gives the designs, and the reviews of some charts, as of a position.
func decided(ctx context.Context, tx pgx.Tx, charts []string, asOf archive.AsOf) ([]Design, []ReviewRow, error) {
	var designs []Design
	if asOf.Past {
		folded, err := archive.ChartsAt(ctx, tx, asOf.Position)
		if err != nil {
			return nil, nil, err
		}
		var reviews []ReviewRow
		for _, c := range folded {
			if r, ok := DesignRowOf(c); ok {
				designs = append(designs, r.Design())
			}
			if slices.Contains(charts, c.Code) {
				reviews = append(reviews, ReviewRowsOf(c)...)
			}
		}
		return designs, reviews, nil
	}
	rows, err := pg.Structs[DesignRow](ctx, tx, listDesignsSQL)
	if err != nil {
		return nil, nil, fmt.Errorf("read chart designs: %w", err)
	}
	for _, r := range rows {
		r.DesignedAt = r.DesignedAt.UTC()
		designs = append(designs, r.Design())
	}
	reviews, err := pg.Structs[ReviewRow](ctx, tx, listReviewsSQL, charts)
	if err != nil {
		return nil, nil, fmt.Errorf("read chart reviews: %w", err)
	}
	for i := range reviews {
		reviews[i].ReviewedAt = reviews[i].ReviewedAt.UTC()
	}
	return designs, reviews, nil
}

// Listed is an alarm with what people made of it.
type Listed struct {
	Row
	FirstKnown *uint64 // position when it was announced; nil when it came with a rebuild
	Reviews    []ReviewRow
	Restarted  bool // the chart has begun again since
}

// List gives the alarms that the reader may see, latest first, as of a position.
func List(ctx context.Context, tx pgx.Tx, asOf archive.AsOf) ([]Listed, error) {
	rows, reviews, err := listed(ctx, tx, asOf)
	if err != nil {
		return nil, err
	}
	codes := make([]string, len(rows))
	for i, r := range rows {
		codes[i] = r.Alarm
	}
	notices := map[string]uint64{}
	found, err := tx.Query(ctx, listNoticesSQL, codes)
	if err != nil {
		return nil, fmt.Errorf("read alarm notices: %w", err)
	}
	var code string
	var position int64
	if _, err := pgx.ForEachRow(found, []any{&code, &position}, func() error {
		notices[code] = uint64(position)
		return nil
	}); err != nil {
		return nil, fmt.Errorf("read alarm notices: %w", err)
	}
	out := make([]Listed, len(rows))
	for i, r := range rows {
		out[i] = Listed{Row: r}
		if p, ok := notices[r.Alarm]; ok && p <= asOf.Position {
			out[i].FirstKnown = &p
		}
		restarts := 0
		for _, review := range reviews {
			if review.Chart != r.Chart || review.Department != r.Department {
				continue
			}
			if review.Alarm == r.Alarm {
				out[i].Reviews = append(out[i].Reviews, review)
			}
			if review.Restart {
				restarts++
			}
		}
		out[i].Restarted = restarts >= int(r.Ordinal)
	}
	return out, nil
}

// listed gives alarms and the reviews of their charts.
func listed(ctx context.Context, tx pgx.Tx, asOf archive.AsOf) ([]Row, []ReviewRow, error) {
	var rows []Row
	if asOf.Past {
		codes, err := pg.Values[string](ctx, tx, chartSurgeonsSQL, int64(asOf.Position))
		if err != nil {
			return nil, nil, fmt.Errorf("list surgeons: %w", err)
		}
		for _, s := range codes {
			drawn, _, err := charts(ctx, tx, s, asOf, false)
			if err != nil {
				return nil, nil, err
			}
			for _, c := range drawn {
				rows = append(rows, c.Alarms...)
			}
		}
		slices.SortFunc(rows, func(a, b Row) int {
			if c := b.CrossedAt.Compare(a.CrossedAt); c != 0 {
				return c
			}
			return slices.Compare([]string{a.Alarm}, []string{b.Alarm})
		})
	} else {
		var err error
		if rows, err = pg.Structs[Row](ctx, tx, listAlarmsSQL); err != nil {
			return nil, nil, fmt.Errorf("list alarms: %w", err)
		}
		for i := range rows {
			rows[i].CrossedAt = rows[i].CrossedAt.UTC()
		}
	}
	charts := make([]string, len(rows))
	for i, r := range rows {
		charts[i] = r.Chart
	}
	_, reviews, err := decided(ctx, tx, charts, asOf)
	return rows, reviews, err
}

// States says where the charts stand that the reader may see, now.
func States(ctx context.Context, tx pgx.Tx) ([]ChartRow, error) {
	rows, err := pg.Structs[ChartRow](ctx, tx, listChartsSQL)
	if err != nil {
		return nil, fmt.Errorf("list charts: %w", err)
	}
	return rows, nil
}
