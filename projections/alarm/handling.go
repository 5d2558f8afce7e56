package alarm

import (
	"strconv"
	"time"

	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

// What somebody did about an alarm before its review.
const (
	Acknowledged = "acknowledged"
	Assigned     = "assigned"
)

// HandlingTable is the alarm_handling table.
var HandlingTable = pg.Table{
	Name:    "alarm_handling",
	Key:     []string{"chart", "ordinal"},
	Columns: []string{"chart", "ordinal", "did", "handled_at", "department", "alarm", "note", "owner", "due_on", "handled_by"},
}

// HandlingRow is one acknowledgement of an alarm, or its being given to somebody.
// It moves no chart.
type HandlingRow struct {
	Chart      string
	Ordinal    int32
	Did        string // Acknowledged or Assigned
	HandledAt  time.Time
	Department string
	Alarm      string
	Note       string // of an acknowledgement
	Owner      string // "" of an acknowledgement
	DueOn      string // day, "2025-06-30"; "" of an acknowledgement
	HandledBy  string
}

// HandlingRowsOf lists what was done about the alarms of a folded chart code.
func HandlingRowsOf(c fold.Chart) []HandlingRow {
	var out []HandlingRow
	for i, h := range c.Handling {
		row := HandlingRow{Chart: c.Code, Ordinal: int32(i), HandledAt: h.At.UTC().Truncate(time.Microsecond), Department: h.Department}
		if d := h.Acknowledged; d != nil {
			row.Did, row.Alarm, row.Note, row.HandledBy = Acknowledged, string(d.Alarm), string(d.Note), string(d.By)
		}
		if d := h.Assigned; d != nil {
			row.Did, row.Alarm, row.Owner, row.DueOn, row.HandledBy = Assigned, string(d.Alarm), string(d.Owner), string(d.DueOn), string(d.By)
		}
		out = append(out, row)
	}
	return out
}

// Key is the chart and the ordinal of what was done.
func (r HandlingRow) Key() [2]string { return [2]string{r.Chart, strconv.Itoa(int(r.Ordinal))} }

// Values lists the row in the order of HandlingTable.Columns.
func (r HandlingRow) Values() []any {
	return []any{r.Chart, r.Ordinal, r.Did, r.HandledAt, r.Department, r.Alarm, r.Note, r.Owner, r.DueOn, r.HandledBy}
}
