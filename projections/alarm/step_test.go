package alarm

import (
	"math"
	"testing"

	"lensledger/projections/learning"
)

var trainee = learning.Surgeon{Surgeon: "S-1", Department: "D", Trainee: true, Enrolled: true, PriorWhole: 12}

// stepEntry is a case with one run of a step; failed is nil where it isn't known.
func stepEntry(i int, step string, failed *bool) learning.StepEntry {
	e := entry(i, false)
	return learning.StepEntry{CaseCode: e.CaseCode, Surgeon: "S-1", Department: "D", StartedAt: e.StartedAt,
		Steps: []string{step}, Seconds: []*int32{nil}, Supervision: []string{""}, Failed: []*bool{failed}}
}

// Steps 30 % / 10 %, N = 100: with the line at 4.28 the 18th clean case is the
// first that can reach it: 17 x ln(0.9/0.7) = 4.272, 18 x = 4.524. (Computed
// outside the code; the run lengths are held by TestStandardsKeepTheirChances.)
func TestStepChartReachesItsLine(t *testing.T) {
	no := false
	var entries []learning.Entry
	var steps []learning.StepEntry
	for i := range 120 {
		entries = append(entries, entry(i, false))
		steps = append(steps, stepEntry(i, "cracking", &no))
	}
	charts := StepCharts(trainee, entries, steps, nil)
	if len(charts) != 1 {
		t.Fatalf("%d charts, want one of the one step that ran", len(charts))
	}
	c := charts[0]
	if c.Design.Outcome != "step:cracking" || c.Design.Kind != "competence" || len(c.Alarms) != 0 {
		t.Errorf("chart %+v", c.Design)
	}
	if len(c.Reaching) != 1 || c.Reaching[0].CaseNumber != 12+18 || math.Abs(c.Reaching[0].Value-18*math.Log(0.9/0.7)) > 1e-12 {
		t.Errorf("reached at %+v, want the 18th case, number 30", c.Reaching)
	}
	if !c.Closed || len(c.Points) != 100 {
		t.Errorf("%d points, closed %v: want it closed after 100", len(c.Points), c.Closed)
	}
}

// A part case is a point; what isn't known is left out and counted; a failure
// lowers the chart and never raises an alarm; an independent surgeon has none.
func TestStepChartPoints(t *testing.T) {
	no, yes := false, true
	part := entry(1, false)
	part.Whole, part.Enters = false, false
	entries := []learning.Entry{entry(0, false), part, entry(2, false), entry(3, false)}
	steps := []learning.StepEntry{stepEntry(0, "sculpting", &no), stepEntry(1, "sculpting", &no), stepEntry(2, "sculpting", nil),
		stepEntry(3, "sculpting", &yes), stepEntry(4, "draping", &yes)}
	charts := StepCharts(trainee, entries, steps, nil)
	if len(charts) != 1 {
		t.Fatalf("%d charts, want that of sculpting: draping is not critical", len(charts))
	}
	c := charts[0]
	if len(c.Points) != 3 || c.LeftOut != 1 || c.Part != 0 || c.Events != 1 || c.Points[2].Value >= c.Points[1].Value {
		t.Errorf("points %+v, left out %d", c.Points, c.LeftOut)
	}
	for i, want := range []int{13, 13, 15} {
		if c.Points[i].CaseNumber != want {
			t.Errorf("point %d has case number %d, want %d", i, c.Points[i].CaseNumber, want)
		}
	}
	consultant := trainee
	consultant.Trainee = false
	if got := StepCharts(consultant, entries, steps, nil); len(got) != 0 {
		t.Errorf("an independent surgeon has %d step charts", len(got))
	}
	set := []Design{{Code: "own", Scope: "S-1", Department: "D", Outcome: "step:draping", Kind: "competence", Acceptable: 0.1, Unacceptable: 0.3, Threshold: 2}}
	if got := StepCharts(trainee, entries, steps, set); len(got) != 2 || got[0].Design.Code != "own" {
		t.Errorf("a design that the department set for a step isn't in force: %+v", got)
	}
}

// BenchmarkCompute draws a chart of 1,000 risk-adjusted cases anew, of which every
// tenth has an odds ratio of its own.
func BenchmarkCompute(b *testing.B) {
	var entries []learning.Entry
	for i := range 1000 {
		e := entry(i, i%50 == 49)
		e.OddsRatioMillionths = int64(500_000 + i%100*20_000)
		entries = append(entries, e)
	}
	for b.Loop() {
		Compute(learning.Surgeon{Surgeon: "S-1"}, Standards[1], entries, nil)
	}
}
