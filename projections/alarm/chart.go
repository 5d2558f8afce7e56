package alarm

import (
	"crypto/sha256"
	"encoding/base32"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"lensledger/events"
	"lensledger/projections/learning"
	"lensledger/projections/measure"
)

// Point is one case on a chart.
type Point struct {
	Case       string    `json:"case"`
	CaseNumber int       `json:"case_number"` // whole cases so far, prior ones added
	StartedAt  time.Time `json:"started_at"`
	Outcome    int       `json:"outcome"`  // 1 when the event happened
	Expected   float64   `json:"expected"` // probability at acceptable performance
	Score      float64   `json:"score"`    // log-likelihood ratio
	Value      float64   `json:"value"`    // the chart after this case
	Observed   int       `json:"observed"` // events so far on this chart
	Sum        float64   `json:"sum_expected"`
	Crossed    bool      `json:"crossed"`   // at or over the line
	Restarted  bool      `json:"restarted"` // begins again at zero with this case
}

// Chart is one surgeon's chart of one outcome, computed from its cases.
type Chart struct {
	Code     string
	Surgeon  learning.Surgeon
	Design   Design
	Points   []Point
	Events   int
	LeftOut  int  // entered, but the outcome isn't known yet
	Part     int  // part cases, which don't enter
	Closed   bool // more cases than the design holds for
	Alarms   []Row
	Reaching []Point // competence charts: the first case of each stretch at the line
}

// CodeOf is the code of a surgeon's chart. It is short, stable, and fits the
// codes of the wire whatever the length of the surgeon's own.
func CodeOf(surgeon, outcome, kind string) string {
	sum := sha256.Sum256([]byte(outcome + "/" + kind + "/" + surgeon))
	return "chart-" + strings.ToLower(base32.StdEncoding.EncodeToString(sum[:10]))
}

// AlarmCode names the alarm of one stretch of a chart: 1 before any restart. It
// survives a late case that moves the crossing.
func AlarmCode(chart string, stretch int) string { return chart + "-" + strconv.Itoa(stretch) }

// Observation is one case as a chart sees it, whatever the chart watches.
type Observation struct {
	Case                string
	CaseNumber          int
	StartedAt           time.Time
	Enters              bool // false: a part case, counted and no more
	Known               bool // the outcome is known
	Event               bool
	OddsRatioMillionths int64 // composite odds ratio of the case, x 10^6; read where the design has a risk model
}

// Compute draws one chart of a surgeon. The entries are all of the surgeon's,
// sorted by start and case code; restarts are the times of the chart's restarts,
// sorted.
func Compute(s learning.Surgeon, d Design, entries []learning.Entry, restarts []time.Time) Chart {
	return draw(s, d, observe(s, d.Outcome, entries), restarts)
}

// draw is the one path of every chart: a score for each observation, in their
// order. After an alarm the chart keeps climbing until a restart.
func draw(s learning.Surgeon, d Design, cases []Observation, restarts []time.Time) Chart {
	c := Chart{Code: CodeOf(s.Surgeon, d.Outcome, d.Kind), Surgeon: s, Design: d, Points: make([]Point, 0, len(cases))}
	score := scorer(d)
	stretch, used := 1, 0
	var at measure.Point // where the chart stands: zero at the start and after a restart
	expected := 0.0
	for _, o := range cases {
		if !o.Enters {
			c.Part++
			continue
		}
		if !o.Known {
			c.LeftOut++
			continue
		}
		if d.ClosesAfter > 0 && len(c.Points) >= d.ClosesAfter {
			c.Closed = true
			continue
		}
		p := Point{Case: o.Case, CaseNumber: o.CaseNumber, StartedAt: o.StartedAt}
		for used < len(restarts) && restarts[used].Before(o.StartedAt) {
			used++
			p.Restarted = true
		}
		if p.Restarted {
			stretch, at = used+1, measure.Point{}
		}
		p.Expected, p.Score = score(o.OddsRatioMillionths, o.Event)
		at = at.After(p.Score, d.Threshold)
		expected += p.Expected
		if o.Event {
			p.Outcome = 1
			c.Events++
		}
		p.Value, p.Observed, p.Sum, p.Crossed = at.Value, c.Events, expected, at.Crossed
		if at.Alarm {
			c.cross(p, stretch)
		}
		c.Points = append(c.Points, p)
	}
	return c
}

// cross records that the chart reached its line. Only a detection chart raises an
// alarm; on a competence chart the evidence has reached the set line.
func (c *Chart) cross(p Point, stretch int) {
	if c.Design.Kind != string(events.KindDetection) {
		c.Reaching = append(c.Reaching, p)
		return
	}
	c.Alarms = append(c.Alarms, Row{Alarm: AlarmCode(c.Code, stretch), Chart: c.Code, Ordinal: int32(stretch),
		Surgeon: c.Surgeon.Surgeon, Department: c.Surgeon.Department, Outcome: c.Design.Outcome, Kind: c.Design.Kind,
		CaseCode: p.Case, CaseNumber: int32(p.CaseNumber), CrossedAt: p.StartedAt,
		Value: millionths(p.Value), Threshold: millionths(c.Design.Threshold)})
}

// Value is where the chart stands, in log-likelihood units.
func (c Chart) Value() float64 {
	if len(c.Points) == 0 {
		return 0
	}
	return c.Points[len(c.Points)-1].Value
}

// observe reads a surgeon's entries for a chart's outcome.
func observe(s learning.Surgeon, outcome string, entries []learning.Entry) []Observation {
	out := make([]Observation, len(entries))
	for i, number := range learning.CaseNumbers(int(s.PriorWhole), entries) {
		out[i] = observation(outcome, entries[i], number)
	}
	return out
}

func observation(outcome string, e learning.Entry, number int) Observation {
	o := Observation{Case: e.CaseCode, CaseNumber: number, StartedAt: e.StartedAt, Enters: e.Enters,
		Known: e.OutcomeKnown, Event: e.Rupture, OddsRatioMillionths: e.OddsRatioMillionths}
	if outcome == string(events.OutcomeUnplannedTakeover) {
		o.Known, o.Event = e.OutcomeKnown && e.TakenOver != nil, e.TakenOver != nil && *e.TakenOver
	}
	return o
}

// scorer gives the expected probability and the score of a case.
func scorer(d Design) func(oddsRatioMillionths int64, event bool) (expected, score float64) {
	risk := func(int64) float64 { return d.Acceptable }
	if m, ok := measure.LookupModel(d.RiskModel, d.RiskVersion); ok {
		if centred, err := m.At(d.Acceptable); err == nil {
			risk = func(or int64) float64 { return must(centred.Probability(events.Millionths(or).Float())) }
		}
	}
	if d.Kind == string(events.KindCompetence) {
		scores := must(measure.CompetenceScores(d.Acceptable, d.Unacceptable))
		return func(_ int64, happened bool) (float64, float64) { return d.Acceptable, scores.Of(happened) }
	}
	ratio := (d.Unacceptable / (1 - d.Unacceptable)) / (d.Acceptable / (1 - d.Acceptable))
	type known struct {
		risk   float64
		scores measure.Scores
	}
	seen := map[int64]known{} // odds ratios recur, and a score costs two logarithms
	return func(or int64, happened bool) (float64, float64) {
		k, ok := seen[or]
		if !ok {
			p := risk(or)
			k = known{p, must(measure.LLR(p, ratio))}
			seen[or] = k
		}
		return k.risk, k.scores.Of(happened)
	}
}

// must takes scores and risks whose arguments are inside their ranges by the
// limits of the events and of the standards.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func millionths(x float64) int64 { return int64(math.Round(float64(x * 1e6))) }

// ComputeAll draws every chart that a surgeon has.
func ComputeAll(s learning.Surgeon, entries []learning.Entry, designs []Design, restarts Restarts) []Chart {
	sorted := slices.IsSortedFunc(entries, learning.Order)
	if !sorted {
		entries = slices.Clone(entries)
		slices.SortFunc(entries, learning.Order)
	}
	if s.Department == "" && len(entries) > 0 {
		s.Department = entries[len(entries)-1].Department
	}
	var out []Chart
	for _, k := range chartsOf {
		if d, ok := DesignFor(s, k.Outcome, k.Kind, designs); ok {
			out = append(out, Compute(s, d, entries, restarts.times(CodeOf(s.Surgeon, k.Outcome, k.Kind), s.Department)))
		}
	}
	return out
}
