package portal

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
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
	t.Run("progress", func(t *testing.T) { testProgress(t, r) })
	t.Run("department", func(t *testing.T) { testDepartment(t, r) })
	t.Run("intake", func(t *testing.T) { testIntake(t, r) })
	t.Run("drawn charts", func(t *testing.T) { testDrawnCharts(t, r) })
	t.Run("signals", func(t *testing.T) { testSignals(t, r) })
	t.Run("case reviews", func(t *testing.T) { testCaseReviews(t, r) })
	t.Run("recordings", func(t *testing.T) { testRecording(t, r) })
	t.Run("planned eyes", func(t *testing.T) { testPlanned(t, r) })
	t.Run("logbook", func(t *testing.T) { testLogbook(t, r) })
	t.Run("questions", func(t *testing.T) { testQuestions(t, r) })
	t.Run("peers", func(t *testing.T) { testPeers(t, r) })
	t.Run("without a database", func(t *testing.T) { testOutage(t, r) })
}

func testStranger(t *testing.T, r *registry) {
	nobody := browser{r: r}
	if got := nobody.get("/my/charts").want(t, http.StatusSeeOther); got.header.Get("Location") != "/sign-in?to=%2Fmy%2Fcharts" {
		t.Errorf("led to %q", got.header.Get("Location"))
	}
	nobody.get("/").want(t, http.StatusOK, "Sign in with a token", "Invented data.").lacks(t, "You are here as")
	nobody.post("/sign-in", url.Values{"token": {"nonsense"}}).want(t, http.StatusUnauthorized, "isn&#39;t accepted").lacks(t, "nonsense")
	nobody.post("/sign-in", url.Values{"token": {" "}}).want(t, http.StatusUnauthorized, "empty")
	nobody.post("/sign-in", url.Values{"persona": {"nobody"}}).want(t, http.StatusUnauthorized, "no such person")
	nobody.post("/sign-in", url.Values{"token": {strings.Repeat("x", maxFormBytes)}}).want(t, http.StatusRequestEntityTooLarge)

	signedIn := nobody.post("/sign-in", url.Values{"persona": {"trainee"}}).want(t, http.StatusSeeOther)
	cookie, err := http.ParseSetCookie(signedIn.header.Get("Set-Cookie"))
	if err != nil || cookie.Name != access.SessionCookie || !cookie.HttpOnly || cookie.SameSite != http.SameSiteLaxMode {
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
	nobody.post("/alarms/chart-none-1/reviews", url.Values{"finding": {"other"}}).want(t, http.StatusUnauthorized, "Sign in first", "nothing is stored yet").lacks(t, "bearer")
	nobody.get("/assets/style.css").want(t, http.StatusOK, "color-scheme")
	nobody.get("/assets/nothing.css").want(t, http.StatusNotFound)
}

func testCharts(t *testing.T, r *registry) {
	// Ruptures in the first five cases: the trainee's line, 2.36, is crossed by the
	// fourth (each rupture scores about 0.67), which is case number 6 after 2 before.
	own := r.as(trainee).get("/my/charts").want(t, http.StatusOK, "Trainee S-014",
		"Crossed its line, for review: case number 6 on 9 January 2025", "Case number 32: 30 whole cases recorded here and 2 before the record begins.",
		"As of position", "Definitions: version")
	if n := strings.Count(own.body, "<table>"); n != 5 { // latest of four charts, and of that of sculpting
		t.Errorf("%d tables, want 5", n)
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

	// 26 of the 30 eyes were seen again, all at 0.20 logMAR.
	page.want(t, http.StatusOK, "After, 0.30 logMAR (6/12) or better", "26 of 26 (100.0 %, 95 % CI", "4 missing: 100.0 % if all of them did well, 86.7 % if all did badly",
		"Too little follow-up to compare", "No acuity recorded before, nor in the window of follow-up", "No refraction recorded in the window of follow-up")
	r.as(trainer).get("/departments/HARBOUR/lenses").want(t, http.StatusOK, "no lens constant can be checked", "No corneal power recorded before the operation")
	r.as(trainer).get("/departments/MOORLAND/lenses").want(t, http.StatusNotFound, "Nothing here that you may see")
	r.as(trainee).get("/departments/HARBOUR/lenses").want(t, http.StatusForbidden, "Not for your role")
	r.as(auditor).get("/departments/HARBOUR").lacks(t, "/departments/HARBOUR/infections")
	r.as(auditor).get("/departments/HARBOUR/infections").want(t, http.StatusForbidden, "Not for your role")
	r.as(quality).get("/departments/HARBOUR/infections").want(t, http.StatusOK, "2 infections inside the eye within 42 days", "1 group lies close together",
		`href="/cases/HB-012"`, "proven by culture")
	r.as(quality).get("/departments/HARBOUR/infections?from=2025-01-15&to=2025-01-15").want(t, http.StatusOK, "1 infection inside the eye", "None was found within 30 days")
	r.as(quality).get("/departments/HARBOUR/infections?as_of=163").want(t, http.StatusOK, "No infection inside the eye is recorded")

	testComparisons(t, r)

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

// testComparisons asks for what sets units or counts side by side.
func testComparisons(t *testing.T, r *registry) {
	both := access.Actor{Subject: "auditor", Role: access.Auditor, Departments: []string{"HARBOUR", "MOORLAND"}}
	ours := access.Actor{Subject: "quality", Role: access.Quality, Departments: []string{"HARBOUR", "MOORLAND"}}
	const year = "?from=2025-01&to=2025-12"
	// No unit has 50 cases; of an auditor's numbers the small ones are held back.
	r.as(both).get("/departments/HARBOUR/funnel"+year).want(t, http.StatusOK, "Capsule rupture: no funnel. The numbers of every unit are held back", "HARBOUR", "Held back").lacks(t, "Surgeons of this department")
	r.as(ours).get("/departments/HARBOUR/funnel"+year+"&outcome=unplanned-takeover&by=surgeon").want(t, http.StatusOK, "Unplanned take-over: no funnel. No line to hold units against", "Surgeons of this department").lacks(t, "Held back")
	r.as(ours).get("/departments/HARBOUR/funnel"+year+"&outcome=visual-loss&by=surgeon").want(t, http.StatusUnprocessableEntity, "their own share in the others is small")
	r.as(both).get("/departments/HARBOUR/funnel"+year+"&by=surgeon").want(t, http.StatusUnprocessableEntity, "Units: choose one of the list.")
	r.as(both).get("/departments/HARBOUR/funnel"+year+"&outcome=nothing").want(t, http.StatusUnprocessableEntity, "Outcome: choose one of the list.")

	shown := r.as(ours).get("/figures"+year).want(t, http.StatusOK, "Figures of 2 departments: 31 operations counted.", "5 of 30 (16.7 %, 95 % CI 7.3 to 33.6)", "0 of 1", `type="month"`).lacks(t, "“Held back”")
	hidden := r.as(both).get("/figures"+year).want(t, http.StatusOK, "“Held back” marks small numbers", "Washington State").lacks(t, "5 of 30", "5 of 31")
	r.as(both).get("/figures").want(t, http.StatusOK, `value="2024-03"`, `value="2025-02"`)
	r.as(both).get("/figures?from=2025-01-06&to=2025-01-31").want(t, http.StatusUnprocessableEntity, "figures are of whole months")
	r.as(trainer).get("/figures").want(t, http.StatusForbidden, "Not for your role")
	for who, page := range map[*access.Actor]answer{&ours: shown, &both: hidden} {
		for _, form := range []string{"csv", "json"} {
			href := strings.ReplaceAll(regexp.MustCompile(`/figures\.`+form+`\?[^"]*`).FindString(page.body), "&amp;", "&")
			file := r.as(*who).get(href).want(t, http.StatusOK, "HARBOUR", "MOORLAND")
			if got := file.header.Get("Content-Disposition"); got != `attachment; filename="figures-2025-01-2025-12.`+form+`"` {
				t.Errorf("%s: %s", href, got)
			}
			sum := sha256.Sum256([]byte(file.body))
			if got := file.header.Get("Repr-Digest"); got != "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":" {
				t.Errorf("%s: digest %s", href, got)
			}
			if who == &both && strings.Contains(file.body, "16.7") {
				t.Errorf("%s: a small number left the departments", href)
			}
		}
	}
	r.as(both).get("/figures.csv?from=x").want(t, http.StatusBadRequest, "The period can&#39;t be read")
	r.as(both).get("/figures.csv?from=2025-01-06&to=2025-01-31").want(t, http.StatusBadRequest, "whole months")

	r.as(ours).get("/departments/HARBOUR/completeness"+year+"&theatre_operations=32").want(t, http.StatusOK, "30 operations are on record",
		"The theatre counted 32, the record holds 30: 2 operations are missing from the record.", "Every operation has an end.", "No pair of operations asks for a look.")
	r.as(ours).get("/departments/HARBOUR/completeness"+year+"&theatre_operations=-1").want(t, http.StatusUnprocessableEntity, "give a whole number")
	r.as(both).get("/departments/HARBOUR/completeness").want(t, http.StatusForbidden)
	// Five ruptures are too few to judge a model by, and more so to fit one.
	r.as(ours).get("/departments/HARBOUR/risk-model"+year).want(t, http.StatusOK, "5 capsule ruptures among 30 operations. The model isn&#39;t judged: it takes 10",
		"No proposal: it takes 100", "of the fewer there are 5.")
	r.as(both).get("/departments/HARBOUR/risk-model").want(t, http.StatusForbidden)
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
		r.as(a).get("/intake").want(t, http.StatusOK, "Its version is newer than this program.", "ehr-harbour", "184 accepted, 1 received again", "1 event waits in quarantine").lacks(t, "ehr-moorland")
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
	r.as(quality).post(action, nil).want(t, http.StatusUnprocessableEntity, "so it stays in quarantine")
	elsewhere := access.Actor{Subject: "quality", Role: access.Quality, Departments: []string{"MOORLAND"}}
	r.as(elsewhere).get("/intake").want(t, http.StatusOK, "Nothing waits in quarantine.")
	r.as(elsewhere).post(action, nil).want(t, http.StatusNotFound)
	r.as(quality).post("/quarantine/1/replays", nil).want(t, http.StatusNotFound)
	r.as(quality).post("/quarantine/x/replays", nil).want(t, http.StatusNotFound)

	// A publisher's own word is exchanged for one of the vocabulary, and nothing else
	// passes for one.
	r.send(stream.Outgoing{Subject: stream.Subject("ehr-harbour", "HARBOUR", "complication", "recorded"), MessageID: "own word",
		Data: []byte(`{"specversion":"1.0","id":"w1","source":"ehr-harbour","type":"lensledger.complication.recorded.v1","subject":"HB-901","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","datacontenttype":"application/json","data":{"kind":"bag \"tear\"","vitreous":"none"}}`)})
	r.project()
	page = r.as(quality).get("/intake")
	page.want(t, http.StatusOK, "<code>/data/kind</code> “bag &#34;tear&#34;” stands for")
	action = regexp.MustCompile(`/quarantine/\d+/replays`).FindString(page.body) // the latest comes first
	word := func(found, meant string) url.Values {
		return url.Values{"pointer": {"/data/kind"}, "found": {found}, "meant": {meant}}
	}
	r.as(quality).post(action, word(`bag "tear"`, " ")).want(t, http.StatusUnprocessableEntity, "so it stays in quarantine", "kind: found ")
	r.as(quality).post(action, word(`bag "tear"`, "tear of the bag")).want(t, http.StatusUnprocessableEntity, "so it stays in quarantine", "kind: found ")
	r.as(quality).post(action, word("bag", "posterior-capsule-rupture")).want(t, http.StatusUnprocessableEntity, "found another value")
	r.as(quality).post(action, word(`bag "tear"`, "posterior-capsule-rupture")).want(t, http.StatusSeeOther)
	r.project()
	r.as(quality).get("/intake").want(t, http.StatusOK, "185 accepted", "1 event waits in quarantine")
	r.as(quality).post(action, word(`bag "tear"`, "posterior-capsule-rupture")).want(t, http.StatusUnprocessableEntity, "sent again before")

	nothing := access.Actor{Subject: "integrator", Role: access.Integrator, Source: "ehr-fenland", Departments: []string{"FENLAND"}}
	r.as(nothing).get("/intake").want(t, http.StatusOK, "No event has arrived yet.")
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

// The events of a form are what the catalogue takes.
func TestSignalEventsDecode(t *testing.T) {
	a := listed(drawn(45, 3, 12, 20, 22, 31, 40))[0].Row
	for what, want := range map[string]int{sentAcknowledgement: 1, sentAssignment: 1, sentReview: 2} {
		form := signalForm{Alarm: a.Alarm, Sent: what, Note: "Seen", Owner: "C-01", DueOn: "2025-06-30", Finding: "other", Action: "Scrubbed supervision, ten cases", Restart: true}
		made := form.events(quality, a, fixedNow)
		if len(made) != want {
			t.Errorf("%s: %d events", what, len(made))
		}
		for _, e := range made {
			if _, problems := events.Decode(events.Header{"content-type": {events.ContentTypeEvent}}, e.Encode()); len(problems) > 0 {
				t.Errorf("%s: %+v", e.Type, problems)
			}
		}
	}
}
