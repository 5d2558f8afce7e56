package portal

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/services/access"
)

// testProgress reads progress, the list of cases to review, and a case's stage.
func testProgress(t *testing.T, r *registry) {
	r.as(trainee).get("/my/progress").want(t, http.StatusOK, "(your own)", "Case number 32, in whole cases. The next published minimum is 86: 54 to go.",
		"hidden: fewer than five others", "5 of 30 (16.7 %", `href="/cases/HB-030"`, "Sculpting (critical)").lacks(t, "<select")
	r.as(trainee).get("/my/progress?surgeon=S-002").want(t, http.StatusNotFound)
	r.as(trainer).get("/my/progress?surgeon=S-014").want(t, http.StatusOK, `<option value="S-014" selected="selected">`, "Case number 32")
	r.as(trainer).get("/my/progress").want(t, http.StatusOK, `<option value="S-002" selected="selected">`, "Case number 0")
	for _, a := range []access.Actor{quality, auditor, administrator} {
		r.as(a).get("/my/progress").want(t, http.StatusForbidden)
		r.as(a).get("/my/reviews").want(t, http.StatusForbidden)
	}
	r.as(trainee).get("/my/reviews").want(t, http.StatusForbidden)
	r.as(trainer).get("/my/reviews").want(t, http.StatusOK, "Waiting for a review: 30 cases", `href="/cases/HB-030"`)
	elsewhere := access.Actor{Subject: "trainer", Role: access.Trainer, Surgeon: "S-050", Supervises: []string{"S-051"}, Departments: []string{"HARBOUR"}}
	r.as(elsewhere).get("/my/reviews").want(t, http.StatusOK).lacks(t, "HB-")

	for _, a := range []access.Actor{trainee, trainer, quality} {
		r.as(a).get("/cases/HB-004").want(t, http.StatusOK, "Case number 6, in whole cases", "Asks for a case discussion, whatever a chart says: capsule rupture.", "hidden: fewer than five others")
	}
	// A consultant who answers for a case sees it, and nothing of the surgeon's other cases.
	alone := access.Actor{Subject: "consultant", Role: access.Trainer, Surgeon: "S-002", Departments: []string{"HARBOUR"}}
	r.as(alone).get("/cases/HB-004").want(t, http.StatusOK, "isn&#39;t yours to see").lacks(t, "Case number 6", "Record a review")
	r.as(alone).get("/my/progress?surgeon=S-014").want(t, http.StatusNotFound)
}

// testCaseReviews sends reviews of cases from their own form.
func testCaseReviews(t *testing.T, r *registry) {
	by := r.as(trainer)
	page := by.get("/cases/HB-020").want(t, http.StatusOK, "Record a review of this case", "Nobody has recorded a review")
	r.as(trainee).get("/cases/HB-020").lacks(t, "Record a review")
	r.as(quality).get("/cases/HB-020").lacks(t, "Record a review")
	const action = "/cases/HB-020/reviews"
	page.want(t, http.StatusOK, `href="/cases/HB-019"`, `href="/cases/HB-021"`, `href="/cases/HB-020/recording"`, `data-source="/v1/cases/HB-020/stage"`)
	form := formOf(t, page)
	form.Set("teaching_points", "groove; groove")
	form["improve"] = []string{"rhexis-runs-out"}
	form.Set("strengths", "steady-hands")
	form.Set("agreed_action", "Trace the \"edge\"\r\nbefore each pull")
	form.Set("supervision_next", "scrubbed")

	typed := []string{"groove; groove", `value="rhexis-runs-out" checked="checked"`, ">steady-hands</textarea>", "Trace the &#34;edge&#34; before each pull", `value="scrubbed" selected="selected"`}
	by.post(action, form).want(t, http.StatusUnprocessableEntity, append(typed, "Choose how the case was", `href="#at-this-stage"`)...)
	form.Set("at_this_stage", "as")
	for field, c := range map[string]struct{ value, says string }{
		"teaching_points":  {"good, b@d", "“b@d” isn&#39;t a code"},
		"strengths":        {"groove", "Keep it in one of them"},
		"agreed_action":    {strings.Repeat("é", maxActionCharacters+1), "shorten it to 500"},
		"supervision_next": {"asleep", "Choose one of the listed"},
		"opened_at":        {"2019-01-01T00:00:00Z", "lay open for too long"},
		"form":             {"forged id", "lay open for too long"},
	} {
		wrong := url.Values{}
		for k, v := range form {
			wrong[k] = v
		}
		wrong.Set(field, c.value)
		by.post(action, wrong).want(t, http.StatusUnprocessableEntity, c.says, `value="as" selected="selected"`)
	}
	nothing := formOf(t, page)
	nothing.Set("at_this_stage", stageOpen)
	by.post(action, nothing).want(t, http.StatusUnprocessableEntity, "The review says nothing yet")
	r.as(trainee).post(action, form).want(t, http.StatusForbidden)
	r.as(quality).post(action, form).want(t, http.StatusForbidden)
	by.post("/cases/ML-001/reviews", form).want(t, http.StatusNotFound)
	by.post("/cases/NO-SUCH/reviews", form).want(t, http.StatusNotFound)
	alone := access.Actor{Subject: "consultant", Role: access.Trainer, Surgeon: "S-002", Departments: []string{"HARBOUR"}}
	r.as(alone).post(action, form).want(t, http.StatusForbidden, "supervises its first operator")

	// A form that is sent twice is one review.
	for range 2 {
		sent := by.post(action, form).want(t, http.StatusSeeOther)
		seen := by.get(strings.TrimSuffix(sent.header.Get("Location"), "#reviews")).want(t, http.StatusOK, "Your review is recorded.",
			"as is usual at this stage; teaching points rhexis-runs-out and groove; next time supervisor scrubbed; agreed: Trace the &#34;edge&#34; before each pull.")
		if n := strings.Count(seen.body, "Reviewed by S-002"); n != 1 {
			t.Errorf("the review is listed %d times\n%s", n, seen.words())
		}
		seen.lacks(t, "arrived with two contents")
	}
	// Other words from the same form are asked about, and then are another review.
	form.Set("at_this_stage", "below")
	again := by.post(action, form).want(t, http.StatusUnprocessableEntity, append(typed[:3:3], "is recorded already", `value="below" selected="selected"`)...)
	form.Set("form", formOf(t, again).Get("form"))
	by.post(action, form).want(t, http.StatusSeeOther)
	// What was said reaches the first operator, and nobody else's page.
	r.as(trainee).get("/my/advice").want(t, http.StatusOK, "Case HB-020, operated on 25 January 2025", "agreed: Trace the &#34;edge&#34; before each pull",
		"<th scope=\"row\">steady-hands</th><td>Strength</td>")
	by.get("/my/advice").want(t, http.StatusForbidden)
	two := r.as(trainee).get("/cases/HB-020").want(t, http.StatusOK, "below what is usual at this stage")
	if n := strings.Count(two.body, "Reviewed by S-002"); n != 2 {
		t.Errorf("%d reviews, want 2\n%s", n, two.words())
	}
	by.get("/my/reviews").want(t, http.StatusOK, "Waiting for a review: 29 cases").lacks(t, `"/cases/HB-020"`)
	by.get("/my/progress?surgeon=S-014").want(t, http.StatusOK, "rhexis-runs-out", "too few to say")

	// Sent from a page of another site, it isn't taken.
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, r.server.URL+action, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	request.Header.Set("Sec-Fetch-Site", "cross-site")
	request.AddCookie(&http.Cookie{Name: access.SessionCookie, Value: by.token})
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if response.StatusCode != http.StatusForbidden {
		t.Errorf("from another site: %d", response.StatusCode)
	}
}

// formOf reads the hidden fields of the page's review form.
func formOf(t *testing.T, page answer) url.Values {
	t.Helper()
	form := url.Values{}
	for _, m := range regexp.MustCompile(`<input type="hidden" name="(form|opened_at)" value="([^"]*)"/>`).FindAllStringSubmatch(page.body, -1) {
		form.Set(m[1], m[2])
	}
	if len(form) != 2 {
		t.Fatalf("no form\n%s", page.words())
	}
	return form
}

// testPeers adds five trainees with one case each, so that a step may stand beside
// others.
func testPeers(t *testing.T, r *registry) {
	var es []events.Event
	for i := range 5 {
		surgeon, subject, at := events.Code(fmt.Sprintf("S-10%d", i)), fmt.Sprintf("HP-%d", i), began.AddDate(0, 0, i)
		add := func(about string, kind events.Type, after time.Duration, data any) {
			es = append(es, events.Event{ID: fmt.Sprintf("%s-%s-%d", about, strings.TrimPrefix(string(kind), "lensledger."), i), Source: "ehr-harbour", Department: "HARBOUR",
				Subject: about, Time: at.Add(after), Type: kind, Data: data})
		}
		add(string(surgeon), events.TypeSurgeonEnrolled, -time.Hour, &events.SurgeonEnrolled{Post: "trainee"})
		add(subject, events.TypeCaseBooked, -time.Hour, &events.CaseBooked{Patient: events.Code("P-" + subject), Eye: events.EyeLeft, Procedure: events.ProcedurePhaco})
		add(subject, events.TypeCaseStarted, 0, &events.CaseStarted{FirstOperator: surgeon, ResponsibleConsultant: "S-003"})
		add(subject, events.TypeStepStarted, time.Minute, &events.StepStarted{Step: events.StepSculpting, Operator: surgeon})
		add(subject, events.TypeStepFinished, time.Minute+time.Duration(100*(i+1))*time.Second, &events.StepFinished{Step: events.StepSculpting})
		add(subject, events.TypeCaseFinished, 20*time.Minute, &events.CaseFinished{})
	}
	r.publish(es...)
	r.project()
	// Of 100, 200, 300, 400, 500 s the quartiles by rule 7 are 200 and 400 s; the case took 240 s.
	for _, a := range []access.Actor{trainee, trainer, quality} {
		r.as(a).get("/cases/HB-004").want(t, http.StatusOK, "within 3 min 20 s to 6 min 40 s (5 others)", "other surgeons at cases 1 to 10",
			"the middle half of 5 other trainees at cases 1 to 10").lacks(t, "S-10")
	}
	r.as(trainee).get("/my/progress").want(t, http.StatusOK, "3 min 20 s to 6 min 40 s (5 others)").lacks(t, "S-10")
}
