package main

import (
	"cmp"
	"maps"
	"net/url"
	"slices"
	"testing"

	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/projector"
)

// The demo goes the program's own way: most of it waits in the stream and takes
// the bulk path, the rest arrives while the program follows.
func TestNaiveRecomputationOfTheDemo(t *testing.T) {
	const live = 4000
	var bodies [][]byte
	var batch []stream.Outgoing
	for e := range simulate.Demo().Events() {
		body := e.Encode()
		bodies = append(bodies, body)
		batch = append(batch, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: body})
	}
	w := newWorld(t, func(log *stream.Stream) { send(t, log, batch[:len(batch)-live]...) })
	send(t, w.log, batch[len(batch)-live:]...)
	batch = nil

	bySubject := naiveRead(t, bodies)
	bodies = nil
	var operations []naiveOperation
	for code, es := range naiveCases(bySubject) {
		if op, ok := naiveOperate(code, es); ok {
			operations = append(operations, op)
		}
	}
	slices.SortFunc(operations, func(a, b naiveOperation) int { return cmp.Or(a.start.Compare(b.start), cmp.Compare(a.code, b.code)) })
	if len(operations) < 6000 {
		t.Fatalf("the naive recomputation finds %d operations", len(operations))
	}
	w.checkBooks(t)
	t.Run("departments", func(t *testing.T) { compareDepartments(t, w, operations) })
	t.Run("charts", func(t *testing.T) { compareCharts(t, w, bySubject, operations) })
}

// demoDepartments are those of events/simulate.
var demoDepartments = []string{"HARBOUR", "MOORLAND", "FENLAND"}

// compareDepartments holds every department's figures against the oracle's: whole
// months, which are sums of cells, and odd days, which are summed from operations.
func compareDepartments(t *testing.T, w *world, operations []naiveOperation) {
	for _, department := range demoDepartments {
		for _, days := range [][2]string{{"2024-01-01", "2025-12-31"}, {"2024-03-10", "2025-02-20"}, {"2024-02-01", "2024-02-29"}, {"2024-01-10", "2024-01-10"}} {
			from, to := days[0], days[1]
			var got benchmarkAnswer
			w.get(t, quality(department), benchmarkPath(department, from, to, ""), &got)
			want := naiveBenchmark(operations, department, from, to)
			if d := differs(department+" "+from, got, want); d != "" {
				t.Error(d)
			}
			if from == "2024-01-01" && (got.Operations < 900 || got.Rupture.Events < 5 || len(got.Excluded) == 0) {
				t.Errorf("%s: too little to compare: %+v", department, got)
			}
		}
		for _, view := range []string{"responsible-consultant", "first-operator", "operator-at-cause"} {
			var got benchmarkAnswer
			w.get(t, quality(department), benchmarkPath(department, "2024-01", "2025-12", view), &got)
			found := map[string]ruptureFigure{}
			for _, f := range got.BySurgeon {
				f.Unknown = nil
				found[f.Surgeon] = f.ruptureFigure
			}
			if d := differs(department+" "+view, found, naiveBySurgeon(operations, view, department, "2024-01-01", "2025-12-31")); d != "" {
				t.Error(d)
			}
		}
	}
}

// compareCharts holds every chart of every surgeon against the oracle's, case by
// case, and the list of alarms.
func compareCharts(t *testing.T, w *world, bySubject map[string][]naiveEvent, operations []naiveOperation) {
	officer := quality(demoDepartments...)
	var alarms []string
	surgeons, points := 0, 0
	for _, surgeon := range slices.Sorted(maps.Keys(bySubject)) {
		standing := naiveStanding(bySubject[surgeon])
		i := slices.IndexFunc(standing, func(e naiveEvent) bool { return e.kind == "lensledger.surgeon.enrolled.v1" })
		if i < 0 {
			continue
		}
		surgeons++
		prior, _ := standing[i].data["prior_whole_cases"].(float64)
		trainee := !slices.Contains([]string{"consultant", "associate-specialist", "staff-grade"}, standing[i].word("post"))
		var answer struct{ Charts []chartAnswer }
		w.get(t, officer, "/v1/surgeons/"+url.PathEscape(surgeon)+"/charts", &answer)
		if want := map[bool]int{true: 4, false: 2}[trainee]; len(answer.Charts) != want {
			t.Errorf("%s has %d charts, want %d", surgeon, len(answer.Charts), want)
		}
		for _, chart := range answer.Charts {
			name := surgeon + " " + chart.Outcome + " " + chart.Kind
			checkRuptureDesign(t, name, trainee, surgeon == "S-014", chart)
			want := naiveChart(operations, surgeon, int(prior), chart)
			if d := differs(name, chart, want); d != "" {
				t.Errorf("%.2000s", d)
			}
			points += len(chart.Cases)
			for _, a := range want.Alarms {
				alarms = append(alarms, surgeon+" "+chart.Outcome+" "+a.Case)
			}
		}
	}
	var listed struct {
		Alarms []struct{ Surgeon, Outcome, Case string }
	}
	w.get(t, officer, "/v1/alarms", &listed)
	var got []string
	for _, a := range listed.Alarms {
		got = append(got, a.Surgeon+" "+a.Outcome+" "+a.Case)
	}
	slices.Sort(got)
	slices.Sort(alarms)
	if !slices.Equal(got, alarms) {
		t.Errorf("alarms %v, want %v", got, alarms)
	}
	if surgeons != 47 || points < 12_000 || len(alarms) < 2 {
		t.Errorf("too little to compare: %d surgeons, %d points, %d alarms", surgeons, points, len(alarms))
	}
}

// checkRuptureDesign holds the designs in force for rupture against the settings
// of common practice; that of S-014 is the demo's own event.
func checkRuptureDesign(t *testing.T, name string, trainee, own bool, chart chartAnswer) {
	t.Helper()
	if chart.Outcome != "capsule-rupture" {
		return
	}
	type setting struct {
		acceptable, unacceptable, threshold float64
		closes                              int
	}
	twice := func(p float64) float64 { return 2 * p / (1 + p) } // odds ratio 2
	want := setting{.01, twice(.01), 2.4, 0}
	switch {
	case chart.Kind == "competence" && own:
		want = setting{.05, .10, 2.42, 100}
	case chart.Kind == "competence":
		want = setting{.05, .10, 3.58, 300}
	case trainee:
		want = setting{.03, twice(.03), 2.36, 0}
	}
	d := chart.Design
	got := setting{d.Acceptable, d.Unacceptable, d.Threshold, 0}
	if d.Closes != nil {
		got.closes = *d.Closes
	}
	if diff := differs(name+" design", []float64{got.acceptable, got.unacceptable, got.threshold, float64(got.closes)},
		[]float64{want.acceptable, want.unacceptable, want.threshold, float64(want.closes)}); diff != "" {
		t.Error(diff)
	}
}
