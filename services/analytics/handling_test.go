package analytics

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// testHandling acknowledges an alarm and gives it to somebody, twice; the chart
// doesn't move.
func (r *registry) testHandling(t *testing.T, a listedAlarm) {
	path := "/v1/alarms/" + a.Alarm
	today := time.Now().UTC()
	day := func(n int) string { return today.AddDate(0, 0, n).Format(time.DateOnly) }
	for _, c := range []struct{ to, body, kind, pointer string }{
		{"/acknowledgements", `{"note":"` + strings.Repeat("a", 501) + `"}`, "refused", "/note"},
		{"/acknowledgements", `{"acknowledged_at":"yesterday"}`, "refused", "/acknowledged_at"},
		{"/acknowledgements", `{"by":"S-001"}`, "invalid", "/by"},
		{"/assignments", `{"due_on":"` + day(3) + `"}`, "refused", "/owner"},
		{"/assignments", `{"owner":"C-01"}`, "refused", "/due_on"},
		{"/assignments", `{"owner":"Dr. Who","due_on":"` + day(3) + `"}`, "refused", "/owner"},
		{"/assignments", `{"owner":"C-01","due_on":"soon"}`, "refused", "/due_on"},
		{"/assignments", `{"owner":"C-01","due_on":"` + day(-1) + `"}`, "refused", "/due_on"},
		{"/assignments", `{"owner":"C-01","due_on":"` + day(800) + `"}`, "refused", "/due_on"},
	} {
		status := 422
		if c.kind == "invalid" {
			status = 400
		}
		p := r.call(t, "quality", "POST", path+c.to, c.body).problem(t, status, c.kind)
		if len(p.Errors) != 1 || p.Errors[0].Pointer != c.pointer {
			t.Errorf("%s: %+v", c.body, p.Errors)
		}
	}
	for _, to := range []string{"/acknowledgements", "/assignments"} {
		body := map[string]string{"/acknowledgements": `{}`, "/assignments": `{"owner":"C-01","due_on":"` + day(3) + `"}`}[to]
		r.call(t, "inland", "POST", path+to, body).problem(t, 404, "not-found")
		r.call(t, "trainer", "POST", path+to, body).problem(t, 403, "forbidden")
		r.call(t, "quality", "POST", "/v1/alarms/none"+to, body).problem(t, 404, "not-found")
	}
	chart := func() (c oneChart) {
		r.call(t, "quality", "GET", "/v1/surgeons/S-014/charts?outcome=capsule-rupture&kind=detection", "").into(t, &c)
		return c
	}
	say := func(to, body string) (done Reviewed) {
		got := r.call(t, "named", "POST", path+to, body)
		if got.into(t, &done); got.status != 202 || len(done.Events) != 1 || done.Alarm != a.Alarm {
			t.Fatalf("%d %s", got.status, got.body)
		}
		return done
	}
	before := chart()
	first := r.last(t)
	at := today.Add(-5 * time.Minute)
	note := `{"note":"seen","acknowledged_at":"` + at.Format(time.RFC3339) + `"}`
	if one, two := say("/acknowledgements", note), say("/acknowledgements", note); one.Events[0].Sequence != first+1 || two.Events[0].Status != "duplicate" {
		t.Errorf("%+v, then %+v", one, two)
	}
	r.project(t)
	if a := r.alarmOf(t, "quality", "S-014"); a.State != "acknowledged" || len(a.History) != 1 || a.History[0].Note != "seen" || a.History[0].By != string(PersonCode(people["named"])) || a.Owner != nil {
		t.Errorf("%+v", a)
	}
	give := func(owner, due string, minutes int) {
		say("/assignments", `{"owner":"`+owner+`","due_on":"`+due+`","assigned_at":"`+at.Add(time.Duration(minutes)*time.Minute).Format(time.RFC3339)+`"}`)
	}
	give("C-02", day(10), 3) // stored before one that was decided earlier
	give("C-01", day(20), 2)
	r.project(t)
	var list alarms
	r.call(t, "quality", "GET", "/v1/alarms?since="+day(-1), "").into(t, &list)
	i := slices.IndexFunc(list.Alarms, func(l listedAlarm) bool { return l.Alarm == a.Alarm })
	now := list.Alarms[i]
	if now.State != "under-review" || *now.Owner != "C-02" || *now.DueOn != day(10) || len(now.History) != 3 || now.History[1].Owner != "C-01" || now.Overdue ||
		!strings.Contains(now.Words, "under review by C-02, due on ") {
		t.Errorf("%+v", now)
	}
	c := list.Changes
	for name, in := range map[string][]string{"crossed": c.Crossed, "acknowledged": c.Acknowledged, "assigned": c.Assigned} {
		if !slices.Contains(in, a.Alarm) {
			t.Errorf("not among what was %s since yesterday: %v", name, in)
		}
	}
	if slices.Contains(c.NobodyOwns, a.Alarm) || len(c.Closed) > 0 || len(c.Overdue) > 0 {
		t.Errorf("%+v", c)
	}
	r.call(t, "quality", "GET", "/v1/alarms?since=lately", "").problem(t, 400, "invalid")
	// As of before, nobody had said anything.
	var was alarms
	r.call(t, "quality", "GET", "/v1/alarms?as_of="+whole(first), "").into(t, &was)
	i = slices.IndexFunc(was.Alarms, func(l listedAlarm) bool { return l.Alarm == a.Alarm })
	if w := was.Alarms[i]; w.State != "crossed" || len(w.History) != 0 || was.Changes != nil {
		t.Errorf("%+v", w)
	}
	after := chart()
	if after.Value != before.Value || after.State != "crossed" || len(after.Alarms) != len(before.Alarms) || after.Cases[len(after.Cases)-1] != before.Cases[len(before.Cases)-1] {
		t.Errorf("the chart moved: %v, %s", after.Value, after.Words)
	}
	if len(after.History) != 3 || len(before.History) != 0 {
		t.Errorf("history %+v", after.History)
	}
	testClimb(t, after)
}

// The scores of the cases of a climb add up to where the chart stands, and the
// largest come first.
func testClimb(t *testing.T, c oneChart) {
	sum, from := 0.0, len(c.Cases)
	for from > 0 && c.Cases[from-1].Value > 0 {
		from--
		sum += c.Cases[from].Score
	}
	if d := sum - c.Value; d > 1e-9 || d < -1e-9 || c.Climb.Cases != len(c.Cases)-from || math.Abs(c.Climb.With+c.Climb.Without-sum) > 1e-9 || c.Value == 0 {
		t.Errorf("%d cases add up to %v; the climb has %d, the chart is at %v", len(c.Cases)-from, sum, c.Climb.Cases, c.Value)
	}
	largest := c.Climb.Largest
	if !slices.IsSortedFunc(largest, func(a, b contribution) int { return int((math.Abs(b.Contribution) - math.Abs(a.Contribution)) * 1e9) }) || largest[0].Outcome != 1 {
		t.Errorf("%+v", largest)
	}
}
