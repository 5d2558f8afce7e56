package feedback

import (
	"slices"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
)

// Stage is the summary of one operation at its stage: what a trainer and a trainee
// look at together. It holds numbers and what they stand beside, and no verdict.
// What is unknown is null, or empty where it is a word.
type Stage struct {
	Case        string `json:"case"`
	Definition  string `json:"definition"`
	Surgeon     string `json:"surgeon"` // first operator
	Department  string `json:"department"`
	OperatedOn  string `json:"operated_on"` // calendar date at the department
	Supervision string `json:"supervision"`

	// RecordSeen says whether the reader sees the whole record of the surgeon. If
	// not, nothing here rests on other operations.
	RecordSeen bool `json:"record_seen"`
	CaseNumber *int `json:"case_number"` // whole cases by then, prior ones added
	Whole      bool `json:"whole"`       // the surgeon did everything from sculpting through cortex aspiration

	Rupture          bool     `json:"rupture"`
	TakenOver        *bool    `json:"taken_over"`               // the first operator was stopped unplanned
	CompletedWithout *bool    `json:"completed_without_either"` // null until the outcome is known
	Operators        []string `json:"operators"`

	OperatingSeconds *int64     `json:"operating_seconds"`
	HandOvers        []HandOver `json:"hand_overs"`

	Steps    []StageStep  `json:"steps"`
	Points   []PointGroup `json:"teaching_points"`
	CameBack []string     `json:"came_back"`         // advised before, and noted here to improve or named in a review, sorted
	NotNoted []Open       `json:"advised_not_noted"` // advised before, not stopped, and not among CameBack
	Looked   bool         `json:"looked_at"`         // the case has a note or a review

	// LastTime is what was said before the operation began, and what became of it here.
	LastReview *Review       `json:"last_review"` // of an earlier case of the surgeon; null without one
	LastTime   []LastAdvised `json:"advised_before"`

	Rhexis   *Rhexis       `json:"rhexis"` // null without any measurement of it
	CaseMix  CaseMix       `json:"case_mix"`
	Findings []LateFinding `json:"findings"`
	Place    *Place        `json:"operating_time"` // null when the time isn't known, or RecordSeen is false
	Reviews  []Review      `json:"reviews"`

	// Discussion lists the reasons for which the case asks for a case discussion,
	// whatever a chart says. Times never are one.
	Discussion []string `json:"discussion"`
}

// StageStep is one run of a step.
type StageStep struct {
	Step        string `json:"step"`
	Operator    string `json:"operator"`
	Supervision string `json:"supervision"`
	Seconds     *int64 `json:"seconds"`
	BeganAfter  *int64 `json:"began_after_seconds"` // from the start of the operation; null when not recorded
	EndedAfter  *int64 `json:"ended_after_seconds"`
	Failed      *bool  `json:"handed_over_unplanned"`
	Others      *Band  `json:"others"`   // null when hidden, or when the step is another operator's
	Compared    string `json:"compared"` // "shorter", "within" or "longer" than the middle half of others
}

// HandOver is a change of the operator, in seconds from the start of the operation.
type HandOver struct {
	After     int64  `json:"after_seconds"`
	From      string `json:"from"`
	To        string `json:"to"`
	Unplanned *bool  `json:"unplanned"`
	Step      string `json:"step"`
}

// Words of a comparison. For a time it is information, and no word is better.
const (
	Shorter = "shorter"
	Within  = "within"
	Longer  = "longer"
	Above   = "above"
	As      = "as"
	Below   = "below"
)

// PointGroup holds the case's teaching points of one consequence.
type PointGroup struct {
	Consequence string       `json:"consequence"` // empty when not recorded
	Points      []StagePoint `json:"points"`
}

// StagePoint is a teaching point noted in this case.
type StagePoint struct {
	Point
	Advised  *Advice `json:"advised_before"` // by when the operation began; null when it wasn't, or isn't known
	CameBack bool    `json:"came_back"`      // to improve, and advised before
}

// Open is a teaching point that was advised before the case.
type Open struct {
	TeachingPoint string `json:"teaching_point"`
	Advised       Advice `json:"advised"`
	LastSeen      Moment `json:"last_seen"`
}

// LateFinding is something found after the operation. Healing says that it belongs
// to healing and isn't an outcome yet.
type LateFinding struct {
	Kind    string `json:"kind"`
	Day     int    `json:"day"` // local calendar days since the operation
	Healing bool   `json:"healing"`
}

// Place is where the operating time stands among the surgeon's operations before
// it. Information only.
type Place struct {
	Seconds     int64 `json:"seconds"`
	Earlier     int   `json:"earlier"`      // operations looked at, LastCases - 1 at most
	Known       int   `json:"known"`        // of them, with a known time
	ShorterThan int   `json:"shorter_than"` // of the known
	LongerThan  int   `json:"longer_than"`
}

// LastCases is how many of a surgeon's operations a case is seen among, itself
// included. Common practice, no source.
const LastCases = 20

// Earlier is one of the operations that a surgeon began before.
type Earlier struct {
	CaseCode         string
	StartedAt        time.Time
	OperatingSeconds *int64
	ExpectedNano     int64
}

// Evidence is what a stage rests on. Without RecordSeen only Case and Row count.
type Evidence struct {
	Case       fold.Case
	Row        outcome.Row
	RecordSeen bool
	Surgeon    learning.Surgeon // the first operator
	Entries    []learning.Entry // all of the surgeon's, in chart order
	Done       []Done
	Earlier    []Earlier // the surgeon's operations before this one, latest first, LastCases - 1 at most
	Points     []Point   // all for the surgeon
	Reviews    []Review  // all of the surgeon's operations
}

// StageOf summarises an operation. It fails only when asking peers does.
func StageOf(e Evidence, peers Peers) (Stage, error) {
	c, row := e.Case, e.Row
	s := Stage{Case: c.Code, Definition: Definition, Surgeon: row.FirstOperator, Department: row.Department,
		OperatedOn: row.OperatedOn.Format(time.DateOnly), Supervision: row.Supervision, RecordSeen: e.RecordSeen,
		Whole: c.Whole(row.FirstOperator), Rupture: row.Rupture, TakenOver: row.TakenOver, Operators: c.Operators(),
		Findings: findingsOf(c), Rhexis: rhexisOf(c), Reviews: ReviewsOf(c, row),
		OperatingSeconds: row.OperatingSeconds, HandOvers: handOversOf(c)}
	if row.OutcomeKnown && row.TakenOver != nil {
		clean := !row.Rupture && !*row.TakenOver
		s.CompletedWithout = &clean
	}
	if s.Reviews == nil {
		s.Reviews = []Review{}
	}
	before := entriesBefore(e)
	if number, known := e.CaseNumber(); known {
		s.CaseNumber = &number
		s.Place = placeOf(row, e.Earlier)
	}
	var err error
	if s.Steps, err = stepsOf(c, row, s.CaseNumber, peers); err != nil {
		return Stage{}, err
	}
	if s.CaseMix, err = caseMixOf(e, s.CaseNumber, peers); err != nil {
		return Stage{}, err
	}
	s.points(e)
	s.Discussion = Discussion(c, takenOverLast(before))
	return s, nil
}

// entriesBefore lists the surgeon's chart entries before the case.
func entriesBefore(e Evidence) []learning.Entry {
	var out []learning.Entry
	if !e.RecordSeen {
		return nil
	}
	at := learning.Entry{CaseCode: e.Case.Code, StartedAt: *e.Row.StartedAt}
	for _, entry := range e.Entries {
		if learning.Order(entry, at) < 0 {
			out = append(out, entry)
		}
	}
	return out
}

// CaseNumber counts the first operator's whole cases, prior ones added, this one
// included when it is one. A part case carries the number reached by then. It is
// false when the reader doesn't see the surgeon's record.
func (e Evidence) CaseNumber() (int, bool) {
	if !e.RecordSeen {
		return 0, false
	}
	number := int(e.Surgeon.PriorWhole)
	for _, entry := range entriesBefore(e) {
		if entry.Whole {
			number++
		}
	}
	if e.Row.Excluded == "" && e.Case.Whole(e.Row.FirstOperator) {
		number++
	}
	return number, true
}

// takenOverLast says whether the surgeon was stopped unplanned in the latest case
// that entered their charts.
func takenOverLast(before []learning.Entry) bool {
	for _, entry := range slices.Backward(before) {
		if entry.Enters {
			return entry.TakenOver != nil && *entry.TakenOver
		}
	}
	return false
}

// stepsOf lists the runs of the steps in the order of the record, then those known
// from a hand-over alone. Only the first operator's are set beside others: another
// operator's count of cases is another.
func stepsOf(c fold.Case, row outcome.Row, number *int, peers Peers) ([]StageStep, error) {
	row.Excluded = "" // such an operation has steps too; it only isn't pooled
	entries := learning.StepEntriesOf(c, row)
	next := make(map[string]int, len(entries))
	out := []StageStep{}
	take := func(entry learning.StepEntry, s fold.Step) {
		i := next[entry.Surgeon]
		next[entry.Surgeon]++
		run := StageStep{Step: entry.Steps[i], Operator: entry.Surgeon, Supervision: entry.Supervision[i], Failed: entry.Failed[i],
			BeganAfter: after(c, s.StartedAt), EndedAfter: after(c, s.FinishedAt)}
		if s := entry.Seconds[i]; s != nil {
			seconds := int64(*s)
			run.Seconds = &seconds
		}
		out = append(out, run)
	}
	for _, s := range c.Steps {
		who := operatorOf(c, s)
		if at := slices.IndexFunc(entries, func(e learning.StepEntry) bool { return e.Surgeon == who }); at >= 0 {
			take(entries[at], s)
		}
	}
	for _, entry := range entries {
		for next[entry.Surgeon] < len(entry.Steps) {
			take(entry, fold.Step{})
		}
	}
	for i := range out {
		if number == nil || peers.Step == nil || out[i].Operator != row.FirstOperator {
			continue
		}
		band, err := peers.Step(out[i].Step, *number)
		if err != nil {
			return nil, err
		}
		if band.Others < MinOthers {
			continue
		}
		out[i].Others = &band
		if out[i].Seconds != nil {
			out[i].Compared = place(float64(*out[i].Seconds), band.Lower, band.Upper, Shorter, Within, Longer)
		}
	}
	return out, nil
}

// after counts the seconds from the start of the operation; nil without a time.
func after(c fold.Case, at time.Time) *int64 {
	if at.IsZero() {
		return nil
	}
	s := int64(at.Sub(c.StartedAt) / time.Second)
	return &s
}

func handOversOf(c fold.Case) []HandOver {
	out := []HandOver{}
	for _, ch := range c.Changes {
		h := HandOver{After: *after(c, ch.At), From: string(ch.From), To: string(ch.To), Step: string(ch.Step)}
		if u := ch.Unplanned(); u != events.Unknown {
			h.Unplanned = yes(u == events.Yes)
		}
		out = append(out, h)
	}
	return out
}

// place says where a value stands to the middle half.
func place(x, lower, upper float64, under, in, over string) string {
	switch {
	case x < lower:
		return under
	case x > upper:
		return over
	}
	return in
}

// placeOf counts the earlier operations that took longer and less long.
func placeOf(row outcome.Row, earlier []Earlier) *Place {
	if row.OperatingSeconds == nil {
		return nil
	}
	p := Place{Seconds: *row.OperatingSeconds, Earlier: len(earlier)}
	for _, e := range earlier {
		if e.OperatingSeconds == nil {
			continue
		}
		p.Known++
		switch {
		case p.Seconds < *e.OperatingSeconds:
			p.ShorterThan++
		case p.Seconds > *e.OperatingSeconds:
			p.LongerThan++
		}
	}
	return &p
}

// HealingDays is how long what is found at the cornea, and what is measured
// through it, belongs to healing: the first day that counts for refraction. An
// over-hydrated wound settles within one to three weeks. Common practice, no
// source.
const HealingDays = 28

// findingsOf lists what was found after the operation, in order; early refraction
// and keratometry stand there as healing.
func findingsOf(c fold.Case) []LateFinding {
	out := []LateFinding{}
	add := func(kind string, at time.Time, cornea bool) {
		if day := dayOf(c, at); !at.Before(c.StartedAt) && (kind != kindRefraction && kind != kindKeratometry || day < HealingDays) {
			out = append(out, LateFinding{Kind: kind, Day: day, Healing: cornea && day < HealingDays})
		}
	}
	for _, f := range c.Findings {
		add(string(f.Kind), f.At, f.Kind == events.FindingCornealOedema)
	}
	for _, r := range c.Refractions {
		add(kindRefraction, r.At, true)
	}
	for _, k := range c.Keratometries {
		add(kindKeratometry, k.At, true)
	}
	slices.SortStableFunc(out, func(a, b LateFinding) int { return a.Day - b.Day })
	return out
}

const (
	kindRefraction  = "refraction"
	kindKeratometry = "keratometry"
)

// dayOf counts local calendar days since the operation.
func dayOf(c fold.Case, at time.Time) int {
	y, m, d := at.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Sub(c.OperatedOn()) / (24 * time.Hour))
}
