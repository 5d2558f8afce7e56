package analytics

import (
	"context"
	"net/http"
	"slices"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/projections/measure"
	"lensledger/services/access"
	"lensledger/services/web"
)

// chart is one chart of a surgeon with everything that is needed to read it.
type chart struct {
	Chart      string         `json:"chart"`
	Surgeon    string         `json:"surgeon"`
	Department string         `json:"department"`
	Outcome    string         `json:"outcome"`
	Kind       string         `json:"kind"`
	State      alarm.State    `json:"state"`
	Words      string         `json:"words"`
	CannotSee  string         `json:"cannot_see"`
	N          int            `json:"n"`
	Events     int            `json:"events"`
	Value      float64        `json:"value"` // where it stands, log-likelihood units
	Design     chartDesign    `json:"design"`
	Cases      []alarm.Point  `json:"cases"`
	Alarms     []crossed      `json:"alarms"`
	Reached    []crossed      `json:"evidence_reached"`
	LeftOut    int            `json:"left_out"`   // entered, outcome not known yet
	PartCases  int            `json:"part_cases"` // part of an operation, so not entered
	Closed     bool           `json:"closed"`
	Excluded   map[string]int `json:"excluded"`
	CanTell    *alarm.CanTell `json:"can_tell"` // null where run lengths can't be worked out
	Climb      climb          `json:"climb"`
	History    []deed         `json:"history"` // who did what about its alarms
}

// climb is how a chart came to where it stands: the cases since it last stood at
// zero, whose scores add up to its value.
type climb struct {
	From     *time.Time     `json:"from"` // null where it stands at zero
	Cases    int            `json:"cases"`
	Events   int            `json:"events"`
	Expected float64        `json:"expected"`
	With     float64        `json:"contribution_with_event"`
	Without  float64        `json:"contribution_without_event"`
	Largest  []contribution `json:"largest"` // up or down, at most 20
}

// contribution is what one case added to a chart.
type contribution struct {
	Case         string    `json:"case"`
	CaseNumber   int       `json:"case_number"`
	StartedAt    time.Time `json:"started_at"`
	Outcome      int       `json:"outcome"`
	Expected     float64   `json:"expected"`
	Contribution float64   `json:"contribution"`
}

func climbOf(c alarm.Climb) climb {
	out := climb{From: c.From, Cases: c.Cases, Events: c.Events, Expected: c.Expected, With: c.With, Without: c.Without, Largest: []contribution{}}
	for _, p := range c.Largest {
		out.Largest = append(out.Largest, contribution{p.Case, p.CaseNumber, p.StartedAt, p.Outcome, p.Expected, p.Score})
	}
	return out
}

// Reasons for which a case isn't on a chart.
const (
	excludedOutcome = "outcome-not-known"
	excludedPart    = "part-case"
)

// chartDesign is the chart's design. Probabilities run from 0 to 1.
type chartDesign struct {
	Code         string             `json:"code"`
	Scope        string             `json:"scope"`
	DesignedAt   *time.Time         `json:"designed_at"` // null for a standard design
	Acceptable   float64            `json:"acceptable"`
	Unacceptable float64            `json:"unacceptable"`
	OddsRatio    float64            `json:"odds_ratio"`
	Threshold    float64            `json:"threshold"`
	ChosenBy     string             `json:"chosen_by"`
	ClosesAfter  *int               `json:"closes_after_cases"` // null: never
	RiskModel    string             `json:"risk_model"`         // "" where every case has the acceptable risk
	RiskVersion  string             `json:"risk_model_version"`
	InControl    *measure.RunLength `json:"in_control"` // null where they can't be computed
	OutOfControl *measure.RunLength `json:"out_of_control"`
}

// crossed is a case at which a chart reached its line.
type crossed struct {
	Alarm      string    `json:"alarm,omitempty"`
	Case       string    `json:"case"`
	CaseNumber int       `json:"case_number"`
	CrossedAt  time.Time `json:"crossed_at"`
	Value      float64   `json:"value"`
	Threshold  float64   `json:"threshold"`
}

// charts is the answer about all charts of a surgeon.
type charts struct {
	Surgeon string `json:"surgeon"`
	Basis
	N      int     `json:"n"`
	Charts []chart `json:"charts"`
}

// oneChart is the answer about one chart.
type oneChart struct {
	Basis
	chart
}

// getCharts serves GET /v1/surgeons/{surgeon}/charts.
func (s *Service) getCharts(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "outcome", "kind", "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	outcome, err := oneOf(query, "outcome", SurgeonOutcomes()...)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	kind, err := oneOf(query, "kind", string(events.KindDetection), string(events.KindCompetence))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	surgeon := mux.Vars(r)["surgeon"]
	s.answer(w, r, question{reader: Reader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		all, err := VisibleCharts(r.Context(), tx, who, surgeon, asOf)
		if err != nil {
			return nil, err
		}
		all = slices.DeleteFunc(all, func(c alarm.Chart) bool {
			return outcome != "" && c.Design.Outcome != outcome || kind != "" && c.Design.Kind != kind
		})
		alarms, err := alarm.ListOf(r.Context(), tx, all, asOf)
		if err != nil {
			return nil, err
		}
		shown := make([]chart, len(all))
		for i, c := range all {
			shown[i] = chartOf(c, alarms)
		}
		if outcome == "" || kind == "" {
			return charts{Surgeon: surgeon, Basis: basis(asOf), N: len(shown), Charts: shown}, nil
		}
		if len(shown) == 0 {
			return nil, web.NotFound()
		}
		return oneChart{basis(asOf), shown[0]}, nil
	}})
}

// VisibleCharts gives a surgeon's charts to somebody who may see them, none for
// one without a case, and fails as MaySee does.
func VisibleCharts(ctx context.Context, tx pgx.Tx, who access.Actor, surgeon string, asOf archive.AsOf) ([]alarm.Chart, error) {
	if err := MaySee(ctx, tx, who, surgeon, asOf); err != nil {
		return nil, err
	}
	return alarm.Charts(ctx, tx, surgeon, asOf)
}

// MaySee fails with web.NotFound when a surgeon's whole record isn't the actor's
// to see or the surgeon doesn't exist: neither can be told from the other.
func MaySee(ctx context.Context, tx pgx.Tx, who access.Actor, surgeon string, asOf archive.AsOf) error {
	if who.Sees(surgeon) {
		return nil
	}
	// A quality officer sees single operations of a colleague from elsewhere. A
	// chart of those alone would mislead: it is whole or not shown.
	ours, err := isOurs(ctx, tx, surgeon, asOf)
	if err == nil && !ours {
		return web.NotFound()
	}
	return err
}

// SurgeonOutcomes lists what a surgeon's charts may watch.
func SurgeonOutcomes() []string {
	out := []string{string(events.OutcomeCapsuleRupture), string(events.OutcomeUnplannedTakeover)}
	for _, step := range events.StepOrder {
		out = append(out, string(events.StepOutcome(step)))
	}
	return out
}

// isOurs says whether the surgeon belongs to a department of the reader: enrolled
// there, or with charts that the reader sees.
func isOurs(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) (bool, error) {
	standing, err := learning.Standing(ctx, tx, surgeon, asOf)
	if err != nil || standing.Enrolled {
		return err == nil, err
	}
	states, err := alarm.States(ctx, tx)
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(states, func(c alarm.ChartRow) bool { return c.Surgeon == surgeon }), nil
}

// chartOf shows one chart; alarms are the surgeon's.
func chartOf(c alarm.Chart, alarms []alarm.Listed) chart {
	d, lengths, at := c.Design, c.Design.Lengths(), alarm.StandingOf(c, alarms)
	out := chart{Chart: c.Code, Surgeon: c.Surgeon.Surgeon, Department: c.Surgeon.Department, Outcome: d.Outcome, Kind: d.Kind, State: at.State(),
		Words: ChartWords(at, lengths), CannotSee: CannotSee(d, lengths), Design: designOf(d, lengths), N: len(c.Points), Events: c.Events, Value: c.Value(),
		Cases: c.Points, Alarms: []crossed{}, LeftOut: c.LeftOut, PartCases: c.Part, Closed: c.Closed, Excluded: map[string]int{},
		CanTell: c.CanTell(), Climb: climbOf(c.Climb()), History: []deed{}}
	for _, a := range alarms {
		if a.Chart == c.Code {
			out.History = append(out.History, deedsOf(a)...)
		}
	}
	if out.Cases == nil {
		out.Cases = []alarm.Point{}
	}
	if c.LeftOut > 0 {
		out.Excluded[excludedOutcome] = c.LeftOut
	}
	if c.Part > 0 {
		out.Excluded[excludedPart] = c.Part
	}
	for _, a := range c.Alarms {
		out.Alarms = append(out.Alarms, crossed{Alarm: a.Alarm, Case: a.CaseCode, CaseNumber: int(a.CaseNumber), CrossedAt: a.CrossedAt,
			Value: events.Millionths(a.Value).Float(), Threshold: events.Millionths(a.Threshold).Float()})
	}
	out.Reached = reached(c)
	return out
}

// reached lists the cases at which a chart that raises no alarm reached its line.
func reached(c alarm.Chart) []crossed {
	out := []crossed{}
	for _, p := range c.Reaching {
		out = append(out, crossed{Case: p.Case, CaseNumber: p.CaseNumber, CrossedAt: p.StartedAt, Value: p.Value, Threshold: c.Design.Threshold})
	}
	return out
}

// designOf shows a design with its run lengths, null where they can't be worked
// out.
func designOf(d alarm.Design, lengths alarm.Lengths) chartDesign {
	out := chartDesign{Code: d.Code, Scope: d.Scope, Acceptable: d.Acceptable, Unacceptable: d.Unacceptable, OddsRatio: d.OddsRatio(),
		Threshold: d.Threshold, ChosenBy: d.ChosenBy, RiskModel: d.RiskModel, RiskVersion: d.RiskVersion}
	if !d.DesignedAt.IsZero() {
		out.DesignedAt = &d.DesignedAt
	}
	if d.ClosesAfter > 0 {
		out.ClosesAfter = &d.ClosesAfter
	}
	if lengths.Known {
		out.InControl, out.OutOfControl = &lengths.InControl, &lengths.OutOfControl
	}
	return out
}
