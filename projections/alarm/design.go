package alarm

import (
	"slices"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/measure"
	"lensledger/projections/pg"
)

// Design is a chart's limits. Acceptable and Unacceptable are probabilities, the
// threshold is in log-likelihood units.
type Design struct {
	Code         string
	Outcome      string
	Kind         string
	Scope        string
	Department   string    // that set it, for its own surgeons; empty for a standard design
	DesignedAt   time.Time // zero for a standard design
	Acceptable   float64
	Unacceptable float64
	Threshold    float64
	ChosenBy     string
	ClosesAfter  int    // cases; 0 never
	RiskModel    string // "" gives every case the acceptable probability
	RiskVersion  string
}

var ruptureModel = measure.DefaultModel()

// Standards are the designs in force where nobody has set another. The settings
// are common practice, no source; the thresholds follow from the false-alarm
// chances stated, by exact run lengths, and a test holds them to it.
var Standards = []Design{
	{Code: "standard-rupture-trainees", Outcome: string(events.OutcomeCapsuleRupture), Kind: string(events.KindDetection),
		Scope: events.ScopeTrainees, Acceptable: 0.03, Unacceptable: oddsTimes(0.03, 2), Threshold: 2.36,
		ChosenBy:  "false alarm in 5 of 100 charts by case 100",
		RiskModel: ruptureModel.Name, RiskVersion: ruptureModel.Version},
	{Code: "standard-rupture-independent", Outcome: string(events.OutcomeCapsuleRupture), Kind: string(events.KindDetection),
		Scope: events.ScopeIndependent, Acceptable: 0.01, Unacceptable: oddsTimes(0.01, 2), Threshold: 2.41,
		ChosenBy:  "false alarm in 5 of 100 charts by case 300",
		RiskModel: ruptureModel.Name, RiskVersion: ruptureModel.Version},
	{Code: "standard-takeover-trainees", Outcome: string(events.OutcomeUnplannedTakeover), Kind: string(events.KindDetection),
		Scope: events.ScopeTrainees, Acceptable: 0.25, Unacceptable: oddsTimes(0.25, 2), Threshold: 4.03,
		ChosenBy: "false alarm in 5 of 100 charts by case 100"},
	{Code: "standard-takeover-independent", Outcome: string(events.OutcomeUnplannedTakeover), Kind: string(events.KindDetection),
		Scope: events.ScopeIndependent, Acceptable: 0.02, Unacceptable: oddsTimes(0.02, 2), Threshold: 3.04,
		ChosenBy: "false alarm in 5 of 100 charts by case 300"},
	{Code: "standard-rupture-competence", Outcome: string(events.OutcomeCapsuleRupture), Kind: string(events.KindCompetence),
		Scope: events.ScopeTrainees, Acceptable: 0.05, Unacceptable: 0.10, Threshold: 3.59, ClosesAfter: 300,
		ChosenBy: "evidence reached wrongly in at most 10 of 100 charts by case 300"},
	{Code: "standard-takeover-competence", Outcome: string(events.OutcomeUnplannedTakeover), Kind: string(events.KindCompetence),
		Scope: events.ScopeTrainees, Acceptable: 0.10, Unacceptable: 0.30, Threshold: 4.28, ClosesAfter: 100,
		ChosenBy: "evidence reached wrongly in at most 10 of 100 charts by case 100"},
	stepStandard(events.StepCapsulorhexis),
	stepStandard(events.StepSculpting),
	stepStandard(events.StepCracking),
	stepStandard(events.StepSegmentRemoval),
	stepStandard(events.StepCortex),
	stepStandard(events.StepLensInsertion),
}

// stepStandard is the competence chart of a critical step: a step fails when it
// was handed over unplanned, and the limits are those of the take-over chart.
func stepStandard(step events.Step) Design {
	return Design{Code: "standard-" + string(step) + "-competence", Outcome: string(events.StepOutcome(step)),
		Kind: string(events.KindCompetence), Scope: events.ScopeTrainees, Acceptable: 0.10, Unacceptable: 0.30, Threshold: 4.28,
		ClosesAfter: 100, ChosenBy: "evidence reached wrongly in at most 10 of 100 charts by case 100"}
}

// oddsTimes is the probability whose odds are r times those of p.
func oddsTimes(p, r float64) float64 { return r * p / (1 - p + float64(r*p)) }

// Outcomes and kinds of the charts whose state is stored for a surgeon, in the
// order shown. Those of steps are drawn when they are read: see StepCharts.
var chartsOf = []struct{ Outcome, Kind string }{
	{string(events.OutcomeCapsuleRupture), string(events.KindDetection)},
	{string(events.OutcomeUnplannedTakeover), string(events.KindDetection)},
	{string(events.OutcomeCapsuleRupture), string(events.KindCompetence)},
	{string(events.OutcomeUnplannedTakeover), string(events.KindCompetence)},
}

// DesignFor chooses the design of a surgeon's chart: one set for the surgeon, else
// one set for the group, else the standard; the latest of each, by time and code. A
// department sets them for its own surgeons alone.
func DesignFor(s learning.Surgeon, outcome, kind string, set []Design) (Design, bool) {
	group := events.ScopeIndependent
	if s.Trainee {
		group = events.ScopeTrainees
	}
	for _, scope := range []string{s.Surgeon, group} {
		var best *Design
		for i, d := range set {
			if d.Scope != scope || d.Department != s.Department || d.Outcome != outcome || d.Kind != kind {
				continue
			}
			if best == nil || d.DesignedAt.After(best.DesignedAt) || (d.DesignedAt.Equal(best.DesignedAt) && d.Code > best.Code) {
				best = &set[i]
			}
		}
		if best != nil {
			return *best, true
		}
	}
	i := slices.IndexFunc(Standards, func(d Design) bool {
		return d.Scope == group && d.Outcome == outcome && d.Kind == kind
	})
	if i < 0 {
		return Design{}, false
	}
	return Standards[i], true
}

// DesignTable is the chart_design table.
var DesignTable = pg.Table{
	Name: "chart_design",
	Key:  []string{"code"},
	Columns: []string{"code", "first_position", "last_position", "designed_at", "department", "outcome", "kind", "scope", "acceptable",
		"unacceptable", "threshold", "chosen_by", "closes_after", "risk_model", "risk_model_version"},
}

// DesignRow is one design that people set; probabilities and threshold x 10^6.
type DesignRow struct {
	Code             string
	FirstPosition    int64
	LastPosition     int64
	DesignedAt       time.Time
	Department       string
	Outcome          string
	Kind             string
	Scope            string
	Acceptable       int64
	Unacceptable     int64
	Threshold        int64
	ChosenBy         string
	ClosesAfter      int32
	RiskModel        string
	RiskModelVersion string
}

// Key is the design's code.
func (r DesignRow) Key() [2]string { return [2]string{r.Code} }

// Values lists the row in the order of DesignTable.Columns.
func (r DesignRow) Values() []any {
	return []any{r.Code, r.FirstPosition, r.LastPosition, r.DesignedAt, r.Department, r.Outcome, r.Kind, r.Scope, r.Acceptable,
		r.Unacceptable, r.Threshold, r.ChosenBy, r.ClosesAfter, r.RiskModel, r.RiskModelVersion}
}

// DesignRowOf is the row of a folded chart code, when it carries a design.
func DesignRowOf(c fold.Chart) (DesignRow, bool) {
	d := c.Designed
	if d == nil {
		return DesignRow{}, false
	}
	return DesignRow{Code: c.Code, FirstPosition: int64(c.Trace.First), LastPosition: int64(c.Trace.Last),
		DesignedAt: c.At.UTC().Truncate(time.Microsecond), Department: c.By, Outcome: string(d.Outcome), Kind: string(d.Kind), Scope: string(d.Scope),
		Acceptable: int64(d.Acceptable), Unacceptable: int64(d.Unacceptable), Threshold: int64(d.Threshold),
		ChosenBy: string(d.ChosenBy), ClosesAfter: int32(d.ClosesAfterCases.Value),
		RiskModel: string(d.RiskModel), RiskModelVersion: string(d.RiskModelVersion)}, true
}

// Design is the row as limits.
func (r DesignRow) Design() Design {
	return Design{Code: r.Code, Outcome: r.Outcome, Kind: r.Kind, Scope: r.Scope, Department: r.Department, DesignedAt: r.DesignedAt,
		Acceptable: events.Millionths(r.Acceptable).Float(), Unacceptable: events.Millionths(r.Unacceptable).Float(),
		Threshold: events.Millionths(r.Threshold).Float(), ChosenBy: r.ChosenBy, ClosesAfter: int(r.ClosesAfter),
		RiskModel: r.RiskModel, RiskVersion: r.RiskModelVersion}
}
