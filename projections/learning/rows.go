package learning

import (
	"cmp"
	_ "embed"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

// CreateSQL makes the tables of this read model.
//
//go:embed sql/create.sql
var CreateSQL string

// EntryTable is the chart_entry table.
var EntryTable = pg.Table{
	Name: "chart_entry",
	Key:  []string{"case_code", "surgeon"},
	Columns: []string{"case_code", "surgeon", "department", "started_at", "whole", "enters", "outcome_known", "rupture",
		"taken_over", "odds_ratio_millionths"},
}

// Entry is one operator's part in one operation.
type Entry struct {
	CaseCode            string
	Surgeon             string
	Department          string
	StartedAt           time.Time
	Whole               bool  // did everything from sculpting through cortex aspiration
	Enters              bool  // enters the surgeon's charts, as EntriesOf says
	OutcomeKnown        bool  // the operation is over
	Rupture             bool  // a capsule rupture that counts for this surgeon
	TakenOver           *bool // stopped unplanned; nil when not known
	OddsRatioMillionths int64 // composite odds ratio of the case, x 10^6
}

// Key is the case code and the surgeon.
func (e Entry) Key() [2]string { return [2]string{e.CaseCode, e.Surgeon} }

// Values lists the row in the order of EntryTable.Columns.
func (e Entry) Values() []any {
	return []any{e.CaseCode, e.Surgeon, e.Department, e.StartedAt, e.Whole, e.Enters, e.OutcomeKnown, e.Rupture,
		e.TakenOver, e.OddsRatioMillionths}
}

// EntriesOf lists the operators of a folded case. Operations that stay out of
// the benchmarks stay out of the charts.
//
// A case enters when the surgeon did the whole of it or was stopped unplanned. One
// abandoned enters for whoever had begun the part that makes a whole case, and for
// whose rupture it is: neither may vanish for it.
//
// A rupture counts for whoever caused it; one whose cause is undetermined counts
// for everyone who enters; and a hand-over for difficulty or complication never
// clears who was stopped. Common practice, no source.
func EntriesOf(c fold.Case, row outcome.Row) []Entry {
	if !c.Counts() || row.Excluded != "" {
		return nil
	}
	var out []Entry
	rupture, ruptured := c.Rupture()
	cause := ""
	if ruptured {
		cause = c.CauseOf(rupture)
	}
	for _, surgeon := range c.Operators() {
		stopped := c.TakenOver(surgeon)
		e := Entry{CaseCode: c.Code, Surgeon: surgeon, Department: c.Department, StartedAt: *row.StartedAt,
			Whole: c.Whole(surgeon), OutcomeKnown: row.OutcomeKnown, OddsRatioMillionths: row.OddsRatioMillionths}
		if stopped != events.Unknown {
			b := stopped == events.Yes
			e.TakenOver = &b
		}
		e.Rupture = ruptured && (cause == surgeon || cause == events.Undetermined || stopped == events.Yes)
		e.Enters = e.Whole || stopped == events.Yes || c.Abandoned() && (c.InCore(surgeon) || e.Rupture)
		out = append(out, e)
	}
	return out
}

// SurgeonTable is the surgeon table.
var SurgeonTable = pg.Table{
	Name: "surgeon",
	Key:  []string{"surgeon"},
	Columns: []string{"surgeon", "first_position", "last_position", "enrolled", "department", "post", "trainee",
		"prior_whole", "prior_part"},
}

// Surgeon is one surgeon's standing.
type Surgeon struct {
	Surgeon       string
	FirstPosition int64
	LastPosition  int64
	Enrolled      bool
	Department    string
	Post          string
	Trainee       bool
	PriorWhole    int32
	PriorPart     int32
}

// Key is the surgeon's code.
func (s Surgeon) Key() [2]string { return [2]string{s.Surgeon} }

// Values lists the row in the order of SurgeonTable.Columns.
func (s Surgeon) Values() []any {
	return []any{s.Surgeon, s.FirstPosition, s.LastPosition, s.Enrolled, s.Department, s.Post, s.Trainee, s.PriorWhole, s.PriorPart}
}

// SurgeonOf is the row of a folded surgeon.
func SurgeonOf(s fold.Surgeon) Surgeon {
	return Surgeon{Surgeon: s.Code, FirstPosition: int64(s.Trace.First), LastPosition: int64(s.Trace.Last), Enrolled: s.Enrolled,
		Department: s.Department, Post: string(s.Post), Trainee: s.Trainee(), PriorWhole: int32(s.PriorWhole), PriorPart: int32(s.PriorPart)}
}

// Order sorts entries by start, then case code.
func Order(a, b Entry) int {
	return cmp.Or(a.StartedAt.Compare(b.StartedAt), cmp.Compare(a.CaseCode, b.CaseCode))
}
