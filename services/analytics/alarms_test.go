package analytics

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/services/access"
)

func (r *registry) alarmOf(t *testing.T, who, surgeon string) listedAlarm {
	t.Helper()
	var list alarms
	r.call(t, who, "GET", "/v1/alarms", "").into(t, &list)
	for _, a := range list.Alarms {
		if a.Surgeon == surgeon {
			return a
		}
	}
	t.Fatalf("no alarm of %s among %d", surgeon, list.N)
	return listedAlarm{}
}

// A quality officer who listens for changes is told when the newest alarm of the own
// departments became known, and nobody else is.
func (r *registry) testToldOfAlarms(t *testing.T) {
	var list alarms
	r.call(t, "quality", "GET", "/v1/alarms", "").into(t, &list)
	newest := uint64(0)
	for _, a := range list.Alarms {
		newest = max(newest, *a.FirstKnown)
	}
	for who, want := range map[string]uint64{"quality": newest, "inland": 0, "auditor": 0, "trainer": 0, "trainee": 0} {
		var told changed
		data := r.listen(t, who).next(t).data
		if err := json.Unmarshal([]byte(data), &told); err != nil || told.Alarm != want || strings.Contains(data, "alarm") != (want > 0) {
			t.Errorf("%s is told %s, want alarm %d: %v", who, data, want, err)
		}
	}
}

func (r *registry) testAlarms(t *testing.T) {
	a := r.alarmOf(t, "quality", "S-014")
	if a.Outcome != "capsule-rupture" || a.Kind != "detection" || a.Department != "HARBOUR" || a.FirstKnown == nil || len(a.Reviews) != 0 || a.Restarted ||
		a.Value < a.Threshold || a.Threshold != 2.36 || !strings.HasSuffix(a.Words, "; nobody has acknowledged it yet") || a.State != "crossed" || a.KnownAt == nil || a.Owner != nil || a.Overdue {
		t.Errorf("%+v", a)
	}
	r.testToldOfAlarms(t)
	r.testFalseAlarms(t)
	r.testHandling(t, a)
	path := "/v1/alarms/" + a.Alarm + "/reviews"
	for _, c := range []struct {
		body    string
		status  int
		kind    string
		pointer string
	}{
		{`{"action":"looked"}`, 422, "refused", "/finding"},
		{`{"finding":"bad-surgeon"}`, 422, "refused", "/finding"},
		{`{"finding":"other","action":"` + strings.Repeat("a", 501) + `"}`, 422, "refused", "/action"},
		{`{"finding":"other","by":"S-001"}`, 400, "invalid", "/by"},
		{`{"finding":"other","restart":"yes"}`, 400, "invalid", "/restart"},
		{`{"finding":"other","reviewed_at":"yesterday"}`, 422, "refused", "/reviewed_at"},
		{`{"finding":"other","reviewed_at":"2025-03-12T10:41:07+00:00"}`, 422, "refused", "/reviewed_at"},
		{`{"finding":"other","reviewed_at":"` + time.Now().Add(time.Hour).Format(time.RFC3339) + `"}`, 422, "refused", "/reviewed_at"},
	} {
		p := r.call(t, "quality", "POST", path, c.body).problem(t, c.status, c.kind)
		if len(p.Errors) != 1 || p.Errors[0].Pointer != c.pointer {
			t.Errorf("%s: %+v", c.body, p.Errors)
		}
	}
	r.call(t, "inland", "POST", path, `{"finding":"other"}`).problem(t, 404, "not-found")
	r.call(t, "trainer", "POST", path, `{"finding":"other"}`).problem(t, 403, "forbidden")
	r.call(t, "quality", "POST", "/v1/alarms/none/reviews", `{"finding":"other"}`).problem(t, 404, "not-found")

	before := r.last(t)
	var done, again Reviewed
	at := time.Now().Add(-2 * time.Minute).Format(time.RFC3339)
	review := `{"finding":"training-need","action":"two weeks of wet lab","restart":true,"reviewed_at":"` + at + `"}`
	got := r.call(t, "named", "POST", path, review)
	if got.into(t, &done); got.status != 202 || len(done.Events) != 2 || done.Events[0].Type != events.TypeAlarmReviewed || done.Events[1].Type != events.TypeChartRestarted ||
		done.Events[1].Sequence != before+2 || done.Chart != a.Chart {
		t.Fatalf("%d %s", got.status, got.body)
	}
	r.project(t)
	a = r.alarmOf(t, "quality", "S-014")
	if len(a.Reviews) != 2 || a.Reviews[0].Finding != "training-need" || a.Reviews[0].Restart == a.Reviews[1].Restart || !a.Restarted ||
		!strings.Contains(a.Words, "closed by ") || a.State != "restarted" || !strings.HasSuffix(a.Words, "the chart has begun again at zero since") {
		t.Errorf("%+v", a)
	}
	// A name that is no code stays with the issuer.
	if by := a.Reviews[0].By; by != string(PersonCode(people["named"])) || strings.Contains(by, "@") || !strings.HasPrefix(by, "quality-") {
		t.Errorf("by %s", by)
	}
	// The answer was lost, and the client sends the review again: whatever has been
	// projected since, it is the same review.
	if got := r.call(t, "named", "POST", path, review); got.status != 202 {
		t.Errorf("%d %s", got.status, got.body)
	} else if got.into(t, &again); len(again.Events) != 2 || again.Events[0].ID != done.Events[0].ID || again.Events[1].ID != done.Events[1].ID || again.Events[0].Status != "duplicate" {
		t.Errorf("%s", got.body)
	}
	r.project(t)
	if a := r.alarmOf(t, "quality", "S-014"); len(a.Reviews) != 2 {
		t.Errorf("sent twice, it is in the record %d times: %+v", len(a.Reviews), a.Reviews)
	}
	// Somebody else's of the same words is their own.
	p := r.call(t, "quality", "POST", path, `{"finding":"other","restart":true}`).problem(t, 422, "refused")
	if len(p.Errors) != 1 || p.Errors[0].Pointer != "/restart" {
		t.Errorf("%+v", p.Errors)
	}
	if done := r.call(t, "quality", "POST", path, `{"finding":"other"}`); done.status != 202 {
		t.Errorf("a second look: %d %s", done.status, done.body)
	}
	// The chart begins again with the next operation.
	next := operation("HARBOUR", "HB-950", "S-014", time.Now().Add(time.Second).UTC().Truncate(time.Second), false)
	if receipt := r.postEvent(t, next[0]); receipt.Stored != 1 {
		t.Errorf("%+v", receipt)
	}
	next[1].Time = next[0].Time.Add(6 * time.Minute)
	r.publish(t, next[1])
	var c oneChart
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/charts?outcome=capsule-rupture&kind=detection", "").into(t, &c)
	if last := c.Cases[len(c.Cases)-1]; last.Case != "HB-950" || !last.Restarted || last.Value != 0 || last.Crossed || !strings.HasPrefix(c.Words, "No signal") {
		t.Errorf("%+v %s", last, c.Words)
	}
}

// last is the last position of the stream.
func (r *registry) last(t *testing.T) uint64 {
	t.Helper()
	info, err := r.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return info.Last
}

func TestPersonCode(t *testing.T) {
	if got := PersonCode(access.Actor{Subject: "demo-quality", Role: access.Quality}); got != "demo-quality" {
		t.Error(got)
	}
	a, b := PersonCode(access.Actor{Subject: "a b", Role: access.Quality}), PersonCode(access.Actor{Subject: "a c", Role: access.Quality})
	if a == b || !codeShape.MatchString(string(a)) {
		t.Error(a, b)
	}
}
