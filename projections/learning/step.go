package learning

import (
	"cmp"
	"slices"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

// StepTable is the step_entry table.
var StepTable = pg.Table{
	Name:    "step_entry",
	Key:     []string{"case_code", "surgeon"},
	Columns: []string{"case_code", "surgeon", "department", "started_at", "whole", "steps", "seconds", "supervision", "failed"},
}

// StepEntry is one operator's steps in one operation. The four lists are parallel,
// one place for each run of a step in the order of the record: rows are few and
// the live path stays fast.
type StepEntry struct {
	CaseCode    string
	Surgeon     string
	Department  string
	StartedAt   time.Time // of the operation
	Whole       bool      // the surgeon did everything from sculpting through cortex aspiration
	Steps       []string
	Seconds     []*int32 // nil when unknown
	Supervision []string // "" when unknown
	Failed      []*bool  // handed over unplanned in this run; nil when not known
}

// Key is the case code and the surgeon.
func (e StepEntry) Key() [2]string { return [2]string{e.CaseCode, e.Surgeon} }

// Values lists the row in the order of StepTable.Columns.
func (e StepEntry) Values() []any {
	return []any{e.CaseCode, e.Surgeon, e.Department, e.StartedAt, e.Whole, e.Steps, e.Seconds, e.Supervision, e.Failed}
}

// Failure says whether the surgeon's part in a step failed: any of its runs was
// handed over unplanned. ran is false when there is no run of the step.
func (e StepEntry) Failure(step string) (failed events.Fact, ran bool) {
	failed = events.No
	for i, s := range e.Steps {
		if s != step {
			continue
		}
		ran = true
		switch f := e.Failed[i]; {
		case f == nil && failed == events.No:
			failed = events.Unknown
		case f != nil && *f:
			failed = events.Yes
		}
	}
	return failed, ran
}

// maxStepSeconds is the longest that a step can take; beyond it, the record is
// wrong. Common practice, no source.
const maxStepSeconds = 7200

// StepEntriesOf lists the steps of a folded case by operator. Operations that stay
// out of the benchmarks stay out.
//
// A run belongs to whoever the step names, else to whoever operated then by the
// start and the hand-overs. It failed when its operator was stopped unplanned in
// it: the hand-over names the step, or names none and lies within the run. Of a
// hand-over that names a step which has no run of its operator a run without times
// is made, if steps of the operation are recorded at all. Common practice, no
// source.
func StepEntriesOf(c fold.Case, row outcome.Row) []StepEntry {
	if !c.Counts() || row.Excluded != "" || len(c.Steps) == 0 {
		return nil
	}
	runs := stepRuns(c)
	var out []StepEntry
	for _, r := range runs {
		at := slices.IndexFunc(out, func(e StepEntry) bool { return e.Surgeon == r.operator })
		if at < 0 {
			at = len(out)
			out = append(out, StepEntry{CaseCode: c.Code, Surgeon: r.operator, Department: c.Department,
				StartedAt: *row.StartedAt, Whole: c.Whole(r.operator)})
		}
		e := &out[at]
		e.Steps, e.Supervision = append(e.Steps, string(r.Step.Step)), append(e.Supervision, string(r.Supervision))
		e.Seconds = append(e.Seconds, r.seconds(c))
		var failed *bool
		if r.failed != events.Unknown && row.OutcomeKnown {
			b := r.failed == events.Yes
			failed = &b
		}
		e.Failed = append(e.Failed, failed)
	}
	return out
}

// stepRun is a run with its operator.
type stepRun struct {
	fold.Step
	operator string
	stopped  bool        // handed over within it, planned or not
	failed   events.Fact // handed over unplanned
}

// stepRuns lists the runs of an operation, with what the hand-overs make of them.
func stepRuns(c fold.Case) []stepRun {
	var runs []stepRun
	for _, s := range c.Steps {
		r := stepRun{Step: s, operator: s.Operator, failed: events.No}
		if r.operator == "" {
			r.operator = c.OperatorAt(r.began())
		}
		if r.operator != "" {
			runs = append(runs, r)
		}
	}
	for _, ch := range c.Changes {
		unplanned := ch.Unplanned()
		at := placeOf(runs, ch)
		if at < 0 && ch.Step != "" && unplanned != events.No && ch.From != "" {
			at = len(runs)
			runs = append(runs, stepRun{Step: fold.Step{Step: ch.Step}, operator: string(ch.From), failed: events.No})
		}
		if at < 0 {
			continue
		}
		r := &runs[at]
		r.stopped = true
		if unplanned == events.Yes || (unplanned == events.Unknown && r.failed == events.No) {
			r.failed = unplanned
		}
	}
	return runs
}

// placeOf finds the run in which its operator was stopped: the latest begun by
// then of the step that the hand-over names, else the one in which it lies; -1
// without one.
func placeOf(runs []stepRun, ch fold.Change) int {
	found := -1
	for i, r := range runs {
		if r.operator != string(ch.From) || (ch.Step != "" && r.Step.Step != ch.Step) {
			continue
		}
		if began := r.began(); began.IsZero() || !began.After(ch.At) || (found < 0 && ch.Step != "") {
			found = i
		}
	}
	if found >= 0 && ch.Step == "" && !runs[found].FinishedAt.IsZero() && runs[found].FinishedAt.Before(ch.At) {
		return -1 // between two steps
	}
	return found
}

// began is the start of a run, or its end when only that is recorded.
func (r stepRun) began() time.Time {
	if r.StartedAt.IsZero() {
		return r.FinishedAt
	}
	return r.StartedAt
}

// seconds is the length of a run: unknown when either end is missing, when it is
// outside 0 to 7,200 seconds or outside the operation, and when another surgeon
// took over within it, since the time is then nobody's.
func (r stepRun) seconds(c fold.Case) *int32 {
	if r.StartedAt.IsZero() || r.FinishedAt.IsZero() || r.stopped {
		return nil
	}
	if r.StartedAt.Before(c.StartedAt) || (!c.FinishedAt.IsZero() && r.FinishedAt.After(c.FinishedAt)) {
		return nil
	}
	d := r.FinishedAt.Sub(r.StartedAt)
	if d < 0 || d > maxStepSeconds*time.Second {
		return nil
	}
	s := int32(d / time.Second)
	return &s
}

// OrderSteps sorts step entries by the start of the operation, then case code.
func OrderSteps(a, b StepEntry) int {
	return cmp.Or(a.StartedAt.Compare(b.StartedAt), cmp.Compare(a.CaseCode, b.CaseCode))
}

// CaseNumbers gives the case number of each entry in chart order: whole cases so
// far, prior ones added. A part case carries the number reached by then.
func CaseNumbers(prior int, entries []Entry) []int {
	out := make([]int, len(entries))
	for i, e := range entries {
		if e.Whole {
			prior++
		}
		out[i] = prior
	}
	return out
}

// Numbering finds case numbers of one surgeon.
type Numbering struct {
	prior   int
	entries []Entry
	numbers []int
}

// NewNumbering numbers a surgeon's entries, which are in chart order.
func NewNumbering(s Surgeon, entries []Entry) Numbering {
	return Numbering{int(s.PriorWhole), entries, CaseNumbers(int(s.PriorWhole), entries)}
}

// At gives the case number of an operation: its own, or, when it is none of the
// surgeon's entries, the number reached by then.
func (n Numbering) At(started time.Time, code string) int {
	at, found := slices.BinarySearchFunc(n.entries, Entry{StartedAt: started, CaseCode: code}, Order)
	switch {
	case found:
		return n.numbers[at]
	case at == 0:
		return n.prior
	}
	return n.numbers[at-1]
}

// Reached is the case number of the latest operation.
func (n Numbering) Reached() int {
	if len(n.numbers) == 0 {
		return n.prior
	}
	return n.numbers[len(n.numbers)-1]
}
