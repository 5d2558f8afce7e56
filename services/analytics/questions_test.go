package analytics

import (
	"encoding/csv"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/department"
	"lensledger/projections/learning"
)

// An operator says that a record is wrong, the department answers, and no figure
// moves.
func (r *registry) testQuestions(t *testing.T) {
	const path = "/v1/cases/HB-002/questions"
	for _, c := range []struct {
		who, path, body string
		status          int
		kind, pointer   string
	}{
		{"trainee", path, `{"words":"x"}`, 422, "refused", "/part"},
		{"trainee", path, `{"part":"lunch","words":"x"}`, 422, "refused", "/part"},
		{"trainee", path, `{"part":"step"}`, 422, "refused", "/words"},
		{"trainee", path, `{"part":"step","words":"` + strings.Repeat("a", 501) + `"}`, 422, "refused", "/words"},
		{"trainee", path, `{"part":"step","words":"x","asked_at":"2025-03-12T10:41:07+00:00"}`, 422, "refused", "/asked_at"},
		{"trainee", path, `{"part":"step","words":"x","by":"S-001"}`, 400, "invalid", "/by"},
		{"trainer", path, `{"part":"step","words":"x"}`, 403, "forbidden", ""},    // sees the case, didn't operate
		{"consultant", path, `{"part":"step","words":"x"}`, 403, "forbidden", ""}, // answers for it
		{"quality", path, `{"part":"step","words":"x"}`, 403, "forbidden", ""},
		{"beginner", path, `{"part":"step","words":"x"}`, 404, "not-found", ""},
		{"trainee", "/v1/cases/HB-021/questions", `{"part":"step","words":"x"}`, 404, "not-found", ""},
		{"quality", "/v1/questions/question-none/answers", `{"answer":"corrected"}`, 404, "not-found", ""},
		{"trainee", "/v1/questions/question-none/answers", `{"answer":"corrected"}`, 403, "forbidden", ""},
	} {
		p := r.call(t, c.who, "POST", c.path, c.body).problem(t, c.status, c.kind)
		if c.pointer != "" && (len(p.Errors) != 1 || p.Errors[0].Pointer != c.pointer) {
			t.Errorf("%s %s: %+v", c.path, c.body, p.Errors)
		}
	}
	figures := func() string {
		out := r.call(t, "quality", "GET", "/v1/departments/HARBOUR/benchmarks?from=2025-01&to=2025-12", "").body
		var p progress
		r.call(t, "trainee", "GET", "/v1/surgeons/S-014/progress", "").into(t, &p)
		p.AsOf, p.Peers.AsOf = basis(p.AsOf).AsOf, nil
		_, after, _ := strings.Cut(out, `"definition"`)
		return after + strings.Join(p.Words, " ")
	}
	before := figures()

	body := `{"part":"operator","words":"The last quadrant was mine, S-001 only watched","asked_at":"` + time.Now().Add(-time.Minute).Format(time.RFC3339) + `"}`
	var done, again ReviewedCase
	got := r.call(t, "trainee", "POST", path, body)
	if got.into(t, &done); got.status != http.StatusAccepted || len(done.Events) != 1 || done.Events[0].Type != events.TypeRecordQuestioned || done.Events[0].Status != "stored" {
		t.Fatalf("%d %s", got.status, got.body)
	}
	r.project(t)
	if r.call(t, "trainee", "POST", path, body).into(t, &again); again.Events[0].ID != done.Events[0].ID || again.Events[0].Status != "duplicate" {
		t.Errorf("%+v", again)
	}
	id := done.Events[0].ID
	listed := func(who, query string) questions {
		var q questions
		r.call(t, who, "GET", "/v1/questions"+query, "").into(t, &q)
		return q
	}
	for _, who := range []string{"trainee", "trainer", "quality"} {
		if q := listed(who, "?open=true"); q.N != 1 || q.Questions[0].Question.Question != id || q.Questions[0].Surgeon != "S-014" || q.Questions[0].CaseCode != "HB-002" ||
			q.Questions[0].OpenDays == nil || q.Questions[0].AnsweredAt != nil {
			t.Errorf("%s sees %+v", who, q)
		}
	}
	for _, who := range []string{"beginner", "inland", "consultant"} {
		if q := listed(who, ""); q.N != 0 {
			t.Errorf("%s sees %+v", who, q)
		}
	}
	answer := "/v1/questions/" + id + "/answers"
	r.call(t, "inland", "POST", answer, `{"answer":"corrected"}`).problem(t, 404, "not-found")
	r.call(t, "quality", "POST", answer, `{"answer":"done"}`).problem(t, 422, "refused")
	r.call(t, "quality", "POST", answer, `{}`).problem(t, 422, "refused")
	if got := r.call(t, "quality", "POST", answer, `{"answer":"sent-on","words":"To the theatre's record keeper."}`); got.status != http.StatusAccepted {
		t.Fatalf("%d %s", got.status, got.body)
	}
	r.project(t)
	if q := listed("quality", "?open=true"); q.N != 0 {
		t.Errorf("%+v", q)
	}
	if q := listed("trainee", ""); q.N != 1 || q.Questions[0].Answer != "sent-on" || q.Questions[0].AnsweredBy != "demo-quality" || q.Questions[0].OpenDays != nil {
		t.Errorf("%+v", q)
	}
	var c caseRecord
	r.call(t, "trainee", "GET", "/v1/cases/HB-002", "").into(t, &c)
	if len(c.Questions) != 1 || c.Questions[0].By != "S-014" || len(c.Questions[0].Answers) != 1 || c.Questions[0].Answers[0].Words != "To the theatre's record keeper." {
		t.Errorf("%+v", c.Questions)
	}
	if after := figures(); after != before {
		t.Errorf("a question moved a figure:\n%s\n%s", before, after)
	}
	r.call(t, "auditor", "GET", "/v1/questions", "").problem(t, 403, "forbidden")
	r.call(t, "trainee", "GET", "/v1/questions?open=no", "").problem(t, 400, "invalid")
}

// The logbook's totals are those of the progress, its pages make a whole, and a
// combined operation stands in it without counting.
func (r *registry) testLogbook(t *testing.T) {
	r.publish(t, slices.Concat(stepped(t, "HB-850", "S-014", day(40, 9, 0), 200), []events.Event{
		of(t, "HB-850", "booked", "case.booked", day(30, 9, 0), `{"patient":"P-850","eye":"left","procedure":"phacoemulsification","combined_with":["glaucoma"]}`),
		of(t, "HB-850", "rupture", "complication.recorded", day(40, 9, 20), `{"kind":"posterior-capsule-rupture","vitreous":"none"}`)},
		stepped(t, "HB-851", "S-001", day(41, 9, 0), 200), []events.Event{
			of(t, "HB-851", "handed", "operator.changed", day(41, 9, 12), `{"from":"S-001","to":"S-014","planned":true,"reason":"teaching","step":"sculpting"}`)})...)
	var p progress
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/progress", "").into(t, &p)
	var whole logbook
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/logbook", "").into(t, &whole)
	// HB-001, HB-002 and HB-500 whole; HB-851 from sculpting on; HB-850 apart.
	if want := (learning.LogbookTotals{Operations: 5, Whole: 3, Part: 1, FirstOperator: 3, AcuityKnown: 1, AcuityMissing: 3, RefractionKnown: 1, RefractionMissing: 3, Excluded: 1}); whole.Totals.Whole != p.WholeCases ||
		whole.Totals.Part != p.PartCases || whole.Totals.AcuityMissing != p.Missing.AcuityAfter || whole.Totals.RefractionMissing != p.Missing.Refraction ||
		whole.Totals != want {
		t.Errorf("%+v beside %d whole, %d part, %+v", whole.Totals, p.WholeCases, p.PartCases, p.Missing)
	}
	var codes []string
	for _, c := range whole.Cases {
		codes = append(codes, c.Case)
		switch c.Case {
		case "HB-001":
			if c.CaseNumber != 23 || c.Role != learning.RoleFirstOperator || !c.Whole || c.Supervision != "scrubbed" || c.ResponsibleConsultant != "S-002" ||
				!slices.Equal(c.Steps, []string{"capsulorhexis"}) || c.AcuityAfter != "missing" || c.OperatedOn != "2025-01-02" {
				t.Errorf("%+v", c)
			}
		case "HB-500":
			if c.AcuityBefore != "known" || c.AcuityAfter != "known" || c.Refraction != "known" || c.FollowupClosed != "discharged" {
				t.Errorf("%+v", c)
			}
		case "HB-850":
			if c.Excluded != "combined" || !c.Rupture || c.AcuityAfter != "" || !slices.Equal(c.Complications, []string{"posterior-capsule-rupture"}) || c.CaseNumber != 25 {
				t.Errorf("%+v", c)
			}
		case "HB-851":
			if c.Role != learning.RoleLaterOperator {
				t.Errorf("%+v", c)
			}
		}
	}
	if want := []string{"HB-001", "HB-002", "HB-500", "HB-850", "HB-851"}; !slices.Equal(codes, want) {
		t.Fatalf("%v", codes)
	}
	var first, second logbook
	r.call(t, "trainer", "GET", "/v1/surgeons/S-014/logbook?limit=3", "").into(t, &first)
	if first.N != 3 || first.Next == nil || first.Totals != whole.Totals {
		t.Fatalf("%+v", first)
	}
	r.call(t, "trainer", "GET", "/v1/surgeons/S-014/logbook?limit=3&after="+*first.Next, "").into(t, &second)
	if second.N != 2 || second.Next != nil || second.Cases[0].Case != "HB-850" {
		t.Errorf("%+v", second)
	}
	var few logbook
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/logbook?from=2025-01-04&to=2025-01-06", "").into(t, &few)
	if few.Totals.Operations != 2 || few.From != "2025-01-04" || few.Cases[0].CaseNumber != 24 {
		t.Errorf("%+v", few)
	}

	got := r.call(t, "trainee", "GET", "/v1/surgeons/S-014/logbook", "", "Accept", "text/csv")
	rows, err := csv.NewReader(strings.NewReader(got.body)).ReadAll()
	if err != nil || len(rows) != 6 || !slices.Equal(rows[0], learning.LogbookColumns) || rows[1][3] != "2025-01-02T09:00:00+00:00" || !strings.HasPrefix(got.header.Get("Content-Type"), "text/csv") {
		t.Errorf("%v %q", err, got.body)
	}
	if text := contract(t).Paths.Value("/v1/surgeons/{surgeon}/logbook").Get.Description; !strings.Contains(strings.Join(strings.Fields(text), " "), strings.Join(learning.LogbookColumns, ", ")) {
		t.Error("the contract lists other columns")
	}
	for _, bad := range []string{"?from=2025-01", "?from=2025-02-01&to=2025-01-01", "?to=tomorrow"} {
		r.call(t, "trainee", "GET", "/v1/surgeons/S-014/logbook"+bad, "").problem(t, 400, "invalid")
	}
	for _, kind := range []string{"logbook", "outcomes"} {
		r.call(t, "beginner", "GET", "/v1/surgeons/S-014/"+kind, "").problem(t, 404, "not-found")
		r.call(t, "quality", "GET", "/v1/surgeons/S-014/"+kind, "").problem(t, 403, "forbidden")
		if got := r.call(t, "beginner", "GET", "/v1/surgeons/S-099/"+kind, ""); got.status != 200 {
			t.Errorf("%d %s", got.status, got.body)
		}
	}
	var eyes department.EyesOfSurgeon
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/outcomes", "").into(t, &eyes)
	// HB-500 alone was followed up: -0.25 D from the prediction, -0.04 logMAR.
	if eyes.Operations != 3 || eyes.Refraction.AllEyes.N != 1 || eyes.Refraction.Within025.Count != 1 || eyes.Refraction.N != 1 || eyes.Vision.After.N != 1 || eyes.Vision.After.At000.Count != 1 || eyes.Settled.N != 1 {
		t.Errorf("%+v", eyes)
	}
}
