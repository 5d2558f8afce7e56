package analytics

import (
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lensledger/events"
	"lensledger/projections/measure"
)

func whole(n uint64) string { return strconv.FormatUint(n, 10) }

func retraction(subject, id string) events.Event {
	return eventOf("HARBOUR", "not-"+id, subject, day(100, 9, 0), events.TypeEventRetracted, &events.EventRetracted{TargetSource: "ehr-harbour", TargetID: events.ID(id)})
}

func (r *registry) testCharts(t *testing.T) {
	// The 104 operations: acceptable .02, unacceptable .05, no case mix, no
	// restart. Maximum 6.49088 at operation 68, computed in R from the published
	// series.
	var c oneChart
	got := r.call(t, "quality", "GET", "/v1/surgeons/S-104/charts?outcome=capsule-rupture&kind=detection", "")
	got.into(t, &c)
	if len(c.Cases) != 104 || c.N != 104 || c.Events != 9 {
		t.Fatalf("%d cases, %d events: %.500s", len(c.Cases), c.Events, got.body)
	}
	most := 0
	for i, p := range c.Cases {
		if p.Value > c.Cases[most].Value {
			most = i
		}
	}
	if p := c.Cases[most]; most != 67 || math.Abs(p.Value-6.49088) > 5e-6 || p.CaseNumber != 68 || p.Case != "AS-068" || !p.Crossed {
		t.Errorf("maximum %+v", p)
	}
	if d := c.Design; d.Code != "design-published" || d.Acceptable != 0.02 || d.Unacceptable != 0.05 || d.Threshold != 5 ||
		math.Abs(d.OddsRatio-2.578947368) > 1e-8 || d.InControl == nil || d.OutOfControl == nil || d.DesignedAt == nil {
		t.Errorf("%+v", d)
	}
	if len(c.Alarms) != 1 || c.State != "crossed" || !strings.HasPrefix(c.Words, "Crossed its line, for review: case number ") {
		t.Errorf("%+v %s", c.Alarms, c.Words)
	}

	var list charts
	got = r.call(t, "trainee", "GET", "/v1/surgeons/S-014/charts", "")
	got.into(t, &list)
	var kinds []string
	for _, c := range list.Charts {
		kinds = append(kinds, c.Outcome+"/"+c.Kind)
	}
	if want := []string{"capsule-rupture/detection", "unplanned-takeover/detection", "capsule-rupture/competence", "unplanned-takeover/competence",
		"step:capsulorhexis/competence", "step:sculpting/competence"}; list.Surgeon != "S-014" || !slices.Equal(kinds, want) {
		t.Errorf("%s %v", list.Surgeon, kinds)
	}
	// 22 prior cases; the fourth rupture in a row is the sixth case here: 28. Each
	// adds less than log 2 and more than 0.6, and the line is at 2.36.
	if d := list.Charts[0]; !strings.HasPrefix(d.Words, "Crossed its line, for review: case number 28 on ") || len(d.Alarms) != 1 || d.Alarms[0].Case != "HB-006" || d.N != 31 {
		t.Errorf("%s %+v", d.Words, d.Alarms)
	}
	// The case that was taken over counts although it isn't whole.
	last := list.Charts[1].Cases[30]
	if last.Case != "HB-900" || last.Outcome != 1 || last.CaseNumber != 52 {
		t.Errorf("%+v", last)
	}
	if d := list.Charts[1]; !strings.HasPrefix(d.Words, "No signal (could still miss a doubling): 1 unplanned take-over among 31 cases") || d.State != "no-signal" || d.Design.ClosesAfter != nil ||
		!strings.HasPrefix(d.CannotSee, "If the odds became twice as high, half of such charts would still be below the line after ") {
		t.Errorf("%s; %s", d.Words, d.CannotSee)
	}
	if d := list.Charts[2]; !strings.HasPrefix(d.Words, "Evidence hasn't reached the set line (") || d.Design.ClosesAfter == nil || *d.Design.ClosesAfter != 300 {
		t.Errorf("%s", d.Words)
	} else if w := d.Design.InControl.AlarmWithin; !slices.ContainsFunc(w, func(w measure.AlarmWithin) bool {
		// Wrongly reached in at most 10 of 100 charts by case 300: the standard.
		return w.Cases == 300 && w.Chance > 0.09 && w.Chance <= 0.1005
	}) {
		t.Errorf("%+v", w)
	}
	got = r.call(t, "trainer", "GET", "/v1/surgeons/S-014/charts?kind=competence", "")
	if got.into(t, &list); len(list.Charts) != 4 || list.N != 4 {
		t.Errorf("%d charts", len(list.Charts))
	}
	// One who has no case yet has no chart; a consultant has no competence chart.
	got = r.call(t, "beginner", "GET", "/v1/surgeons/S-099/charts", "")
	if got.into(t, &list); got.status != 200 || len(list.Charts) != 0 {
		t.Errorf("%d %s", got.status, got.body)
	}
	r.call(t, "quality", "GET", "/v1/surgeons/S-148/charts?outcome=capsule-rupture&kind=competence", "").problem(t, 404, "not-found")
	p := r.call(t, "trainee", "GET", "/v1/surgeons/S-014/charts?outcome=step:dancing&kind=both", "").problem(t, 400, "invalid")
	if len(p.Errors) != 1 || p.Errors[0].Pointer != "?outcome" || !strings.Contains(p.Errors[0].Detail, "allowed capsule-rupture, unplanned-takeover, step:draping, ") {
		t.Errorf("%+v", p.Errors)
	}
	// He was stopped in sculpting once, the only time that it is recorded.
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/charts?outcome=step:sculpting&kind=competence", "").into(t, &c)
	if c.N != 1 || c.Events != 1 || c.Design.RiskModel != "" || c.Cases[0].Case != "HB-900" || c.Cases[0].Expected != c.Design.Acceptable {
		t.Errorf("%+v", c)
	}
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/charts?outcome=step:sculpting&kind=detection", "").problem(t, 404, "not-found")
}

// testUnseen: what isn't the caller's to see is answered like what doesn't exist.
func (r *registry) testUnseen(t *testing.T) {
	blank := func(who, path string) string {
		got := r.call(t, who, "GET", path, "")
		p := got.problem(t, http.StatusNotFound, "not-found")
		return strings.ReplaceAll(got.body, p.Instance, "")
	}
	for _, c := range []struct{ who, theirs, nobodys string }{
		{"trainee", "/v1/surgeons/S-001/charts", "/v1/surgeons/S-777/charts"},
		{"trainer", "/v1/surgeons/S-200/charts", "/v1/surgeons/S-777/charts"},
		{"inland", "/v1/surgeons/S-014/charts", "/v1/surgeons/S-777/charts"},
		// S-200 operated here once; a chart of that one case would mislead.
		{"named", "/v1/surgeons/S-200/charts", "/v1/surgeons/S-777/charts"},
		{"named", "/v1/surgeons/S-200/progress", "/v1/surgeons/S-777/progress"},
		{"trainee", "/v1/surgeons/S-001/progress", "/v1/surgeons/S-777/progress"},
		{"trainee", "/v1/cases/IN-001/stage", "/v1/cases/XX-001/stage"},
		{"inland", "/v1/departments/HARBOUR/charts?outcome=visual-loss", "/v1/departments/NOWHERE/charts?outcome=visual-loss"},
		{"trainee", "/v1/cases/IN-001", "/v1/cases/XX-001"},
		{"beginner", "/v1/cases/HB-900", "/v1/cases/XX-001"},
		{"inland", "/v1/cases/HB-900", "/v1/cases/XX-001"},
		{"inland", "/v1/cases/HB-900/events", "/v1/cases/XX-001/events"},
		{"integrator", "/v1/cases/IN-001/events", "/v1/cases/XX-001/events"},
		{"quality", "/v1/cases/S-014/events", "/v1/cases/XX-001/events"}, // no case
		{"integrator", "/v1/cases/S-014/events", "/v1/cases/XX-001/events"},
		{"quality", "/v1/cases/design-published/events", "/v1/cases/XX-001/events"},
		{"auditor", "/v1/departments/INLAND/benchmarks?from=2025-01&to=2025-02", "/v1/departments/NOWHERE/benchmarks?from=2025-01&to=2025-02"},
	} {
		if theirs, nobodys := blank(c.who, c.theirs), blank(c.who, c.nobodys); theirs != nobodys {
			t.Errorf("%s can tell %s from %s:\n%s\n%s", c.who, c.theirs, c.nobodys, theirs, nobodys)
		}
	}
	for who, path := range map[string]string{
		"auditor": "/v1/surgeons/S-014/charts", "administrator": "/v1/cases/HB-900", "integrator": "/v1/cases/HB-900", "trainee": "/v1/alarms", "trainer": "/v1/quarantine",
	} {
		r.call(t, who, "GET", path, "").problem(t, http.StatusForbidden, "forbidden")
	}
	var list charts
	if r.call(t, "inland", "GET", "/v1/surgeons/S-200/charts", "").into(t, &list); len(list.Charts) != 4 || list.Charts[0].N != 13 {
		t.Errorf("S-200's own department sees %d charts, the first of %d cases", len(list.Charts), list.Charts[0].N)
	}
}
