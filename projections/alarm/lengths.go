package alarm

import (
	"sync"
	"time"

	"lensledger/events"
	"lensledger/projections/measure"
)

// Lengths are what a chart of a design does, by exact run lengths for cases that
// all carry the acceptable risk. Known is false, and no run length is given,
// where they can't be worked out.
//
// Source: measure.NewDesign.
type Lengths struct {
	Known        bool
	OddsRatio    float64           // unacceptable against acceptable
	InControl    measure.RunLength // acceptable performance; of a competence chart unacceptable
	OutOfControl measure.RunLength // unacceptable performance; of a competence chart acceptable
	Within       int               // cases
	FalseWithin  float64           // chance of a false crossing within them
	SeenWithin   float64           // chance of seeing within them what the chart watches for
}

// Numbers of cases within which the chance of a false alarm is said where the
// design doesn't close. Common practice, no source.
const (
	withinTrainee     = 100
	withinIndependent = 300
	withinDepartment  = 1000
)

// mostWithin is the largest number of cases by which a chance is worked out.
const mostWithin = 10_000

func within(d Design) int {
	_, own := departmentOutcomes[d.Outcome]
	switch {
	case d.ClosesAfter > 0 && d.ClosesAfter <= mostWithin:
		return d.ClosesAfter
	case d.Scope == events.ScopeTrainees:
		return withinTrainee
	case own:
		return withinDepartment
	}
	return withinIndependent
}

// departmentOutcomes are those of a department's own charts.
var departmentOutcomes = map[string]struct{}{string(events.OutcomeRefractionMiss): {}, string(events.OutcomeVisualLoss): {}}

// OddsRatio is how many times as high the odds are at unacceptable performance.
func (d Design) OddsRatio() float64 {
	return (d.Unacceptable / (1 - d.Unacceptable)) / (d.Acceptable / (1 - d.Acceptable))
}

// Lengths gives what a chart of the design does. They follow from the design alone,
// take some milliseconds to work out, and are remembered.
func (d Design) Lengths() Lengths { return lengths.of(d) }

var lengths lengthsMemo

type lengthsKey struct {
	kind                                string
	acceptable, unacceptable, threshold float64
	within                              int
}

type lengthsMemo struct {
	mu    sync.Mutex
	known map[lengthsKey]Lengths
}

// maxLengths bounds what is remembered; a department has a handful of designs.
const maxLengths = 500

func (m *lengthsMemo) of(d Design) Lengths {
	key := lengthsKey{d.Kind, d.Acceptable, d.Unacceptable, d.Threshold, within(d)}
	m.mu.Lock()
	l, ok := m.known[key]
	m.mu.Unlock()
	if ok {
		return l
	}
	l = lengthsOf(d)
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.known == nil || len(m.known) >= maxLengths {
		m.known = map[lengthsKey]Lengths{}
	}
	m.known[key] = l
	return l
}

func lengthsOf(d Design) Lengths {
	l := Lengths{Within: within(d), OddsRatio: d.OddsRatio()}
	design, err := measure.NewDesign(measure.DesignRequest{Kind: measure.Kind(d.Kind), Acceptable: d.Acceptable,
		Unacceptable: d.Unacceptable, Threshold: d.Threshold, WithinCases: l.Within})
	if err != nil {
		return l // the event allows designs at the edge of what has a run length
	}
	l.Known, l.InControl, l.OutOfControl = true, design.InControl, design.OutOfControl
	l.FalseWithin, l.SeenWithin = chanceBy(l.InControl, l.Within), chanceBy(l.OutOfControl, l.Within)
	return l
}

func chanceBy(r measure.RunLength, cases int) float64 {
	for _, a := range r.AlarmWithin {
		if a.Cases == cases {
			return a.Chance
		}
	}
	return 0
}

// CanTell is what a chart can and can't tell at its own volume, for cases of equal
// risk. FalseAYear is for a detection chart alone.
type CanTell struct {
	CasesAYear  int      `json:"cases_a_year"`               // of the year that ends with the last case
	FalseAYear  *float64 `json:"false_signals_a_year"`       // null for a competence chart
	FalseWithin float64  `json:"false_chance"`               // of crossing falsely within within_cases
	SeenMedian  float64  `json:"seen_after_median_of_cases"` // by which half of such charts see what they watch for
	SeenWithin  float64  `json:"seen_chance"`                // of seeing it within within_cases
	Within      int      `json:"within_cases"`
}

// CanTell says what the chart can tell; nil where its run lengths can't be worked
// out.
func (c Chart) CanTell() *CanTell {
	l := c.Design.Lengths()
	if !l.Known {
		return nil
	}
	out := CanTell{CasesAYear: c.lastYear(), FalseWithin: l.FalseWithin, SeenMedian: l.OutOfControl.MedianRunLength, SeenWithin: l.SeenWithin, Within: l.Within}
	if c.Design.Kind == string(events.KindDetection) {
		share := float64(out.CasesAYear) / l.InControl.AverageRunLength
		out.FalseAYear = &share
	}
	return &out
}

func (c Chart) lastYear() int {
	if len(c.Points) == 0 {
		return 0
	}
	last := c.Points[len(c.Points)-1].StartedAt.UTC()
	day := time.Date(last.Year(), last.Month(), last.Day(), 0, 0, 0, 0, time.UTC)
	return since(c.Points, day.AddDate(-1, 0, 1))
}
