package portal

import (
	"bytes"
	"flag"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/learning"
	"lensledger/services/access"
)

var update = flag.Bool("update", false, "rewrite the golden pages; read the difference before you keep it")

// goldenPages makes one of each page, and of each state that a page has words for.
func goldenPages(t *testing.T, s *Service) map[string]struct {
	page string
	view any
} {
	t.Helper()
	ctx := t.Context()
	framed := func(a access.Actor, title string) frame { return s.frame(ctx, a, title, &fixedAt) }
	pages := map[string]struct {
		page string
		view any
	}{}
	add := func(name, page string, view any) {
		pages[name] = struct {
			page string
			view any
		}{page, view}
	}

	people := []personaRow{{"trainee", "Trainee", "S-014, sixty whole cases done"}, {"quality", "Quality officer", "reviews the alarms of HARBOUR"}}
	add("home-stranger", "home", homeView{frame: s.frame(ctx, access.Actor{}, "Sign in", nil), Personas: people, Problem: "This token isn't accepted."})
	for _, a := range []access.Actor{trainee, trainer, quality, auditor, integrator, administrator} {
		add("home-"+string(a.Role), "home", homeView{frame: s.frame(ctx, a, "What would you like to know?", nil), Cases: may(a.Role, "GET", "/cases/{case}")})
	}
	add("failure", "failure", failureView{frame: s.frame(ctx, trainee, "Something failed", nil), Message: "Something failed on our side.", Quote: "ABC"})
	signingPages(t, s, people, add)

	quiet, crossed := drawn(45, 30), drawn(45, 3, 12, 20, 22, 31, 40)
	review := alarm.ReviewRow{ReviewedAt: fixedNow, Finding: "training-need", Action: "Scrubbed supervision for ten cases", ReviewedBy: "quality"}
	for _, c := range []struct {
		name   string
		charts []alarm.Chart
		alarms []alarm.Listed
		n      int
	}{{"charts-empty", nil, nil, 1}, {"charts-few", drawn(12), nil, 12}, {"charts-quiet", quiet, nil, 45},
		{"charts-crossed", crossed, listed(crossed), 45}, {"charts-reviewed", crossed, listed(crossed, review), 45}} {
		view := s.chartsView("S-014", true, c.charts, entries(c.n), c.alarms)
		view.frame = framed(trainee, "Where do these charts stand, and what could they still miss?")
		add(c.name, "charts", view)
	}

	var states []alarm.ChartRow
	for _, c := range append(crossed, alarm.ComputeAll(withCode("S-002"), entries(40), nil, nil)...) {
		states = append(states, c.Row())
	}
	sent := &reviewForm{Alarm: crossed[0].Alarms[0].Alarm, OpenedAt: "2025-06-02T08:00:00Z", Finding: "case-mix", Action: `Look at "both" lists`, Restart: true}
	sent.list()
	restarted := listed(crossed, review)
	for i := range restarted {
		restarted[i].Restarted = true
	}
	byCode := map[string]alarm.Chart{}
	for _, c := range crossed {
		byCode[c.Code] = c
	}
	for _, c := range []struct {
		name   string
		alarms []alarm.Listed
		sent   *reviewForm
	}{{"alarms-none", nil, nil}, {"alarms-for-review", listed(crossed), nil}, {"alarms-not-stored", listed(crossed), sent},
		{"alarms-reviewed", listed(crossed, review), nil}, {"alarms-restarted", restarted, nil}} {
		view := s.alarmsView(quality, c.alarms, states, byCode, c.sent)
		view.frame = framed(quality, "Has a chart crossed its line, and who has looked at it?")
		view.False = []string{falseAlarmWords(alarm.FalseAlarmRate{Department: "HARBOUR", From: "2024-07-01", To: "2025-06-30", PerYear: 1.23,
			Charts: make([]alarm.ChartFalseAlarms, 9), Unknown: 1})}
		if c.sent != nil {
			view.Problems = []problemView{{"finding-" + c.sent.Alarm, "Choose what the review found."}}
		}
		add(c.name, "alarms", view)
	}

	surgeonPages(t, s, add)
	departments(t, s, add)

	counts := []archive.IntakeCount{{Source: "ehr-harbour", Department: "HARBOUR", Disposition: "accepted", Events: 12000, LastRecordedAt: fixedAt.RecordedAt}, {Source: "ehr-harbour", Department: "HARBOUR", Disposition: "duplicate", Events: 7, LastRecordedAt: fixedAt.RecordedAt.Add(-time.Hour)},
		{Source: "ehr-harbour", Department: "HARBOUR", Disposition: "quarantined", Events: 2, LastRecordedAt: fixedAt.RecordedAt.Add(-2 * time.Hour)}, {Source: "", Department: "", Disposition: "quarantined", Events: 1, LastRecordedAt: fixedAt.RecordedAt}}
	released := uint64(12001)
	rows := quarantineRows([]archive.Quarantined{
		{Sequence: 900, RecordedAt: fixedAt.RecordedAt, Source: "ehr-harbour", Department: "HARBOUR", Reason: events.CodeNewerVersion,
			Problems: []events.Problem{{Pointer: "/type", Code: "newer-version", Detail: "found version 2, known up to version 1"}, {Code: "x", Detail: "y"}}},
		{Sequence: 901, RecordedAt: fixedAt.RecordedAt, Reason: "strange-reason"},
		{Sequence: 10, RecordedAt: fixedAt.RecordedAt, Source: "ehr-harbour", Department: "HARBOUR", Reason: events.CodeUnknownType, ReleasedAs: &released}})
	rows.Replay, rows.Hidden = true, 4
	rows.Counts = countedReasons([]archive.QuarantineCount{{Source: "ehr-harbour", Department: "HARBOUR", Reason: events.CodeUnknownType, Waiting: 2},
		{Source: "", Department: "", Reason: events.CodeSubject, Waiting: 0, Released: 1}})
	add("intake-quality", "intake", intakeView{frame: framed(quality, "Were the events taken, which were refused and why?"), Answer: intakeAnswer(counts, 2, true), Sources: sourceRows(counts), Quarantine: rows})
	add("intake-administrator", "intake", intakeView{frame: framed(administrator, "Were the events taken, which were refused and why?"), Answer: intakeAnswer(counts, 0, false), Sources: sourceRows(counts)})
	add("intake-empty", "intake", intakeView{frame: framed(integrator, "Were the events taken, which were refused and why?"), Answer: intakeAnswer(nil, 0, true), Quarantine: &quarantineView{}})
	return pages
}

// departments adds the pages of a department.
func departments(t *testing.T, s *Service, add func(name, page string, view any)) {
	t.Helper()
	of := func(a access.Actor, route, title string) *departmentPage {
		return &departmentPage{frame: s.frame(t.Context(), a, title, &fixedAt), Department: "HARBOUR", Action: departmentHref(route, "HARBOUR"),
			Pages: departmentPages(a.Role, "HARBOUR", url.Values{"from": {"2024-07"}, "to": {"2025-06"}}), From: "2024-07-01", To: "2025-06-30"}
	}
	figures := func(a access.Actor) *departmentPage {
		return of(a, "/departments/{department}", "What are the department's figures, and what is left out?")
	}
	few := benchmarks(t)
	few.Vision.Comparable, few.Refraction.Comparable = false, false
	forAuditor := figures(auditor)
	forAuditor.figures(few, nil)
	add("department-auditor", "department", forAuditor)
	var surgeons []surgeonsView
	for _, v := range []string{"responsible-consultant", "first-operator", "operator-at-cause"} {
		surgeons = append(surgeons, surgeonsView{v, surgeonFigures(t)})
	}
	forQuality := figures(quality)
	forQuality.figures(benchmarks(t), surgeons)
	add("department-quality", "department", forQuality)
	none := figures(auditor)
	none.figures(department.Benchmarks{}, nil)
	none.From, none.To = "", ""
	add("department-empty", "department", none)
	wrong := figures(auditor)
	wrong.From, wrong.To, wrong.AsOfAsked = "2025-06-30", "2024-07-01", `yesterday "noon"`
	wrong.Problems = []problemView{{"from", "Period: give both days."}, {"as-of", "As of: give a position."}}
	add("department-wrong", "department", wrong)

	for name, groups := range map[string][]department.LensGroup{"lenses": lensGroups(t), "lenses-few": lensGroups(t)[2:], "lenses-none": nil} {
		page := of(auditor, "/departments/{department}/lenses", "Do lens constants fit, and what do operations do to the cornea?")
		page.lenses(groups, astigmatism(t))
		add(name, "department", page)
	}
	for name, f := range map[string]department.Funnel{"funnel": funnelOf(t), "funnel-none": {Outcome: "unplanned-takeover", Why: "no unit has 50 cases", Suppressed: []string{"MOORLAND"}}} {
		page := of(auditor, "/departments/{department}/funnel", "Do units differ by more than chance would give?")
		funnelForm(page, reading{actor: auditor, query: url.Values{"outcome": {f.Outcome}}})
		page.funnel(f)
		add(name, "department", page)
	}
	for name, c := range map[string]department.RiskModelCheck{"risk-model": riskCheck(t, 100), "risk-model-few": riskCheck(t, 0)} {
		page := of(quality, "/departments/{department}/risk-model", "Does the risk model in force fit this department?")
		page.riskModel(c)
		add(name, "department", page)
	}
	for name, theatre := range map[string]*department.TheatreCount{"completeness": {Operations: 150, Recorded: 148, Difference: 2}, "completeness-plain": nil} {
		page := of(quality, "/departments/{department}/completeness", "What is missing from the record?")
		theatreForm(page, reading{query: url.Values{"theatre_operations": {"150"}}})
		page.missing(reconciliation(theatre))
		add(name, "department", page)
	}
	for name, suppressed := range map[string]bool{"figures-auditor": true, "figures-quality": false} {
		page := of(auditor, "/departments/{department}", "What are the figures of the departments, side by side?")
		page.Department, page.Pages, page.Action = "", nil, "/figures"
		monthsForm(page, reading{})
		page.sideBySide(sideBySide(t, suppressed), url.Values{})
		add(name, "department", page)
	}
	for name, n := range map[string]int{"infections": 3, "infections-one": 1, "infections-none": 0} {
		page := of(quality, "/departments/{department}/infections", "Were there infections inside the eye, and do they lie close together?")
		page.infections(infections(n))
		add(name, "department", page)
	}
}

// signingPages adds what stands around signing in and out, and pages that keep what
// was typed.
func signingPages(t *testing.T, s *Service, people []personaRow, add func(name, page string, view any)) {
	t.Helper()
	add("home-sign-on", "home", homeView{frame: s.frame(t.Context(), access.Actor{}, "Sign in", nil), Personas: people,
		SignOn: "/sign-in?to=%2Falarms%3Frecorded%3Dx", To: "/alarms?recorded=x"})
	add("signed-out", "signedout", signedOutView{s.frame(t.Context(), access.Actor{}, "You are signed out here", nil), "https://login.example/end?client_id=lensledger&post_logout_redirect_uri=x"})
	sent := []fieldView{{typedBy, "abc"}, {"action", "First \"line\"\r\n<second> line"}, {"finding", "case-mix"}}
	shown := []factView{{"Action", "First \"line\"\r\n<second> line"}, {"Finding", "case-mix"}}
	for name, v := range map[string]failureView{
		"typed-sign-in": {frame: s.frame(t.Context(), access.Actor{}, "Sign in first", nil), Message: "Nothing is stored yet.", SignIn: "/sign-in", Typed: shown, Again: &againView{"/alarms/A-1/reviews", sent, "Signed in: send it again"}},
		"typed-away":    {frame: s.frame(t.Context(), quality, "Not available for the moment", nil), Message: "Try again.", Again: &againView{"/quarantine/7/replays", sent[:1], "Send it again"}},
		"typed-other":   {frame: s.frame(t.Context(), trainer, "Who signs this?", nil), Message: "Nothing is stored yet.", Typed: shown, Again: &againView{"/alarms/A-1/reviews", sent, "Send it as Trainer S-002"}},
	} {
		add(name, "failure", v)
	}
}

// withCode is an independent surgeon.
func withCode(code string) learning.Surgeon {
	return learning.Surgeon{Surgeon: code, Enrolled: true, Department: "HARBOUR", Post: "consultant"}
}

func TestGoldenPages(t *testing.T) {
	s := onPaper(t)
	for name, p := range goldenPages(t, s) {
		t.Run(name, func(t *testing.T) {
			var got bytes.Buffer
			if err := s.pages[p.page].Execute(&got, p.view); err != nil {
				t.Fatal(err)
			}
			checkPage(t, got.Bytes())
			file := filepath.Join("testdata", name+".html")
			if *update {
				if err := os.WriteFile(file, got.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got.Bytes(), want) {
				t.Errorf("%s differs from what the page gives now; see go test -update\n%s", file, firstDifference(got.Bytes(), want))
			}
		})
	}
}

func firstDifference(got, want []byte) string {
	g, w := bytes.Split(got, []byte("\n")), bytes.Split(want, []byte("\n"))
	for i := range g {
		if i >= len(w) || !bytes.Equal(g[i], w[i]) {
			out := "got:  " + string(g[i])
			if i < len(w) {
				out += "\nwant: " + string(w[i])
			}
			return out
		}
	}
	return "it ends earlier"
}
