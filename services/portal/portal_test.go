package portal

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/services/access"
)

func TestPages(t *testing.T) {
	r := newRegistry(t)
	t.Run("stranger", func(t *testing.T) { testStranger(t, r) })
	t.Run("charts", func(t *testing.T) { testCharts(t, r) })
	t.Run("cases", func(t *testing.T) { testCases(t, r) })
	t.Run("department", func(t *testing.T) { testDepartment(t, r) })
	t.Run("intake", func(t *testing.T) { testIntake(t, r) })
	t.Run("reviews", func(t *testing.T) { testReviews(t, r) })
	t.Run("without a database", func(t *testing.T) { testOutage(t, r) })
}

func testStranger(t *testing.T, r *registry) {
	nobody := browser{r: r}
	if got := nobody.get("/my/charts").want(t, http.StatusSeeOther); got.header.Get("Location") != "/" {
		t.Errorf("led to %q", got.header.Get("Location"))
	}
	nobody.get("/").want(t, http.StatusOK, "Sign in with a token", "Invented data.").lacks(t, "You are here as")
	nobody.post("/sign-in", url.Values{"token": {"nonsense"}}).want(t, http.StatusUnauthorized, "isn&#39;t accepted").lacks(t, "nonsense")
	nobody.post("/sign-in", url.Values{"token": {" "}}).want(t, http.StatusUnauthorized, "empty")
	nobody.post("/sign-in", url.Values{"persona": {"nobody"}}).want(t, http.StatusUnauthorized, "no such person")
	nobody.post("/sign-in", url.Values{"token": {strings.Repeat("x", maxFormBytes)}}).want(t, http.StatusRequestEntityTooLarge)

	signedIn := nobody.post("/sign-in", url.Values{"persona": {"trainee"}}).want(t, http.StatusSeeOther)
	cookie, err := http.ParseSetCookie(signedIn.header.Get("Set-Cookie"))
	if err != nil || cookie.Name != access.SessionCookie || !cookie.HttpOnly || cookie.SameSite != http.SameSiteStrictMode {
		t.Fatalf("cookie %+v, %v", cookie, err)
	}
	home := browser{r, cookie.Value}.get("/").want(t, http.StatusOK, "Trainee S-014", "/my/charts").lacks(t, "/alarms", "/intake")
	for name, want := range map[string]string{"Content-Type": "text/html; charset=utf-8", "Cache-Control": "no-store"} {
		if got := home.header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if !strings.HasPrefix(home.header.Get("Content-Security-Policy"), "default-src 'none'") {
		t.Error("no content security policy")
	}
	out := nobody.post("/sign-out", nil).want(t, http.StatusSeeOther)
	if cookie, err := http.ParseSetCookie(out.header.Get("Set-Cookie")); err != nil || cookie.MaxAge >= 0 {
		t.Errorf("signed out with cookie %+v, %v", cookie, err)
	}
	nobody.get("/assets/style.css").want(t, http.StatusOK, "color-scheme")
	nobody.get("/assets/nothing.css").want(t, http.StatusNotFound)
}

func testCharts(t *testing.T, r *registry) {
	// Ruptures in the first five cases: the trainee's line, 2.36, is crossed by the
	// fourth (each rupture scores about 0.67), which is case number 6 after 2 before.
	own := r.as(trainee).get("/my/charts").want(t, http.StatusOK, "Trainee S-014",
		"Crossed its line, for review: case number 6 on 9 January 2025", "Case number 32: 30 whole cases recorded here and 2 before the record begins.",
		"As of position", "Definitions: version")
	if n := strings.Count(own.body, "<table>"); n != 8 { // latest and all of four charts
		t.Errorf("%d tables, want 8", n)
	}
	r.as(trainer).get("/my/charts?surgeon=S-014").want(t, http.StatusOK, "Trainer S-002", "Crossed its line, for review")
	r.as(trainer).get("/my/charts").want(t, http.StatusOK, "No operation is recorded yet")
	r.as(trainee).get("/my/charts?surgeon=S-002").want(t, http.StatusNotFound, "Nothing here that you may see")
	r.as(quality).get("/my/charts").want(t, http.StatusForbidden)
}

func testCases(t *testing.T, r *registry) {
	for _, a := range []access.Actor{trainee, trainer, quality} {
		r.as(a).get("/cases/HB-001").want(t, http.StatusOK, "Right eye, operated on 6 January 2025. A capsule rupture is recorded.", "4 min 00 s",
			"operator at cause: S-014 (as recorded)", "Not known, and so taken as in the reference patient: age, sex,")
		r.as(a).get("/cases/ML-001").want(t, http.StatusNotFound, "Nothing here that you may see")
		r.as(a).get("/cases/NO-SUCH").want(t, http.StatusNotFound, "Nothing here that you may see")
	}
	r.as(auditor).get("/cases/HB-001").want(t, http.StatusForbidden)
	if got := r.as(trainer).get("/?case=HB-001").want(t, http.StatusSeeOther).header.Get("Location"); got != "/cases/HB-001" {
		t.Errorf("led to %q", got)
	}
	r.as(trainer).get("/?case=..%2Falarms").want(t, http.StatusUnprocessableEntity, "A case code is")
}

func testDepartment(t *testing.T, r *registry) {
	// 5 of 30: score limits 0.0734 and 0.3356 by the formula of Newcombe's method 3.
	const rate = "5 of 30 (16.7 %, 95 % CI 7.3 to 33.6)"
	page := r.as(auditor).get("/departments/HARBOUR").want(t, http.StatusOK, rate, `value="2024-03-01"`, `value="2025-02-28"`).lacks(t, "By first operator", "S-014")
	r.as(trainer).get("/departments/HARBOUR").want(t, http.StatusOK, rate).lacks(t, "By first operator")
	r.as(quality).get("/departments/HARBOUR").want(t, http.StatusOK, rate, "By responsible consultant", "By first operator", "By operator at cause", "S-014", "S-002")
	r.as(auditor).get("/departments/MOORLAND").want(t, http.StatusNotFound)
	r.as(auditor).get("/departments/HARBOUR?from=2025-01-06&to=2025-01-06").want(t, http.StatusOK, "1 of 1 (too few cases for a rate)")
	r.as(auditor).get("/departments/HARBOUR?from=2019-01&to=2019-12").want(t, http.StatusOK, "no figures")
	r.as(auditor).get("/departments/HARBOUR?from=2025-02-01&to=2025-01-01").want(t, http.StatusUnprocessableEntity, "the first not after the last", `href="#from"`)
	r.as(auditor).get("/departments/HARBOUR?as_of=tomorrow").want(t, http.StatusUnprocessableEntity, `value="tomorrow"`, `href="#as-of"`)
	// Position 13: the enrolment, the whole first case (6 events) and the second up to its end.
	r.as(quality).get("/departments/HARBOUR?from=2025-01-01&to=2025-12-31&as_of=13").want(t, http.StatusOK, "2 of 2 (too few cases for a rate)", "an earlier state")

	stranger := access.Actor{Subject: "auditor", Role: access.Auditor, Departments: []string{"FENLAND"}}
	r.as(stranger).get("/departments/FENLAND").want(t, http.StatusOK, "No operation of this department is recorded yet")

	before := r.service.cfg.Lag
	if before == nil {
		t.Error("the projector knows how late the rows are, and nobody asks it")
	}
	r.service.cfg.Lag = late{}
	defer func() { r.service.cfg.Lag = before }()
	r.as(auditor).get("/departments/HARBOUR").want(t, http.StatusOK, "Late: 12 events wait to be read in, the oldest for 3 min 00 s.")
	if strings.Contains(page.body, "Late:") {
		t.Error("late before it was")
	}
}

// late is a stream that is ahead of the rows.
type late struct{}

func (late) Lag(context.Context) (uint64, time.Duration, error) { return 12, 3 * time.Minute, nil }

func testIntake(t *testing.T, r *registry) {
	newer := stream.Outgoing{Subject: stream.Subject("ehr-harbour", "HARBOUR", "case", "booked"), MessageID: "newer",
		Data: []byte(`{"specversion":"1.0","id":"n1","source":"ehr-harbour","type":"lensledger.case.booked.v99","subject":"HB-900","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","datacontenttype":"application/json","data":{"later":"<b>"}}`)}
	twice := operations()[1]
	again := stream.Outgoing{Subject: stream.Subject(twice.Source, twice.Department, "case", "booked"), MessageID: "sent again", Data: twice.Encode()}
	r.send(newer, again)
	r.project()
	for _, a := range []access.Actor{integrator, quality} {
		r.as(a).get("/intake").want(t, http.StatusOK, "Its version is newer than this program.", "ehr-harbour", "156 accepted, 1 received again", "1 event waits in quarantine").lacks(t, "ehr-moorland")
	}
	r.as(administrator).get("/intake").want(t, http.StatusOK, "ehr-moorland", "counts of all sources").lacks(t, "newer than this program", "HB-900", "Waiting in quarantine")
	r.as(trainee).get("/intake").want(t, http.StatusForbidden)

	page := r.as(quality).get("/intake")
	action := regexp.MustCompile(`/quarantine/\d+/replays`).FindString(page.body)
	if action == "" {
		t.Fatalf("no replay offered\n%s", page.words())
	}
	r.as(integrator).get("/intake").lacks(t, "/replays")
	r.as(integrator).post(action, nil).want(t, http.StatusForbidden)
	r.as(quality).post(action, nil).want(t, http.StatusUnprocessableEntity, "is still refused")
	elsewhere := access.Actor{Subject: "quality", Role: access.Quality, Departments: []string{"MOORLAND"}}
	r.as(elsewhere).get("/intake").want(t, http.StatusOK, "Nothing waits in quarantine.")
	r.as(elsewhere).post(action, nil).want(t, http.StatusNotFound)
	r.as(quality).post("/quarantine/1/replays", nil).want(t, http.StatusNotFound)
	r.as(quality).post("/quarantine/x/replays", nil).want(t, http.StatusNotFound)

	nothing := access.Actor{Subject: "integrator", Role: access.Integrator, Source: "ehr-fenland", Departments: []string{"FENLAND"}}
	r.as(nothing).get("/intake").want(t, http.StatusOK, "No event has arrived yet.")
}

func testReviews(t *testing.T, r *registry) {
	officer := r.as(quality)
	page := officer.get("/alarms").want(t, http.StatusOK, "1 chart crossed its line and waits for a review.", "surgeon S-014", "/cases/HB-004",
		"Were everybody&#39;s performance exactly as acceptable", "Record a review")
	action := regexp.MustCompile(`/alarms/[a-z0-9-]+/reviews`).FindString(page.body)
	opened := regexp.MustCompile(`name="opened_at" value="([^"]+)"`).FindStringSubmatch(page.body)
	if action == "" || opened == nil {
		t.Fatalf("no form\n%s", page.words())
	}
	form := url.Values{"opened_at": {opened[1]}, "finding": {""}, "action": {"Scrubbed supervision, \"ten\" cases"}, "restart": {"yes"}}
	officer.post(action, form).want(t, http.StatusUnprocessableEntity, "Choose what the review found.", "Scrubbed supervision, &#34;ten&#34; cases", `checked="checked"`)
	form.Set("finding", "training-need")
	form.Set("opened_at", "2019-01-01T00:00:00Z")
	officer.post(action, form).want(t, http.StatusUnprocessableEntity, "lay open for too long", `value="training-need" selected="selected"`)
	form.Set("opened_at", opened[1])
	form.Set("action", strings.Repeat("é", maxActionCharacters+1))
	officer.post(action, form).want(t, http.StatusUnprocessableEntity, "shorten it to 500")
	form.Set("action", "Scrubbed supervision\r\nfor ten cases")

	elsewhere := access.Actor{Subject: "quality", Role: access.Quality, Departments: []string{"MOORLAND"}}
	r.as(elsewhere).get("/alarms").want(t, http.StatusOK, "No chart waits for a review.").lacks(t, "S-014")
	r.as(elsewhere).post(action, form).want(t, http.StatusNotFound)
	r.as(trainee).post(action, form).want(t, http.StatusForbidden)
	officer.post("/alarms/chart-none-1/reviews", form).want(t, http.StatusNotFound)

	// A form that is sent twice is one review.
	for range 2 {
		sent := officer.post(action, form).want(t, http.StatusSeeOther)
		if !strings.HasPrefix(sent.header.Get("Location"), "/alarms?recorded=") {
			t.Errorf("led to %q", sent.header.Get("Location"))
		}
		seen := officer.get(sent.header.Get("Location")).want(t, http.StatusOK, "Your review is recorded.", "No chart waits for a review.",
			"Earlier alarms, the chart restarted since", "Training need. Action: “Scrubbed supervision for ten cases”. The", "Begins again")
		if n := strings.Count(seen.body, "Training need. Action"); n != 1 {
			t.Errorf("the review is listed %d times\n%s", n, seen.words())
		}
	}
	r.as(trainee).get("/my/charts").want(t, http.StatusOK, "Begins again at zero with the next operation", "quality, ", "The chart begins again with the next operation.")
}

func testOutage(t *testing.T, r *registry) {
	gone, err := pg.Connect(t.Context(), r.db.URL, r.db.Base, 1)
	if err != nil {
		t.Fatal(err)
	}
	gone.Close()
	before := r.service.cfg.Pool
	r.service.cfg.Pool = gone
	defer func() { r.service.cfg.Pool = before }()
	got := r.as(auditor).get("/departments/HARBOUR")
	if got.status != http.StatusServiceUnavailable && got.status != http.StatusInternalServerError {
		t.Errorf("status %d", got.status)
	}
	got.want(t, got.status, caution, "ry again").lacks(t, "pool", "postgres")
}

// The events of a review are what the catalogue takes.
func TestReviewEventsDecode(t *testing.T) {
	a := listed(drawn(45, 3, 12, 20, 22, 31, 40))[0].Row
	for _, e := range reviewEvents(quality, a, reviewForm{Alarm: a.Alarm, OpenedAt: "2025-06-02T08:00:00Z", Finding: "other", Action: "Scrubbed supervision, ten cases", Restart: true}, fixedNow) {
		if _, problems := events.Decode(events.Header{"content-type": {events.ContentTypeEvent}}, e.Encode()); len(problems) > 0 {
			t.Errorf("%s: %+v", e.Type, problems)
		}
	}
}
