package outcome

import (
	_ "embed"
	"encoding/json"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

// CreateSQL makes the tables of this read model.
//
//go:embed sql/create.sql
var CreateSQL string

// Table is the operation table.
var Table = pg.Table{
	Name: "operation",
	Key:  []string{"case_code"},
	Columns: []string{"case_code", "merged_into", "first_position", "last_position", "departments_seen", "surgeons_seen",
		"department", "people", "patient", "eye", "counts", "excluded", "outcome_known", "operated_on", "started_at",
		"operating_seconds", "responsible_consultant", "first_operator", "supervision", "rupture", "rupture_step",
		"rupture_vitreous", "rupture_cause", "taken_over", "odds_ratio_millionths", "expected_nano",
		"expected_later_nano", "unknown_factors", "conflicts", "retracted", "flags", "awaited_on"},
}

// Row is one case code's row. Probabilities are in thousand-millionths (nano) so
// that sums don't depend on their order.
type Row struct {
	CaseCode              string
	MergedInto            string
	FirstPosition         int64
	LastPosition          int64
	DepartmentsSeen       []string
	SurgeonsSeen          []string
	Department            string
	People                []string
	Patient               string
	Eye                   string
	Counts                bool   // an operation
	Excluded              string // reason for which it stays out of the benchmarks
	OutcomeKnown          bool
	OperatedOn            *time.Time // local calendar date
	StartedAt             *time.Time
	OperatingSeconds      *int64
	ResponsibleConsultant string
	FirstOperator         string
	Supervision           string
	Rupture               bool
	RuptureStep           string
	RuptureVitreous       string
	RuptureCause          string
	TakenOver             *bool // the first operator was stopped unplanned; nil when unknown
	OddsRatioMillionths   int64 // composite odds ratio of the risk model, x 10^6
	ExpectedNano          int64 // expected probability of rupture, x 10^9
	ExpectedLaterNano     *int64
	UnknownFactors        []string
	Conflicts             int32
	Retracted             int32
	Flags                 string     // JSON array of fold.Flag
	AwaitedOn             *time.Time // day for which it is booked, while it has neither started nor been cancelled
}

// Key is the case code.
func (r Row) Key() [2]string { return [2]string{r.CaseCode} }

// Values lists the row in the order of Table.Columns.
func (r Row) Values() []any {
	return []any{r.CaseCode, r.MergedInto, r.FirstPosition, r.LastPosition, r.DepartmentsSeen, r.SurgeonsSeen,
		r.Department, r.People, r.Patient, r.Eye, r.Counts, r.Excluded, r.OutcomeKnown, r.OperatedOn, r.StartedAt,
		r.OperatingSeconds, r.ResponsibleConsultant, r.FirstOperator, r.Supervision, r.Rupture, r.RuptureStep,
		r.RuptureVitreous, r.RuptureCause, r.TakenOver, r.OddsRatioMillionths, r.ExpectedNano,
		r.ExpectedLaterNano, r.UnknownFactors, r.Conflicts, r.Retracted, r.Flags, r.AwaitedOn}
}

// RowOf is the row of a folded case.
func RowOf(c fold.Case) Row {
	r := Row{
		CaseCode: c.Code, MergedInto: c.MergedInto,
		FirstPosition: int64(c.Trace.First), LastPosition: int64(c.Trace.Last),
		DepartmentsSeen: list(c.Trace.Departments), SurgeonsSeen: list(c.Trace.Surgeons),
		Department: c.Department, People: list(c.Involved), UnknownFactors: []string{},
		Conflicts: int32(len(c.Conflicts)), Retracted: int32(c.Retracted), Flags: flagsOf(c),
	}
	if b := c.Booked; b != nil {
		r.Patient, r.Eye = string(b.Patient), string(b.Eye)
		r.AwaitedOn = awaitedOn(c)
	}
	if !c.Counts() {
		return r
	}
	r.Counts, r.Excluded, r.OutcomeKnown = true, c.Excluded(), c.OutcomeKnown()
	on, at := c.OperatedOn(), c.StartedAt.UTC().Truncate(time.Microsecond)
	r.OperatedOn, r.StartedAt = &on, &at
	if d, ok := c.OperatingTime(); ok {
		s := int64(d / time.Second)
		r.OperatingSeconds = &s
	}
	r.ResponsibleConsultant, r.FirstOperator = c.Responsible(), c.FirstOperator()
	r.Supervision = string(c.Started.Supervision)
	r.TakenOver = boolOf(c.TakenOver(c.FirstOperator()))
	if k, ok := c.Rupture(); ok {
		r.Rupture, r.RuptureVitreous, r.RuptureCause = true, string(k.Vitreous), c.CauseOf(k)
		r.RuptureStep = string(k.CausedInStep)
		if r.RuptureStep == "" {
			r.RuptureStep = string(k.NoticedInStep)
		}
	}
	risk := Expected(c.Preop)
	r.OddsRatioMillionths, r.ExpectedNano, r.UnknownFactors = risk.OddsRatioMillionths, risk.Nano, list(risk.Unknown)
	if c.PreopLater != nil {
		later := Expected(c.PreopLater).Nano
		r.ExpectedLaterNano = &later
	}
	return r
}

// awaitedOn is the day for which a case is booked that neither started nor was
// cancelled.
func awaitedOn(c fold.Case) *time.Time {
	day, err := time.Parse(time.DateOnly, string(c.Booked.PlannedOn))
	if err != nil || c.Started != nil || c.Cancelled != nil || c.MergedInto != "" {
		return nil
	}
	return &day
}

// flagsOf lists the case's flags and the values of its events to confirm.
func flagsOf(c fold.Case) string {
	flags := append([]fold.Flag{}, c.Flags...)
	for _, e := range c.Timeline {
		for _, p := range e.Confirmations() {
			flags = append(flags, fold.Flag{Code: p.Code, Source: e.Source, ID: e.ID, Detail: p.Pointer + ": " + p.Detail})
		}
	}
	if c.PreopLater != nil {
		flags = append(flags, fold.Flag{Code: "risk-factors-later", Detail: "risk factors were recorded again after the start; the expected risk stays with what was known before"})
	}
	if off, ok := predictionError(c); ok && max(off, -off) > usualError {
		flags = append(flags, fold.Flag{Code: "confirm", Detail: "the refraction is more than 2 D from what was predicted for the implant"})
	}
	out, err := json.Marshal(flags)
	if err != nil {
		panic(err) // a slice of strings always marshals
	}
	return string(out)
}

// list keeps an empty array empty rather than NULL.
func list(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func boolOf(f events.Fact) *bool {
	if f == events.Unknown {
		return nil
	}
	b := f == events.Yes
	return &b
}
