package alarm

import (
	"lensledger/events"
	"lensledger/projections/learning"
)

// StepCharts draws the competence charts of a surgeon's steps: those of the
// critical steps, and of any other step for which people set a design. A step
// without a run has none. They never raise an alarm, so nothing of them is
// stored, and as a restart follows an alarm's review they have none: the live path
// doesn't pay for them. Entries and steps are all of the surgeon's, each in chart
// order.
//
// A case is one point, whatever the runs of the step in it, and enters whether the
// surgeon did the whole operation or a part: a part case is on the charts of the
// steps that it had.
func StepCharts(s learning.Surgeon, entries []learning.Entry, steps []learning.StepEntry, designs []Design) []Chart {
	if s.Department == "" && len(steps) > 0 {
		s.Department = steps[len(steps)-1].Department
	}
	numbers := learning.NewNumbering(s, entries)
	var out []Chart
	for _, step := range events.StepOrder {
		outcome := string(events.StepOutcome(step))
		d, ok := DesignFor(s, outcome, string(events.KindCompetence), designs)
		if !ok {
			continue
		}
		var cases []Observation
		for _, e := range steps {
			failed, ran := e.Failure(string(step))
			if !ran {
				continue
			}
			cases = append(cases, Observation{Case: e.CaseCode, CaseNumber: numbers.At(e.StartedAt, e.CaseCode), StartedAt: e.StartedAt, Enters: true,
				Known: failed != events.Unknown, Event: failed == events.Yes})
		}
		if len(cases) > 0 {
			out = append(out, draw(s, d, cases, nil))
		}
	}
	return out
}

// hasStepCharts says whether any step of the surgeon has a design.
func hasStepCharts(s learning.Surgeon, designs []Design) bool {
	for _, step := range events.StepOrder {
		if _, ok := DesignFor(s, string(events.StepOutcome(step)), string(events.KindCompetence), designs); ok {
			return true
		}
	}
	return false
}
