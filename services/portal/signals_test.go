package portal

import (
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"lensledger/services/access"
)

// into reads an answer of the API.
func (a answer) into(t *testing.T, v any) {
	t.Helper()
	if a.status != http.StatusOK {
		t.Fatalf("status %d: %.300s", a.status, a.body)
	}
	if err := json.Unmarshal([]byte(a.body), v); err != nil {
		t.Fatal(err)
	}
}

var (
	openedAt = regexp.MustCompile(`name="opened_at" value="([^"]+)"`)
	drawings = regexp.MustCompile(`data-drawing="([a-z-]+)" data-source="([^"]+)">\s*<figcaption>([^<]*)</figcaption>`)
)

// testSignals takes the signal of S-014 through its life.
func testSignals(t *testing.T, r *registry) {
	officer := r.as(quality)
	page := officer.get("/alarms").want(t, http.StatusOK, "1 signal has no owner. 1 signal is open in all.", "surgeon S-014", "/cases/HB-004",
		"Department HARBOUR: were everybody&#39;s performance exactly as acceptable", "Nobody has acknowledged it yet.", "1 chart crossed its line.", "Record the review")
	signal := strings.TrimSuffix(regexp.MustCompile(`/alarms/[a-z0-9-]+/reviews`).FindString(page.body), "/reviews")
	opened := openedAt.FindStringSubmatch(page.body)
	if signal == "" || opened == nil {
		t.Fatalf("no form\n%s", page.words())
	}
	today := time.Now().UTC()
	day := func(n int) string { return today.AddDate(0, 0, n).Format(time.DateOnly) }
	officer.get("/alarms?since=2025-01-01").want(t, http.StatusOK, `value="2025-01-01"`, "1 chart crossed its line.")
	officer.get("/alarms?since="+day(1)).want(t, http.StatusOK, "No chart crossed its line.", "1 open signal has no owner.")
	officer.get("/alarms?since=lately").want(t, http.StatusUnprocessableEntity, `value="lately"`, `href="#since"`)

	// Nobody else may say anything about it, or learn that it is there.
	elsewhere := access.Actor{Subject: "quality", Role: access.Quality, Departments: []string{"MOORLAND"}}
	r.as(elsewhere).get("/alarms").want(t, http.StatusOK, "No signal is open.").lacks(t, "S-014")
	form := func(more ...string) url.Values {
		v := url.Values{"opened_at": {opened[1]}}
		for i := 0; i < len(more); i += 2 {
			v.Set(more[i], more[i+1])
		}
		return v
	}
	for _, what := range []string{sentAcknowledgement, sentAssignment, sentReview} {
		all := form("note", "Seen it", "owner", "C-01", "due_on", day(5), "finding", "other", "action", "Looked")
		theirs := r.as(elsewhere).post(signal+"/"+what, all).want(t, http.StatusNotFound, "There is no such signal that you may see", "What you typed:").lacks(t, "S-014")
		if theirs.want(t, http.StatusNotFound, map[string]string{sentAcknowledgement: "Note: Seen it", sentAssignment: "Owner: C-01", sentReview: "Action: Looked"}[what]); t.Failed() {
			return
		}
		r.as(trainee).post(signal+"/"+what, all).want(t, http.StatusForbidden)
		officer.post("/alarms/chart-none-1/"+what, all).want(t, http.StatusNotFound)
		all.Set("opened_at", "2019-01-01T00:00:00Z")
		officer.post(signal+"/"+what, all).want(t, http.StatusUnprocessableEntity, "lay open for too long", "Seen it", `value="C-01"`, `value="`+day(5)+`"`, `value="other" selected="selected"`, "Looked")
	}

	// What is refused is shown again as it was typed.
	long := strings.Repeat("é", maxActionCharacters+1)
	officer.post(signal+"/acknowledgements", form("note", long)).want(t, http.StatusUnprocessableEntity, "The note has 501 characters; shorten it to 500.", long)
	officer.post(signal+"/assignments", form("owner", "Dr. <Who>", "due_on", day(-1))).want(t, http.StatusUnprocessableEntity, "Give the code of who", `value="Dr. &lt;Who&gt;"`, "today or up to a year ahead", `value="`+day(-1)+`"`)
	officer.post(signal+"/assignments", form("owner", "C-01")).want(t, http.StatusUnprocessableEntity, "Give the day by which")
	officer.post(signal+"/reviews", form("action", "Scrubbed supervision, \"ten\" cases", "restart", "yes")).want(t, http.StatusUnprocessableEntity,
		"Choose what the review found.", "Scrubbed supervision, &#34;ten&#34; cases", `checked="checked"`)

	send := func(what string, v url.Values, words ...string) answer {
		t.Helper()
		sent := officer.post(signal+"/"+what, v).want(t, http.StatusSeeOther)
		return officer.get(sent.header.Get("Location")).want(t, http.StatusOK, words...)
	}
	for range 2 { // a form that is sent twice is one acknowledgement
		seen := send(sentAcknowledgement, form("note", "Two of them\r\non one list"), "That you have seen it is recorded.", "Acknowledged by quality on ", "1 signal was acknowledged.", "1 signal has no owner.")
		if n := strings.Count(seen.body, "Note: “Two of them on one list”."); n != 1 {
			t.Errorf("listed %d times\n%s", n, seen.words())
		}
	}
	r.as(trainee).get("/my/charts").want(t, http.StatusOK, "Crossed its line, for review: case number 6 on 9 January 2025", "acknowledged by quality")
	send(sentAssignment, form("owner", "C-01", "due_on", day(9)), "Its owner is recorded.", "Under review by C-01, due on ", "1 signal was given to an owner.", "Every open signal has an owner.")

	// The day has passed: it is said first.
	now := r.service.cfg.Now
	r.service.cfg.Now = func() time.Time { return time.Now().AddDate(0, 0, 11) }
	officer.get("/alarms").want(t, http.StatusOK, `<p class="answer">1 signal is overdue.`, "<strong>Overdue.</strong> Under review by C-01", "1 signal is overdue.")
	r.service.cfg.Now = now

	// The page's words are the API's.
	var api struct {
		Alarms  []struct{ Alarm, State, Words, Owner string }
		Changes struct {
			Crossed, Acknowledged, Assigned, Closed, Overdue []string
			NobodyOwns                                       []string `json:"nobody_owns"`
		}
	}
	officer.get("/v1/alarms?since="+day(-28)).into(t, &api)
	if a := api.Alarms[0]; "/alarms/"+a.Alarm != signal || a.State != "under-review" || a.Owner != "C-01" || len(api.Alarms) != 1 {
		t.Errorf("%+v", api.Alarms)
	}
	shown := officer.get("/alarms?since=" + day(-28))
	for words, codes := range map[string][]string{"No signal is overdue/signal is overdue": api.Changes.Overdue, "Every open signal has an owner/open signal has no owner": api.Changes.NobodyOwns,
		"No chart crossed its line/chart crossed its line": api.Changes.Crossed, "No signal was acknowledged/signal was acknowledged": api.Changes.Acknowledged,
		"No signal was given to an owner/signal was given to an owner": api.Changes.Assigned, "No signal was closed/signal was closed": api.Changes.Closed} {
		want, one, _ := strings.Cut(words, "/")
		if len(codes) > 0 {
			want = plural(len(codes), one, "")
		}
		shown.want(t, http.StatusOK, want+".")
	}
	_, life, _ := strings.Cut(api.Alarms[0].Words, "; ")
	shown.want(t, http.StatusOK, sentence(life)+".")

	closed := form("finding", "training-need", "action", "Scrubbed supervision\r\nfor ten cases", "restart", "yes")
	for range 2 {
		seen := send(sentReview, closed, "Your review is recorded.", "No signal is open.", "Earlier signals, the chart restarted since", "1 signal was closed.", "1 chart was restarted.",
			"closed. Found: training need. Action: “Scrubbed supervision for ten cases”.", "chart restarted; it begins again with the next operation.")
		if n := strings.Count(seen.body, "Found: training need"); n != 1 {
			t.Errorf("the review is listed %d times\n%s", n, seen.words())
		}
	}
	r.as(trainee).get("/my/charts").want(t, http.StatusOK, "Begins again at zero with the next operation", "quality: ", "it begins again with the next operation.")
	officer.get("/departments/HARBOUR/charts").want(t, http.StatusOK, "Begins again at zero with the next operation")
	r.as(trainee).get("/charts?surgeon=S-014&outcome=capsule-rupture&kind=detection").want(t, http.StatusOK, "given to C-01, due on", "chart restarted")
}

// testDrawnCharts holds each drawing against the address that it is drawn from.
func testDrawnCharts(t *testing.T, r *registry) {
	officer := r.as(quality)
	type point struct {
		Case       string
		CaseNumber int     `json:"case_number"`
		Value      float64 `json:"value"`
	}
	var one struct {
		Words   string
		Cases   []point
		CanTell struct {
			False float64 `json:"false_signals_a_year"`
		} `json:"can_tell"`
		Climb struct {
			Cases   int
			Largest []struct {
				Case         string
				Outcome      int
				Contribution float64
			}
		}
	}
	for _, who := range []access.Actor{trainee, trainer, quality} {
		large := r.as(who).get("/charts?surgeon=S-014&outcome=capsule-rupture&kind=detection").want(t, http.StatusOK, "What this chart can and can't tell", "case number 6 on 9 January 2025")
		drawn := drawings.FindStringSubmatch(large.body)
		if drawn == nil || drawn[1] != "run" {
			t.Fatalf("no drawing\n%s", large.words())
		}
		r.as(who).get(html.UnescapeString(drawn[2])).into(t, &one)
		if one.Words != html.UnescapeString(drawn[3]) {
			t.Errorf("the page says %q, the API %q", drawn[3], one.Words)
		}
		rows := regexp.MustCompile(`(?s)<h2 id="cases">.*`).FindString(large.body)
		if n := strings.Count(rows, `<tr><th scope="row">`); n != recentCases {
			t.Errorf("%d cases in the table", n)
		}
		for _, p := range one.Cases[len(one.Cases)-recentCases:] {
			if want := fmt.Sprintf(`<a href="/cases/%s">%s</a></th><td class="n">%d</td>`, p.Case, p.Case, p.CaseNumber); !strings.Contains(rows, want) || !strings.Contains(rows, decimal(p.Value, 2)) {
				t.Errorf("the table lacks %s at %v", p.Case, p.Value)
			}
		}
		for _, c := range one.Climb.Largest {
			if c.Outcome == 0 {
				continue
			}
			large.want(t, http.StatusOK, `<a href="/cases/`+c.Case+`">`, strings.ReplaceAll(signed(c.Contribution, 3), "+", "&#43;"))
		}
		// Twenty-six points of whole and stopped cases; the scores add up to about four ruptures.
		if one.CanTell.False <= 0 || one.Climb.Cases == 0 {
			t.Errorf("%+v", one)
		}
	}
	whole := len(one.Cases)
	older := officer.get("/charts?surgeon=S-014&outcome=capsule-rupture&kind=detection&skip=20").want(t, http.StatusOK, fmt.Sprintf("Cases 21 to %d of %d, latest first", whole, whole), "Later cases", `href="/cases/HB-001"`)
	older.lacks(t, "before these")
	officer.get("/charts?surgeon=S-014&outcome=capsule-rupture&kind=detection").want(t, http.StatusOK, fmt.Sprintf("The %d cases before these", whole-recentCases), "skip=20&amp;surgeon=S-014#cases")
	officer.get("/charts?surgeon=S-014&skip=9999").want(t, http.StatusOK)
	officer.get("/charts?surgeon=S-014&skip=-1").want(t, http.StatusBadRequest)

	// As of an earlier position both say what was known then.
	past := officer.get("/charts?surgeon=S-014&outcome=capsule-rupture&kind=detection&as_of=20").want(t, http.StatusOK, "an earlier state", "Too few cases to say anything")
	drawn := drawings.FindStringSubmatch(past.body)
	if officer.get(html.UnescapeString(drawn[2])).into(t, &one); one.Words != html.UnescapeString(drawn[3]) || !strings.Contains(drawn[2], "as_of=20") {
		t.Errorf("as of 20 the page says %q, the API %q", drawn[3], one.Words)
	}

	// What isn't theirs looks as if it weren't there.
	r.as(trainee).get("/charts?surgeon=S-002").want(t, http.StatusNotFound, "Nothing here that you may see")
	r.as(trainer).get("/charts?surgeon=S-099").want(t, http.StatusNotFound)
	officer.get("/charts?surgeon=S-099").want(t, http.StatusNotFound)
	officer.get("/charts?surgeon=S-099&outcome=nonsense").want(t, http.StatusNotFound)
	officer.get("/charts?department=MOORLAND&outcome=visual-loss").want(t, http.StatusNotFound)
	r.as(trainer).get("/charts?department=HARBOUR&outcome=visual-loss").want(t, http.StatusNotFound)
	r.as(auditor).get("/charts?surgeon=S-014").want(t, http.StatusForbidden)
	r.as(trainee).get("/charts").want(t, http.StatusOK, "Chart of surgeon <strong>S-014</strong>")
	officer.get("/charts").want(t, http.StatusUnprocessableEntity, "Say whose chart")
	officer.get("/charts?surgeon=S-014&outcome=nonsense").want(t, http.StatusUnprocessableEntity, "There is no chart of “nonsense”", `href="#other-charts"`)
	officer.get("/charts?surgeon=S-014&as_of=tomorrow").want(t, http.StatusUnprocessableEntity, `value="tomorrow"`, `href="#as-of"`)
	officer.get("/charts?surgeon=S-014&outcome=step:draping").want(t, http.StatusOK, "There is no such chart")

	// The small ones: each finding is that of the address it is drawn from.
	list := officer.get("/departments/HARBOUR/charts").want(t, http.StatusOK, "it puts no person before another", "1 over its line and open for review")
	found := drawings.FindAllStringSubmatch(list.body, -1)
	if len(found) != 6 { // four of S-014 and two of the department
		t.Errorf("%d charts", len(found))
	}
	for i, f := range found {
		var got struct {
			Words, State string
			Charts       []struct{ Words string }
		}
		officer.get(html.UnescapeString(f[2])).into(t, &got)
		if len(got.Charts) == 1 {
			got.Words = got.Charts[0].Words
		}
		if f[1] != "small-run" || got.Words != html.UnescapeString(f[3]) {
			t.Errorf("the page says %q, the API %q", f[3], got.Words)
		}
		if i == 0 && got.State != "crossed" {
			t.Errorf("the first is %s", got.State)
		}
	}
	some := officer.get("/departments/HARBOUR/charts?outcome=unplanned-takeover").want(t, http.StatusOK, `value="unplanned-takeover" selected="selected"`)
	if n := len(drawings.FindAllString(some.body, -1)); n != 2 {
		t.Errorf("%d charts of take-over", n)
	}
	officer.get("/departments/HARBOUR/charts?outcome=beauty").want(t, http.StatusUnprocessableEntity, "Outcome: choose one of the list.")
	officer.get("/departments/HARBOUR/charts?page=x").want(t, http.StatusUnprocessableEntity, "no such page")
	officer.get("/departments/MOORLAND/charts").want(t, http.StatusNotFound)
	r.as(trainer).get("/departments/HARBOUR/charts").want(t, http.StatusForbidden)
}
