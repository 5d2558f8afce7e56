package alarm

import (
	_ "embed"
	"slices"
	"strconv"
	"time"

	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

// CreateSQL makes the tables of this read model.
//
//go:embed sql/create.sql
var CreateSQL string

// Table is the alarm table.
var Table = pg.Table{
	Name: "alarm",
	Key:  []string{"alarm"},
	Columns: []string{"alarm", "chart", "ordinal", "surgeon", "department", "outcome", "kind", "case_code", "case_number",
		"crossed_at", "value", "threshold"},
}

// Row is one alarm: the first case of a stretch at or over the line. Value and
// threshold are in log-likelihood units x 10^6.
type Row struct {
	Alarm      string
	Chart      string
	Ordinal    int32 // the stretch of the chart: 1 before any restart
	Surgeon    string
	Department string
	Outcome    string
	Kind       string
	CaseCode   string
	CaseNumber int32
	CrossedAt  time.Time
	Value      int64
	Threshold  int64
}

// Key is the alarm's code.
func (r Row) Key() [2]string { return [2]string{r.Alarm} }

// Values lists the row in the order of Table.Columns.
func (r Row) Values() []any {
	return []any{r.Alarm, r.Chart, r.Ordinal, r.Surgeon, r.Department, r.Outcome, r.Kind, r.CaseCode, r.CaseNumber,
		r.CrossedAt, r.Value, r.Threshold}
}

// ChartTable is the chart table.
var ChartTable = pg.Table{
	Name: "chart",
	Key:  []string{"chart"},
	Columns: []string{"chart", "surgeon", "department", "outcome", "kind", "design", "cases", "events", "left_out",
		"value", "threshold", "alarms", "closed"},
}

// ChartRow says where one chart stands; value and threshold x 10^6.
type ChartRow struct {
	Chart      string
	Surgeon    string
	Department string
	Outcome    string
	Kind       string
	Design     string
	Cases      int32
	Events     int32
	LeftOut    int32
	Value      int64
	Threshold  int64
	Alarms     int32 // stretches that reached the line
	Closed     bool
}

// Key is the chart's code.
func (r ChartRow) Key() [2]string { return [2]string{r.Chart} }

// Values lists the row in the order of ChartTable.Columns.
func (r ChartRow) Values() []any {
	return []any{r.Chart, r.Surgeon, r.Department, r.Outcome, r.Kind, r.Design, r.Cases, r.Events, r.LeftOut,
		r.Value, r.Threshold, r.Alarms, r.Closed}
}

// Row is the chart's row.
func (c Chart) Row() ChartRow {
	return ChartRow{Chart: c.Code, Surgeon: c.Surgeon.Surgeon, Department: c.Surgeon.Department, Outcome: c.Design.Outcome,
		Kind: c.Design.Kind, Design: c.Design.Code, Cases: int32(len(c.Points)), Events: int32(c.Events), LeftOut: int32(c.LeftOut),
		Value: millionths(c.Value()), Threshold: millionths(c.Design.Threshold),
		Alarms: int32(len(c.Alarms) + len(c.Reaching)), Closed: c.Closed}
}

// ReviewTable is the chart_review table.
var ReviewTable = pg.Table{
	Name:    "chart_review",
	Key:     []string{"chart", "ordinal"},
	Columns: []string{"chart", "ordinal", "restart", "reviewed_at", "department", "alarm", "finding", "action", "reviewed_by"},
}

// ReviewRow is one review or restart.
type ReviewRow struct {
	Chart      string
	Ordinal    int32
	Restart    bool
	ReviewedAt time.Time
	Department string
	Alarm      string
	Finding    string
	Action     string
	ReviewedBy string
}

// ReviewRowsOf lists the reviews of a folded chart code.
func ReviewRowsOf(c fold.Chart) []ReviewRow {
	var out []ReviewRow
	for i, r := range c.Reviews {
		out = append(out, ReviewRow{Chart: c.Code, Ordinal: int32(i), Restart: r.Restart, ReviewedAt: r.At.UTC().Truncate(time.Microsecond),
			Department: r.Department, Alarm: string(r.Alarm), Finding: string(r.Finding), Action: string(r.Action), ReviewedBy: string(r.By)})
	}
	return out
}

// Key is the chart and the ordinal of the review.
func (r ReviewRow) Key() [2]string { return [2]string{r.Chart, strconv.Itoa(int(r.Ordinal))} }

// Values lists the row in the order of ReviewTable.Columns.
func (r ReviewRow) Values() []any {
	return []any{r.Chart, r.Ordinal, r.Restart, r.ReviewedAt, r.Department, r.Alarm, r.Finding, r.Action, r.ReviewedBy}
}

// Restarts are what people restarted, by chart.
type Restarts map[string][]ReviewRow

// RestartsOf picks the restarts from some reviews.
func RestartsOf(rows []ReviewRow) Restarts {
	out := Restarts{}
	for _, r := range rows {
		if r.Restart {
			out[r.Chart] = append(out[r.Chart], r)
		}
	}
	return out
}

// times lists when a chart was restarted by the surgeon's own department, sorted.
func (r Restarts) times(chart, department string) []time.Time {
	var out []time.Time
	for _, review := range r[chart] {
		if review.Department == department {
			out = append(out, review.ReviewedAt)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}
