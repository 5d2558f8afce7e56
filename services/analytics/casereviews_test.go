package analytics

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/alarm"
)

// waitingOf turns all pages of the list.
func (r *registry) waitingOf(t *testing.T, who, query string) []string {
	t.Helper()
	var out []string
	for next := "/v1/reviews?waiting=true&" + query; next != ""; {
		var w waiting
		got := r.call(t, who, "GET", next, "")
		got.into(t, &w)
		for _, u := range w.Waiting {
			out = append(out, u.CaseCode)
		}
		if got.status != 200 || w.N != len(w.Waiting) || len(out) > 50 {
			t.Fatalf("%d %s", got.status, got.body)
		}
		if next = ""; w.Next != nil {
			next = "/v1/reviews?waiting=true&" + query + "&after=" + *w.Next
		}
	}
	return out
}

func (r *registry) testCaseReviews(t *testing.T) {
	// HB-001 is reviewed. A trainer sees the trainees' alone, latest first; whatever
	// the pages' length.
	for _, query := range []string{"since=2025-01-01", "since=2025-01-01&limit=1"} {
		if got := r.waitingOf(t, "trainer", query); !slices.Equal(got, []string{"HB-500", "HB-002"}) {
			t.Errorf("%s: %v", query, got)
		}
	}
	if got := r.waitingOf(t, "quality", "since=2025-01-01"); len(got) != 7 || got[0] != "HB-025" {
		t.Errorf("%v", got)
	}
	for _, who := range []string{"inland", "beginner", "consultant"} {
		if got := r.waitingOf(t, who, "since=2025-01-01"); len(got) != 0 {
			t.Errorf("%s sees %v", who, got)
		}
	}
	if got := r.waitingOf(t, "trainer", "since=2025-01-05"); !slices.Equal(got, []string{"HB-500"}) {
		t.Errorf("%v", got)
	}
	if got := r.waitingOf(t, "trainer", ""); len(got) != 0 {
		t.Errorf("more than 90 days ago: %v", got)
	}
	for query, pointer := range map[string]string{"": "?waiting", "waiting=false": "?waiting", "waiting=true&since=May": "?since", "waiting=true&after=7": "?after", "waiting=true&as_of=7": "?"} {
		if p := r.call(t, "trainer", "GET", "/v1/reviews?"+query, "").problem(t, 400, "invalid"); len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", query, p.Errors)
		}
	}

	const path = "/v1/cases/HB-002/reviews"
	for _, c := range []struct {
		body    string
		status  int
		kind    string
		pointer string
	}{
		{`{}`, 422, "refused", "/at_this_stage"},
		{`{"at_this_stage":"bad"}`, 422, "refused", "/at_this_stage"},
		{`{"supervision_next":"far"}`, 422, "refused", "/supervision_next"},
		{`{"teaching_points":["no code"]}`, 422, "refused", "/teaching_points/0"},
		{`{"agreed_action":"` + strings.Repeat("a", 501) + `"}`, 422, "refused", "/agreed_action"},
		{`{"at_this_stage":"as","reviewed_at":"2025-03-12T10:41:07+00:00"}`, 422, "refused", "/reviewed_at"},
		{`{"at_this_stage":"as","trainer":"S-002"}`, 400, "invalid", "/trainer"},
		{`{"teaching_points":"rhexis-size"}`, 400, "invalid", "/teaching_points"},
	} {
		p := r.call(t, "trainer", "POST", path, c.body).problem(t, c.status, c.kind)
		if len(p.Errors) != 1 || p.Errors[0].Pointer != c.pointer {
			t.Errorf("%s: %+v", c.body, p.Errors)
		}
	}
	for who, want := range map[string]struct {
		path   string
		status int
		kind   string
	}{
		"trainee":    {path, 403, "forbidden"},
		"quality":    {path, 403, "forbidden"},
		"consultant": {path, 403, "forbidden"}, // sees the case, but the trainee is another's
		"trainer":    {"/v1/cases/HB-021/reviews", 404, "not-found"},
	} {
		r.call(t, who, "POST", want.path, `{"at_this_stage":"as"}`).problem(t, want.status, want.kind)
	}
	// A case of one's own isn't reviewed by oneself.
	r.call(t, "trainer", "POST", "/v1/cases/HB-700/reviews", `{"at_this_stage":"above"}`).problem(t, 403, "forbidden")

	before := r.last(t)
	at := time.Now().Add(-2 * time.Minute).Format(time.RFC3339)
	body := `{"at_this_stage":"as","teaching_points":["rhexis-size"],"agreed_action":"Two lists with a marker.","supervision_next":"scrubbed","reviewed_at":"` + at + `"}`
	var done, again ReviewedCase
	got := r.call(t, "trainer", "POST", path, body)
	if got.into(t, &done); got.status != 202 || len(done.Events) != 1 || done.Events[0].Type != events.TypeCaseReviewed || done.Events[0].Status != "stored" || done.Events[0].Sequence != before+1 {
		t.Fatalf("%d %s", got.status, got.body)
	}
	r.project(t)
	if got := r.waitingOf(t, "trainer", "since=2025-01-01"); !slices.Equal(got, []string{"HB-500"}) {
		t.Errorf("%v", got)
	}
	// The answer was lost, and the client sends the review again.
	got = r.call(t, "trainer", "POST", path, body)
	if got.into(t, &again); got.status != 202 || again.Events[0].ID != done.Events[0].ID || again.Events[0].Status != "duplicate" {
		t.Errorf("%d %s", got.status, got.body)
	}
	r.project(t)
	var c caseRecord
	r.call(t, "trainee", "GET", "/v1/cases/HB-002", "").into(t, &c)
	if len(c.Reviews) != 1 || c.Reviews[0].Trainer != "S-001" || c.Reviews[0].AtThisStage != "as" || !slices.Equal(c.Reviews[0].TeachingPoints, []string{"rhexis-size"}) ||
		c.Reviews[0].AgreedAction != "Two lists with a marker." || c.Reviews[0].SupervisionNext != "scrubbed" {
		t.Errorf("%+v", c.Reviews)
	}
	// Other words are another review.
	got = r.call(t, "trainer", "POST", path, strings.Replace(body, "Two", "Three", 1))
	if got.into(t, &again); again.Events[0].Status != "stored" || again.Events[0].ID == done.Events[0].ID {
		t.Errorf("%s", got.body)
	}
	r.project(t)
}

// testAmendedCase: an amended old case changes a chart from its own point on, and
// what was known before stays as it was.
func (r *registry) testAmendedCase(t *testing.T) {
	for i := range 6 {
		code := "HB-80" + whole(uint64(i))
		es := operation("HARBOUR", code, "S-014", day(10+i, 8, 0), i == 2)
		r.publish(t, append(es, of(t, code, "assessed", "preop.assessed", day(10+i, 7, 0), `{"age_years":65,"sex":"female"}`))...)
	}
	const path = "/v1/surgeons/S-014/charts?outcome=capsule-rupture&kind=detection"
	var before, past, after oneChart
	got := r.call(t, "trainee", "GET", path, "")
	got.into(t, &before)
	if d := before.Design; d.RiskModel != recalibrated.Name || d.RiskVersion != recalibrated.Version {
		t.Errorf("%+v", d)
	}
	r.publish(t, of(t, "HB-802", "amended", "event.amended", day(60, 9, 0), `{"target_source":"ehr-harbour","target_id":"HB-802-assessed","target_type":"lensledger.preop.assessed.v1",
		"data":{"age_years":65,"sex":"female","white_cataract":true,"pseudoexfoliation":true}}`))
	back := r.call(t, "trainee", "GET", path+"&as_of="+whole(before.AsOf.Position), "")
	if back.into(t, &past); back.body != got.body {
		t.Errorf("\n%s\n%s", back.body, got.body)
	}
	r.call(t, "trainee", "GET", path, "").into(t, &after)
	at := slices.IndexFunc(after.Cases, func(p alarm.Point) bool { return p.Case == "HB-802" })
	if len(after.Cases) != len(past.Cases) || at < 3 {
		t.Fatalf("%d and %d cases, the amended one at %d", len(after.Cases), len(past.Cases), at)
	}
	moved := 0
	for i, now := range after.Cases {
		then := past.Cases[i]
		switch {
		case i < at && now != then:
			t.Errorf("before the amended case: %+v, was %+v", now, then)
		case i == at && (now.Outcome != 1 || now.Expected <= then.Expected || now.Score >= then.Score || now.Value >= then.Value):
			// A rupture that was more to be expected says less.
			t.Errorf("the amended case: %+v, was %+v", now, then)
		case i > at && (now.Expected != then.Expected || now.Score != then.Score || now.Sum <= then.Sum):
			t.Errorf("after the amended case: %+v, was %+v", now, then)
		case i > at && now.Value < then.Value:
			moved++
		}
	}
	if moved == 0 {
		t.Error("the chart after the amended case hasn't moved")
	}
}
