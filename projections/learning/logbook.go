package learning

import (
	"context"
	_ "embed"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/logbook_operations.sql
	logbookOperationsSQL string
	//go:embed sql/logbook_apart.sql
	logbookApartSQL string
)

// Logbook lists the operations of one surgeon in a period, in the order of their
// start, with what they sum up to.
type Logbook struct {
	Surgeon string        `json:"surgeon"`
	From    string        `json:"from"` // first day, included; empty: from the first operation on
	To      string        `json:"to"`   // last day, included; empty: up to the last one
	Totals  LogbookTotals `json:"totals"`
	Cases   []LogbookCase `json:"cases"`
}

// What a surgeon was in an operation.
const (
	RoleFirstOperator = "first-operator" // began it
	RoleLaterOperator = "later-operator" // took over, or did a step
)

// LogbookCase is one operation as its operator's logbook tells it.
type LogbookCase struct {
	Case                  string    `json:"case"`
	CaseNumber            int       `json:"case_number"` // whole cases by then, prior ones added
	OperatedOn            string    `json:"operated_on"` // calendar date at the department
	StartedAt             time.Time `json:"started_at"`
	Department            string    `json:"department"`
	Eye                   string    `json:"eye"`
	Role                  string    `json:"role"`
	Whole                 bool      `json:"whole"` // everything from sculpting through cortex aspiration
	Supervision           string    `json:"supervision"`
	ResponsibleConsultant string    `json:"responsible_consultant"`
	Steps                 []string  `json:"steps"`           // those that the surgeon did, in the usual order
	TakenOver             *bool     `json:"taken_over"`      // stopped unplanned; null when not known
	Rupture               bool      `json:"capsule_rupture"` // that counts for this surgeon
	Complications         []string  `json:"complications"`   // of the operation, whoever caused them
	OutcomeKnown          bool      `json:"outcome_known"`   // the operation is over
	AcuityBefore          string    `json:"acuity_before"`   // known, missing
	AcuityAfter           string    `json:"acuity_after"`    // known, missing, waiting
	Refraction            string    `json:"refraction"`      // known, missing, waiting, not-expected
	FollowupClosed        string    `json:"followup_closed"`
	Excluded              string    `json:"excluded"` // why it stays out of the benchmarks, charts and case number
}

// LogbookTotals sum up the cases of a logbook. An operation that stays out of the
// benchmarks is counted in Operations and Excluded alone.
type LogbookTotals struct {
	Operations        int `json:"operations"`
	Whole             int `json:"whole_cases"`
	Part              int `json:"part_cases"`
	FirstOperator     int `json:"as_first_operator"`
	TakenOver         int `json:"taken_over"`
	Rupture           int `json:"capsule_rupture"`
	AcuityKnown       int `json:"acuity_after_known"`
	AcuityMissing     int `json:"acuity_after_missing"`
	RefractionKnown   int `json:"refraction_known"`
	RefractionMissing int `json:"refraction_missing"`
	Excluded          int `json:"excluded"`
}

// loggedOperation is what of an operation and its eye stands in a logbook.
type loggedOperation struct {
	CaseCode              string
	Department            string
	Eye                   string
	OperatedOn            time.Time
	StartedAt             time.Time
	FirstOperator         string
	ResponsibleConsultant string
	Supervision           string
	OutcomeKnown          bool
	Excluded              string
	Complications         []string
	BeforeOn              *time.Time
	AfterOn               *time.Time
	RefractionOn          *time.Time
	RefractionReason      string
	FollowupClosed        string
}

func loggedOf(c fold.Case) loggedOperation {
	o := outcome.OperationOf(c)
	l := loggedOperation{CaseCode: o.CaseCode, Department: o.Department, Eye: o.Row.Eye, OperatedOn: *o.Row.OperatedOn, StartedAt: *o.StartedAt,
		FirstOperator: o.FirstOperator, ResponsibleConsultant: o.ResponsibleConsultant, Supervision: o.Supervision,
		OutcomeKnown: o.OutcomeKnown, Excluded: o.Excluded, Complications: c.ComplicationKinds()}
	if e := o.Eye; e != nil {
		l.BeforeOn, l.AfterOn, l.RefractionOn = e.BeforeOn, e.AfterOn, e.RefractionOn
		l.RefractionReason, l.FollowupClosed = e.RefractionReason, e.FollowupClosed
	}
	return l
}

// ReadLogbook gives a surgeon's logbook of some days, both included, as of a
// position; a zero day leaves that end open. An operation that stays out of the
// benchmarks stands in it when the surgeon began it. The reader has to see the
// whole of the surgeon: a part would mislead.
func ReadLogbook(ctx context.Context, tx pgx.Tx, surgeon string, from, to time.Time, asOf archive.AsOf) (Logbook, error) {
	standing, err := Standing(ctx, tx, surgeon, asOf)
	if err != nil {
		return Logbook{}, err
	}
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return Logbook{}, err
	}
	done, err := entries(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return Logbook{}, err
	}
	steps, err := stepEntries(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return Logbook{}, err
	}
	operations, err := pg.Structs[loggedOperation](ctx, tx, logbookOperationsSQL, surgeon, int64(asOf.Position))
	if err != nil {
		return Logbook{}, fmt.Errorf("read the operations of a logbook: %w", err)
	}
	for _, c := range straddling {
		if slices.ContainsFunc(done, func(e Entry) bool { return e.CaseCode == c.Code }) {
			operations = append(operations, loggedOf(c))
		}
	}
	apart, err := apartOf(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return Logbook{}, err
	}
	return logbookOf(standing, done, steps, operations, apart, from, to, asOf.RecordedAt), nil
}

// apartOf folds the operations that a surgeon began and that stay out of the
// benchmarks: they are few and have no rows by operator.
func apartOf(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, straddling []fold.Case) ([]fold.Case, error) {
	codes, err := pg.Values[string](ctx, tx, logbookApartSQL, surgeon, int64(asOf.Position))
	if err != nil {
		return nil, fmt.Errorf("list operations outside of the benchmarks: %w", err)
	}
	var out []fold.Case
	if len(codes) > 0 {
		folded, err := archive.CasesAt(ctx, tx, codes, asOf.Position)
		if err != nil {
			return nil, err
		}
		for _, c := range folded {
			if slices.Contains(codes, c.Code) {
				out = append(out, c)
			}
		}
	}
	for _, c := range straddling {
		if c.Counts() && c.Excluded() != "" && c.FirstOperator() == surgeon {
			out = append(out, c)
		}
	}
	return out, nil
}

// logbookOf puts together what was read. at is when the record was read.
func logbookOf(s Surgeon, done []Entry, steps []StepEntry, operations []loggedOperation, apart []fold.Case, from, to, at time.Time) Logbook {
	book := Logbook{Surgeon: s.Surgeon, From: isoDay(from), To: isoDay(to), Cases: []LogbookCase{}}
	numbers := NewNumbering(s, done)
	byCase := make(map[string]loggedOperation, len(operations))
	for _, o := range operations {
		byCase[o.CaseCode] = o
	}
	ran := make(map[string]StepEntry, len(steps))
	for _, e := range steps {
		ran[e.CaseCode] = e
	}
	within := func(day time.Time) bool {
		return (from.IsZero() || !day.Before(from)) && (to.IsZero() || !day.After(to))
	}
	for i, e := range done {
		o, known := byCase[e.CaseCode]
		if !known || !within(o.OperatedOn) {
			continue
		}
		c := loggedCase(s.Surgeon, o, ran[e.CaseCode], at)
		c.CaseNumber, c.Whole, c.TakenOver, c.Rupture = numbers.numbers[i], e.Whole, e.TakenOver, e.Rupture
		book.Cases = append(book.Cases, c)
	}
	for _, a := range apart {
		o := loggedOf(a)
		if !within(o.OperatedOn) {
			continue
		}
		c := loggedCase(s.Surgeon, o, stepsIn(a, s.Surgeon), at)
		c.CaseNumber, c.Whole = numbers.At(o.StartedAt, o.CaseCode), a.Whole(s.Surgeon)
		c.AcuityBefore, c.AcuityAfter, c.Refraction = "", "", ""
		if stopped := a.TakenOver(s.Surgeon); stopped != events.Unknown {
			b := stopped == events.Yes
			c.TakenOver = &b
		}
		if rupture, ruptured := a.Rupture(); ruptured {
			c.Rupture = a.CauseOf(rupture) == s.Surgeon
		}
		book.Cases = append(book.Cases, c)
	}
	slices.SortFunc(book.Cases, func(a, b LogbookCase) int {
		return Order(Entry{StartedAt: a.StartedAt, CaseCode: a.Case}, Entry{StartedAt: b.StartedAt, CaseCode: b.Case})
	})
	for _, c := range book.Cases {
		book.Totals.add(c)
	}
	return book
}

func loggedCase(surgeon string, o loggedOperation, ran StepEntry, at time.Time) LogbookCase {
	c := LogbookCase{Case: o.CaseCode, OperatedOn: isoDay(o.OperatedOn), StartedAt: o.StartedAt.UTC(), Department: o.Department, Eye: o.Eye,
		Role: RoleLaterOperator, ResponsibleConsultant: o.ResponsibleConsultant, Steps: []string{}, Complications: o.Complications,
		OutcomeKnown: o.OutcomeKnown, FollowupClosed: o.FollowupClosed, Excluded: o.Excluded}
	if c.Complications == nil {
		c.Complications = []string{}
	}
	for _, step := range events.StepOrder {
		if slices.Contains(ran.Steps, string(step)) {
			c.Steps = append(c.Steps, string(step))
		}
	}
	if o.FirstOperator == surgeon {
		c.Role, c.Supervision = RoleFirstOperator, o.Supervision
	} else if i := slices.IndexFunc(ran.Supervision, func(word string) bool { return word != "" }); i >= 0 {
		c.Supervision = ran.Supervision[i]
	}
	eye := followedEye{CaseCode: o.CaseCode, OperatedOn: o.OperatedOn, BeforeOn: o.BeforeOn, AfterOn: o.AfterOn,
		RefractionOn: o.RefractionOn, RefractionReason: o.RefractionReason, FollowupClosed: o.FollowupClosed}
	c.AcuityBefore, c.AcuityAfter, c.Refraction = eye.stands(at)
	return c
}

// stepsIn lists the steps that a surgeon did in a folded case.
func stepsIn(c fold.Case, surgeon string) StepEntry {
	var e StepEntry
	for _, r := range stepRuns(c) {
		if r.operator == surgeon {
			e.Steps, e.Supervision = append(e.Steps, string(r.Step.Step)), append(e.Supervision, string(r.Supervision))
		}
	}
	return e
}

func (t *LogbookTotals) add(c LogbookCase) {
	t.Operations++
	if c.Excluded != "" {
		t.Excluded++
		return
	}
	count := func(n *int, holds bool) {
		if holds {
			*n++
		}
	}
	count(&t.Whole, c.Whole)
	count(&t.Part, !c.Whole)
	count(&t.FirstOperator, c.Role == RoleFirstOperator)
	count(&t.TakenOver, c.TakenOver != nil && *c.TakenOver)
	count(&t.Rupture, c.Rupture)
	count(&t.AcuityKnown, c.AcuityAfter == FollowupKnown)
	count(&t.AcuityMissing, c.AcuityAfter == FollowupMissing)
	count(&t.RefractionKnown, c.Refraction == FollowupKnown)
	count(&t.RefractionMissing, c.Refraction == FollowupMissing)
}

// isoDay is a calendar date, or nothing.
func isoDay(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}
