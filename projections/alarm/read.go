package alarm

import (
	"cmp"
	"context"
	_ "embed"
	"fmt"
	"slices"
	"time"

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
	//go:embed sql/list_handling.sql
	listHandlingSQL string
	//go:embed sql/list_alarms.sql
	listAlarmsSQL string
	//go:embed sql/list_charts.sql
	listChartsSQL string
	//go:embed sql/list_notices.sql
	listNoticesSQL string
	//go:embed sql/latest_known.sql
	latestKnownSQL string
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

// List gives the alarms that the reader may see, latest first, as of a position.
func List(ctx context.Context, tx pgx.Tx, asOf archive.AsOf) ([]Listed, error) {
	rows, err := crossings(ctx, tx, asOf)
	if err != nil {
		return nil, err
	}
	return lives(ctx, tx, rows, asOf)
}

// ListOf gives the alarms of charts that were drawn as of a position, latest first.
func ListOf(ctx context.Context, tx pgx.Tx, drawn []Chart, asOf archive.AsOf) ([]Listed, error) {
	var rows []Row
	for _, c := range drawn {
		rows = append(rows, c.Alarms...)
	}
	slices.SortFunc(rows, latestFirst)
	return lives(ctx, tx, rows, asOf)
}

func latestFirst(a, b Row) int {
	return cmp.Or(b.CrossedAt.Compare(a.CrossedAt), cmp.Compare(a.Alarm, b.Alarm))
}

// lives adds to alarms what people did about them.
func lives(ctx context.Context, tx pgx.Tx, rows []Row, asOf archive.AsOf) ([]Listed, error) {
	if len(rows) == 0 {
		return nil, nil
	}
	notices, err := noticed(ctx, tx, rows, asOf)
	if err != nil {
		return nil, err
	}
	charts := make([]string, len(rows))
	for i, r := range rows {
		charts[i] = r.Chart
	}
	_, reviews, err := decided(ctx, tx, charts, asOf)
	if err != nil {
		return nil, err
	}
	handled, err := handling(ctx, tx, charts, asOf)
	if err != nil {
		return nil, err
	}
	out := make([]Listed, len(rows))
	for i, r := range rows {
		l := Listed{Row: r}
		if n, ok := notices[r.Alarm]; ok {
			l.FirstKnown, l.KnownAt = &n.position, &n.at
		}
		for _, h := range handled {
			if h.Alarm == r.Alarm && h.Department == r.Department {
				l.Handling = append(l.Handling, h)
			}
		}
		restarts := 0
		for _, review := range reviews {
			if review.Chart != r.Chart || review.Department != r.Department {
				continue
			}
			if review.Alarm == r.Alarm {
				l.Reviews = append(l.Reviews, review)
			}
			if review.Restart {
				restarts++
			}
		}
		l.Restarted = restarts >= int(r.Ordinal)
		out[i] = l
	}
	return out, nil
}

// Known is the position at which the newest alarm of a department became known.
type Known struct {
	Department string
	Position   uint64
}

// LatestKnown gives it for each department that the reader may see and that ever had
// an alarm, in no order.
func LatestKnown(ctx context.Context, tx pgx.Tx) ([]Known, error) {
	known, err := pg.Structs[Known](ctx, tx, latestKnownSQL)
	if err != nil {
		return nil, fmt.Errorf("read when alarms became known: %w", err)
	}
	return known, nil
}

// notice is when an alarm was announced.
type notice struct {
	position uint64
	at       time.Time // recorded
}

func noticed(ctx context.Context, tx pgx.Tx, rows []Row, asOf archive.AsOf) (map[string]notice, error) {
	codes := make([]string, len(rows))
	for i, r := range rows {
		codes[i] = r.Alarm
	}
	out := map[string]notice{}
	found, err := tx.Query(ctx, listNoticesSQL, codes)
	if err != nil {
		return nil, fmt.Errorf("read alarm notices: %w", err)
	}
	var code string
	var position int64
	var at *time.Time
	if _, err := pgx.ForEachRow(found, []any{&code, &position, &at}, func() error {
		if uint64(position) <= asOf.Position {
			n := notice{position: uint64(position)}
			if at != nil {
				n.at = at.UTC()
			}
			out[code] = n
		}
		return nil
	}); err != nil {
		return nil, fmt.Errorf("read alarm notices: %w", err)
	}
	return out, nil
}

// handling gives what was done about the alarms of some charts, in the order of
// its time, as of a position.
func handling(ctx context.Context, tx pgx.Tx, charts []string, asOf archive.AsOf) ([]HandlingRow, error) {
	if !asOf.Past {
		rows, err := pg.Structs[HandlingRow](ctx, tx, listHandlingSQL, charts)
		if err != nil {
			return nil, fmt.Errorf("read handling of alarms: %w", err)
		}
		for i := range rows {
			rows[i].HandledAt = rows[i].HandledAt.UTC()
		}
		return rows, nil
	}
	folded, err := archive.ChartsAt(ctx, tx, asOf.Position)
	if err != nil {
		return nil, err
	}
	var out []HandlingRow
	for _, c := range folded {
		if slices.Contains(charts, c.Code) {
			out = append(out, HandlingRowsOf(c)...)
		}
	}
	return out, nil
}

// crossings gives the alarms that the reader may see, latest first.
func crossings(ctx context.Context, tx pgx.Tx, asOf archive.AsOf) ([]Row, error) {
	if !asOf.Past {
		rows, err := pg.Structs[Row](ctx, tx, listAlarmsSQL)
		if err != nil {
			return nil, fmt.Errorf("list alarms: %w", err)
		}
		for i := range rows {
			rows[i].CrossedAt = rows[i].CrossedAt.UTC()
		}
		return rows, nil
	}
	codes, err := pg.Values[string](ctx, tx, chartSurgeonsSQL, int64(asOf.Position))
	if err != nil {
		return nil, fmt.Errorf("list surgeons: %w", err)
	}
	var rows []Row
	for _, s := range codes {
		drawn, _, err := charts(ctx, tx, s, asOf, false)
		if err != nil {
			return nil, err
		}
		for _, c := range drawn {
			rows = append(rows, c.Alarms...)
		}
	}
	slices.SortFunc(rows, latestFirst)
	return rows, nil
}

// DesignsOf gives the designs in force by code: those that people set, which the
// reader may see, and the standards.
func DesignsOf(ctx context.Context, tx pgx.Tx, asOf archive.AsOf) (map[string]Design, error) {
	set, _, err := decided(ctx, tx, nil, asOf)
	if err != nil {
		return nil, err
	}
	out := map[string]Design{}
	for _, d := range append(set, Standards...) {
		out[d.Code] = d
	}
	return out, nil
}

// States says where the charts stand that the reader may see, now.
func States(ctx context.Context, tx pgx.Tx) ([]ChartRow, error) {
	rows, err := pg.Structs[ChartRow](ctx, tx, listChartsSQL)
	if err != nil {
		return nil, fmt.Errorf("list charts: %w", err)
	}
	return rows, nil
}
