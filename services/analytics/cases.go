package analytics

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// caseRecord is one operated eye as the record tells it. What is unknown is null,
// or empty where it is a word.
type caseRecord struct {
	Basis
	Case         string   `json:"case"`
	Merged       []string `json:"merged_codes"` // other codes of the same operation
	Department   string   `json:"department"`
	Patient      string   `json:"patient"`
	Eye          string   `json:"eye"`
	Counts       bool     `json:"counts"`   // an operation
	Excluded     string   `json:"excluded"` // reason for which it stays out of the benchmarks
	OutcomeKnown bool     `json:"outcome_known"`

	OperatedOn       *string    `json:"operated_on"` // calendar date at the department
	StartedAt        *time.Time `json:"started_at"`
	FinishedAt       *time.Time `json:"finished_at"`
	OperatingSeconds *int64     `json:"operating_seconds"`
	Cancelled        *cancelled `json:"cancelled"`
	Booked           *booked    `json:"booked"`

	ResponsibleConsultant string   `json:"responsible_consultant"`
	FirstOperator         string   `json:"first_operator"`
	Supervision           string   `json:"supervision"`
	Anaesthesia           []string `json:"anaesthesia"`
	Operators             []string `json:"operators"`
	TakenOver             *bool    `json:"taken_over"` // the first operator was stopped unplanned

	Rupture       *rupture       `json:"capsule_rupture"`
	Expected      *expected      `json:"expected"`
	Steps         []step         `json:"steps"`
	HandOvers     []handOver     `json:"hand_overs"`
	Complications []complication `json:"complications"`
	Implant       *implant       `json:"implant"`
	facts
	Followup followup       `json:"followup"`
	Outcome  *eyeOutcome    `json:"eye_outcome"` // null for what is no operation or stays out of the benchmarks
	Reviews  []caseReviewed `json:"reviews"`

	Questions []caseQuestion `json:"questions"` // what operators say is wrong in this record

	Flags     []fold.Flag     `json:"flags"`
	Conflicts []identity      `json:"conflicts"`
	Retracted int             `json:"retracted"`
	Timeline  []timelineEvent `json:"timeline"`
}

type cancelled struct {
	Stage  string `json:"stage"`
	Reason string `json:"reason"`
}

type booked struct {
	PlannedOn            string   `json:"planned_on"`
	PlannedFirstOperator string   `json:"planned_first_operator"`
	FirstOrSecondEye     string   `json:"first_or_second_eye"`
	Procedure            string   `json:"procedure"`
	CombinedWith         []string `json:"combined_with"`
	Urgency              string   `json:"urgency"`
	ListKind             string   `json:"list_kind"`
}

type rupture struct {
	Step     string `json:"step"`
	Vitreous string `json:"vitreous"`
	Cause    string `json:"operator_at_cause"` // a surgeon's code or "undetermined"
}

// expected is the risk of capsule rupture from what was known before the first
// incision, a probability from 0 to 1; RiskLater is that from what was recorded
// after it, null when nothing was.
type expected struct {
	Model              string   `json:"model"`
	Version            string   `json:"version"`
	CompositeOddsRatio float64  `json:"composite_odds_ratio"`
	Risk               float64  `json:"risk"`
	RiskLater          *float64 `json:"risk_later"`
	Unknown            []string `json:"unknown"`
}

type step struct {
	Step        string     `json:"step"`
	Operator    string     `json:"operator"`
	Supervision string     `json:"supervision"`
	StartedAt   *time.Time `json:"started_at"`
	FinishedAt  *time.Time `json:"finished_at"`
	Seconds     *float64   `json:"seconds"`
}

type handOver struct {
	At        time.Time `json:"at"`
	From      string    `json:"from"`
	To        string    `json:"to"`
	Planned   *bool     `json:"planned"` // as recorded
	Reason    string    `json:"reason"`
	Step      string    `json:"step"`
	Unplanned *bool     `json:"unplanned"` // as it is read, from planned or the reason
}

type complication struct {
	At           time.Time `json:"at"`
	Kind         string    `json:"kind"`
	NoticedStep  string    `json:"noticed_in_step"`
	NoticedBy    string    `json:"noticed_by"`
	CausedInStep string    `json:"caused_in_step"`
	CausedBy     string    `json:"caused_by"`         // as recorded
	AtCause      string    `json:"operator_at_cause"` // as it is read
	ClockHours   *int64    `json:"clock_hours"`
	Vitreous     string    `json:"vitreous"`
	Management   string    `json:"management"`
}

type implant struct {
	DeviceIdentifier string   `json:"device_identifier"`
	LensModel        string   `json:"lens_model"`
	PowerD           *float64 `json:"power_d"`
	CylinderD        *float64 `json:"cylinder_d"`
	AxisDeg          *int64   `json:"axis_deg"`
	OpticUM          *int64   `json:"optic_um"`
	Site             string   `json:"site"`
	RhexisOverlap    string   `json:"rhexis_overlap"`
}

type identity struct {
	Source string `json:"source"`
	ID     string `json:"id"`
}

// timelineEvent is an event that stands, after corrections.
type timelineEvent struct {
	Time    time.Time       `json:"time"` // with the offset as sent
	Type    events.Type     `json:"type"`
	Source  string          `json:"source"`
	ID      string          `json:"id"`
	Amended bool            `json:"amended"`
	Data    json.RawMessage `json:"data"`
}

// getCase serves GET /v1/cases/{case}.
func (s *Service) getCase(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: Reader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		record, err := outcome.Read(r.Context(), tx, mux.Vars(r)["case"], asOf)
		if err != nil {
			return nil, err
		}
		group, err := archive.CasesAt(r.Context(), tx, []string{record.Case.Code}, asOf.Position)
		if err != nil {
			return nil, err
		}
		return recordOf(record, MergedCodes(record.Case.Code, group))
	}})
}

// MergedCodes lists the codes of a group of folded cases that were merged into
// one code, sorted.
func MergedCodes(into string, group []fold.Case) []string {
	merged := []string{}
	for _, c := range group {
		if c.MergedInto == into {
			merged = append(merged, c.Code)
		}
	}
	slices.Sort(merged)
	return merged
}

func recordOf(record outcome.Record, merged []string) (caseRecord, error) {
	c, row := record.Case, record.Row
	out := caseRecord{
		Basis: basis(record.AsOf), Case: c.Code, Merged: merged, Department: c.Department, Patient: row.Patient, Eye: row.Eye,
		Counts: row.Counts, Excluded: row.Excluded, OutcomeKnown: row.OutcomeKnown,
		StartedAt: momentOf(c.StartedAt), FinishedAt: momentOf(c.FinishedAt), OperatingSeconds: row.OperatingSeconds,
		ResponsibleConsultant: c.Responsible(), FirstOperator: c.FirstOperator(), Supervision: row.Supervision,
		Anaesthesia: []string{}, Operators: []string{}, TakenOver: row.TakenOver,
		Steps: make([]step, len(c.Steps)), HandOvers: make([]handOver, len(c.Changes)), Complications: make([]complication, len(c.Complications)),
		facts: factsOf(c), Followup: followupOf(c), Reviews: caseReviewsOf(c), Questions: caseQuestionsOf(c),
		Flags: []fold.Flag{}, Conflicts: make([]identity, len(c.Conflicts)), Retracted: c.Retracted, Timeline: make([]timelineEvent, len(c.Timeline)),
	}
	if err := json.Unmarshal([]byte(row.Flags), &out.Flags); err != nil {
		return out, fmt.Errorf("read flags of a case: %w", err)
	}
	if row.OperatedOn != nil {
		day := row.OperatedOn.Format(time.DateOnly)
		out.OperatedOn = &day
	}
	if k := c.Cancelled; k != nil {
		out.Cancelled = &cancelled{string(k.Stage), string(k.Reason)}
	}
	if b := c.Booked; b != nil {
		out.Booked = &booked{PlannedOn: string(b.PlannedOn), PlannedFirstOperator: string(b.PlannedFirstOperator),
			FirstOrSecondEye: string(b.FirstOrSecondEye), Procedure: string(b.Procedure), CombinedWith: textsOf(b.CombinedWith),
			Urgency: string(b.Urgency), ListKind: string(b.ListKind)}
	}
	if c.Started != nil {
		out.Anaesthesia, out.Operators = textsOf(c.Started.Anaesthesia), c.Operators()
	}
	if row.Rupture {
		out.Rupture = &rupture{Step: row.RuptureStep, Vitreous: row.RuptureVitreous, Cause: row.RuptureCause}
	}
	if row.Counts {
		out.Expected = expectedOf(row)
	}
	for i, s := range c.Steps {
		out.Steps[i] = step{Step: string(s.Step), Operator: s.Operator, Supervision: string(s.Supervision),
			StartedAt: momentOf(s.StartedAt), FinishedAt: momentOf(s.FinishedAt), Seconds: StepSeconds(s)}
	}
	for i, h := range c.Changes {
		out.HandOvers[i] = handOver{At: h.At, From: string(h.From), To: string(h.To), Planned: truth(h.Planned), Reason: string(h.Reason),
			Step: string(h.Step), Unplanned: truth(h.Unplanned())}
	}
	for i, k := range c.Complications {
		out.Complications[i] = complication{At: k.At, Kind: string(k.Kind), NoticedStep: string(k.NoticedInStep), NoticedBy: string(k.NoticedBy),
			CausedInStep: string(k.CausedInStep), CausedBy: string(k.CausedBy), AtCause: c.CauseOf(k), ClockHours: known(k.ClockHours),
			Vitreous: string(k.Vitreous), Management: string(k.Management)}
	}
	if l := c.Lens; l != nil {
		out.Implant = &implant{DeviceIdentifier: string(l.DeviceIdentifier), LensModel: string(l.LensModel), PowerD: dioptres(l.PowerD),
			CylinderD: dioptres(l.CylinderD), AxisDeg: known(l.AxisDeg), OpticUM: known(l.OpticUM), Site: string(l.Site), RhexisOverlap: string(l.RhexisOverlap)}
	}
	var err error
	if out.Outcome, err = eyeOutcomeOf(c, row); err != nil {
		return out, err
	}
	for i, id := range c.Conflicts {
		out.Conflicts[i] = identity{id.Source, id.ID}
	}
	for i, e := range c.Timeline {
		out.Timeline[i] = timelineEvent{Time: e.Time, Type: e.Type, Source: e.Source, ID: e.ID, Amended: e.Amended,
			Data: json.RawMessage(events.RawOf(e.Data))}
	}
	return out, nil
}

func expectedOf(row outcome.Row) *expected {
	out := &expected{Model: recalibrated.Name, Version: recalibrated.Version, CompositeOddsRatio: events.Millionths(row.OddsRatioMillionths).Float(),
		Risk: float64(row.ExpectedNano) / 1e9, Unknown: row.UnknownFactors}
	if row.ExpectedLaterNano != nil {
		later := float64(*row.ExpectedLaterNano) / 1e9
		out.RiskLater = &later
	}
	return out
}

// longestStep is the hard limit of a step's time; a longer one is a missed end.
// Common practice, no source.
const longestStep = 2 * time.Hour

// StepSeconds is how long one run of a step took; nil when its start or end is
// unknown or its length can't be.
func StepSeconds(s fold.Step) *float64 {
	d := s.FinishedAt.Sub(s.StartedAt)
	if s.StartedAt.IsZero() || s.FinishedAt.IsZero() || d < 0 || d > longestStep {
		return nil
	}
	seconds := d.Seconds()
	return &seconds
}

func momentOf(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func truth(f events.Fact) *bool {
	if f == events.Unknown {
		return nil
	}
	yes := f == events.Yes
	return &yes
}

func known[T any](o events.Opt[T]) *T {
	if !o.Known {
		return nil
	}
	return &o.Value
}

func dioptres(o events.Opt[events.Hundredths]) *float64 {
	if !o.Known {
		return nil
	}
	d := float64(o.Value) / 100
	return &d
}

func textsOf[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, t := range list {
		out[i] = string(t)
	}
	return out
}
