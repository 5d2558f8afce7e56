package portal

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/services/access"
)

// testRecording marks the recording of a case of which theatre recorded the
// sculpting, from 09:05 to 09:09, and nothing else.
func testRecording(t *testing.T, r *registry) {
	const path = "/cases/HB-021/recording"
	by := r.as(trainer)
	page := by.get(path).want(t, http.StatusOK, "stays on this machine", `<option value="capsulorhexis">`, "Steps that are on record already")
	if policy := page.header.Get("Content-Security-Policy"); !strings.HasSuffix(policy, "; media-src blob:") || !strings.HasPrefix(policy, "default-src 'none'; script-src 'self';") {
		t.Errorf("policy %q", policy)
	}
	if policy := by.get("/cases/HB-021").header.Get("Content-Security-Policy"); strings.Contains(policy, "media-src") {
		t.Errorf("another page's policy is %q", policy)
	}
	for _, a := range []access.Actor{trainee, quality, auditor} {
		r.as(a).get(path).want(t, http.StatusForbidden)
		r.as(a).post(path, url.Values{}).want(t, http.StatusForbidden)
	}
	alone := access.Actor{Subject: "consultant", Role: access.Trainer, Surgeon: "S-002", Departments: []string{"HARBOUR"}}
	r.as(alone).get(path).want(t, http.StatusForbidden, "supervises the case&#39;s first operator")
	by.get("/cases/ML-001/recording").want(t, http.StatusNotFound)

	form := formOf(t, page)
	for name, values := range map[string][]string{"recording_length": {"30:00"},
		"known_offset": {"0:00", "7:30"}, "known_clock": {"09:00:00", "09:30:00"}, // four times as fast
		"step": {"sculpting", "capsulorhexis"}, "step_start": {"1:15", "0:30"}, "step_end": {"", "1:00"},
		"point": {"rhexis-runs-out", ""}, "point_polarity": {"improve", "improve"}, "point_at": {"0:45.5", ""}, "point_step": {"capsulorhexis", ""}, "point_consequence": {"capsule", ""}} {
		form[name] = values
	}
	typed := []string{`value="0:30"`, `value="09:30:00"`, `value="rhexis-runs-out"`, `<option value="capsulorhexis" selected="selected">`, `data-kept="yes"`}
	by.post(path, form).want(t, http.StatusUnprocessableEntity, append(typed, "Sculpting is in the record already", `href="#step-1"`)...)
	more := url.Values{"do": {"rows"}}
	for k, v := range form {
		more[k] = v
	}
	by.post(path, more).want(t, http.StatusOK, append(typed, `id="step-8"`, "one second of it is 4.00 s of the operation")...)

	form["step"], form["step_start"], form["step_end"] = form["step"][1:], form["step_start"][1:], form["step_end"][1:]
	// A form that is sent twice makes the same events.
	for range 2 {
		sent := by.post(path, form).want(t, http.StatusSeeOther)
		by.get(sent.header.Get("Location")).want(t, http.StatusOK, "Your marks are recorded.", `data-done="yes"`)
	}
	// Two minutes of the operation are thirty seconds of the file.
	seen := by.get("/cases/HB-021").want(t, http.StatusOK, "rhexis-runs-out (to improve, capsulorhexis",
		`<th scope="row">Capsulorhexis</th><td class="n">2 min 00 s</td><td class="n">2 min 00 s</td>`).lacks(t, "arrived with two contents")
	if n := strings.Count(seen.body, `<th scope="row">Capsulorhexis</th>`); n != 1 {
		t.Errorf("the step is listed %d times", n)
	}
	r.as(trainee).get("/my/advice").want(t, http.StatusOK, "<td>To work on</td><td>Capsulorhexis</td><td>0:45.5</td><td>Capsule</td><td>S-002</td>")
	// Other marks of the same form, after it was recorded, are asked about.
	form["point"] = []string{"another", ""}
	by.post(path, form).want(t, http.StatusUnprocessableEntity, "recorded already, others than these")
}

// testPlanned books an eye for after the latest operation, and one of a surgeon who
// isn't the trainer's.
func testPlanned(t *testing.T, r *registry) {
	by := r.as(trainer)
	by.get("/my/planned").want(t, http.StatusOK, "No case that you may see is booked from 4 February 2025")
	book := func(subject string, first events.Code, on events.Date) []events.Event {
		of := func(kind events.Type, data any) events.Event {
			return events.Event{ID: subject + string(kind[len("lensledger."):]), Source: "ehr-harbour", Department: "HARBOUR", Subject: subject, Time: began, Type: kind, Data: data}
		}
		return []events.Event{of(events.TypeCaseBooked, &events.CaseBooked{Patient: events.Code("P-" + subject), Eye: events.EyeLeft, PlannedFirstOperator: first, PlannedOn: on}),
			of(events.TypePreopAssessed, &events.PreopAssessed{AgeYears: events.Some(int64(84)), Pupil: events.PupilSmall, Glaucoma: events.No})}
	}
	r.publish(append(append(book("HB-901", "S-014", "2025-02-20"), book("HB-902", "S-077", "2025-02-20")...), book("HB-903", "S-014", "2025-01-20")...)...)
	r.project()
	// All operations so far were of eyes with nothing assessed, at the odds of the reference.
	by.get("/my/planned").want(t, http.StatusOK, "1 case is booked", `href="/cases/HB-901"`, "age 84 years and pupil small", "above what is usual", "hidden: fewer than five others",
		"never advice on a patient under treatment").lacks(t, "HB-902", "HB-903")
	for _, a := range []access.Actor{trainee, quality, auditor, administrator} {
		r.as(a).get("/my/planned").want(t, http.StatusForbidden)
	}
	for _, subject := range []string{"HB-901", "HB-902", "HB-903"} { // others count what is awaited
		r.publish(events.Event{ID: subject + "-off", Source: "ehr-harbour", Department: "HARBOUR", Subject: subject, Time: began.Add(time.Hour), Type: events.TypeCaseCancelled,
			Data: &events.CaseCancelled{Stage: "before-theatre", Reason: "patient"}})
	}
	r.project()
	by.get("/my/planned").want(t, http.StatusOK, "No case that you may see is booked")
}
