package portal

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/department"
	"lensledger/services/access"
)

// TestDesk follows figures out of the departments, and events on their way in. One
// event of HB-001 waits in quarantine.
func TestDesk(t *testing.T) {
	r := newRegistry(t)
	r.send(stream.Outgoing{Subject: stream.Subject("ehr-harbour", "HARBOUR", "complication", "recorded"), MessageID: "aside",
		Data: []byte(`{"specversion":"1.0","id":"aside","source":"ehr-harbour","type":"lensledger.complication.recorded.v1","subject":"HB-001","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","data":{"kind":"posterior-capsule-rupture","vitreous":"gel"}}`)})
	r.project()
	t.Run("files", func(t *testing.T) { testFiles(t, r) })
	t.Run("releases", func(t *testing.T) { testReleasePages(t, r) })
	t.Run("changes", func(t *testing.T) { testChangesPage(t, r) })
	t.Run("bad input", func(t *testing.T) { testFiguresInput(t, r) })
	t.Run("pasted events", func(t *testing.T) { testPasted(t, r) })
}

var (
	ofBoth = access.Actor{Subject: "auditor", Role: access.Auditor, Departments: []string{"HARBOUR", "MOORLAND"}}
	inBoth = access.Actor{Subject: "quality", Role: access.Quality, Departments: []string{"HARBOUR", "MOORLAND"}}
)

const deskYear = "?from=2025-01&to=2025-12"

// href finds the first address on a page that begins so.
func (a answer) href(t *testing.T, begin string) string {
	t.Helper()
	m := regexp.MustCompile(`href="(` + regexp.QuoteMeta(begin) + `[^"]*)"`).FindStringSubmatch(a.body)
	if m == nil {
		t.Fatalf("no link to %s\n%s", begin, a.words())
	}
	return html.UnescapeString(m[1])
}

// What a page offers for download is what its manifest says, and its numbers are
// those of the file.
func testFiles(t *testing.T, r *registry) {
	page := r.as(inBoth).get("/figures"+deskYear+"&departments=HARBOUR").want(t, http.StatusOK, "Figures of 1 department: 30 operations counted.",
		`value="HARBOUR" checked="checked"`).lacks(t, `value="MOORLAND" checked`)
	both := r.as(inBoth).get("/figures"+deskYear+"&departments=HARBOUR&departments=MOORLAND").want(t, http.StatusOK, "Figures of 2 departments: 31 operations counted.")
	if got := r.as(inBoth).get("/figures" + deskYear + "&departments=MOORLAND,HARBOUR"); strings.Count(got.body, `checked="checked"`) != 2 || both.status != got.status {
		t.Error("commas aren't read")
	}
	for _, form := range department.Forms {
		file := r.as(inBoth).get(page.href(t, "/figures."+form)).want(t, http.StatusOK)
		var m department.Manifest
		if err := json.Unmarshal([]byte(r.as(inBoth).get(strings.Replace(page.href(t, "/figures/manifest.json"), "form=csv", "form="+form, 1)).body), &m); err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256([]byte(file.body))
		if digest := hex.EncodeToString(sum[:]); m.SHA256 != digest || !strings.Contains(page.body, "<dd>"+digest+"</dd>") || m.Form != form {
			t.Errorf("%s: %s, manifest %s", form, digest, m.SHA256)
		}
	}
	var f department.Figures
	if err := json.Unmarshal([]byte(r.as(inBoth).get(page.href(t, "/figures.json")).body), &f); err != nil {
		t.Fatal(err)
	}
	row := f.Rows[0]
	for _, figure := range shownFigures {
		page.want(t, http.StatusOK, "<tr><th scope=\"row\">"+html.EscapeString(figure.name)+"</th><td>"+html.EscapeString(figure.say(row))+"</td>")
	}
	page.want(t, http.StatusOK, "1 case has something set aside", "Nothing is held back: small numbers are for the departments&#39; own eyes.")
	r.as(ofBoth).get("/figures"+deskYear).want(t, http.StatusOK, "1 case has something set aside", "Numbers held back, by department", "Capsule ruptures;")
	r.as(ofBoth).get("/departments/HARBOUR"+deskYear).want(t, http.StatusOK, "1 case has something set aside")
	r.as(ofBoth).get("/departments/HARBOUR/funnel"+deskYear).want(t, http.StatusOK, "1 case has something set aside")
	r.as(ofBoth).get("/figures/manifest.json"+deskYear+"&form=xlsx").want(t, http.StatusBadRequest, "CSV or the JSON")
}

// hidden reads the fields of the page's first release form.
func (a answer) hidden(t *testing.T) url.Values {
	t.Helper()
	_, form, ok := strings.Cut(a.body, `action="/figures/releases"`)
	if !ok {
		t.Fatalf("no form\n%s", a.words())
	}
	form, _, _ = strings.Cut(form, "</form>")
	out := url.Values{}
	for _, m := range regexp.MustCompile(`name="([^"]+)" value="([^"]*)"`).FindAllStringSubmatch(form, -1) {
		out.Set(m[1], html.UnescapeString(m[2]))
	}
	return out
}

func testReleasePages(t *testing.T, r *registry) {
	officer, clerk := r.as(inBoth), r.as(ofBoth)
	officer.get("/figures"+deskYear).lacks(t, `action="/figures/releases"`)
	clerk.get("/figures/releases").want(t, http.StatusOK, "No release of these departments&#39; figures is recorded.")
	form := clerk.get("/figures" + deskYear).hidden(t)
	officer.post("/figures/releases", form).want(t, http.StatusForbidden)
	for field, wrong := range map[string]string{"sha256": strings.Repeat("0", 64), "opened_at": "2019-01-01T00:00:00Z", "form": "xlsx", "as_of": "999999", "from": "2025-13", "departments": "FENLAND"} {
		bad := url.Values{}
		for name := range form {
			bad.Set(name, form.Get(name))
		}
		bad.Set(field, wrong)
		clerk.post("/figures/releases", bad).want(t, http.StatusBadRequest, "o back")
	}
	for range 2 { // a form that is sent twice is one release
		sent := clerk.post("/figures/releases", form).want(t, http.StatusSeeOther)
		seen := clerk.get(sent.header.Get("Location")).want(t, http.StatusOK, "The release is recorded.", "1 release is recorded", form.Get("sha256"), "HARBOUR and MOORLAND")
		clerk.get(seen.href(t, "/figures/releases?release=")).want(t, http.StatusOK, "The same to the byte: the table file (CSV)")
	}
	clerk.get("/figures/releases?release=release-none").want(t, http.StatusNotFound)
	elsewhere := access.Actor{Subject: "auditor", Role: access.Auditor, Departments: []string{"FENLAND"}}
	r.as(elsewhere).get("/figures/releases").want(t, http.StatusOK, "No release")
}

func testChangesPage(t *testing.T, r *registry) {
	path := "/figures/changes" + deskYear
	officer := r.as(inBoth)
	officer.get(path).want(t, http.StatusOK, "Say from which moment on")
	// Position 13: the enrolment, the first case whole, the second up to its end.
	page := officer.get(path+"&before=13").want(t, http.StatusOK, "came in later: 29 cases", "Between position 13 (recorded up to", "<td class=\"n\">2</td><td class=\"n\">31</td><td class=\"n\">&#43;29</td><td>came in later: 29 cases</td>", "All together", "<h2>MOORLAND</h2>")
	if strings.Contains(page.body, "HB-0") {
		t.Error("a case is named")
	}
	officer.get(path+"&before=13&after=13").want(t, http.StatusOK, "by reason: no case.", "No number changed.")
	r.as(ofBoth).get(path+"&before=13").want(t, http.StatusOK, "held back", "A difference of 1 to 9 either way is held back")
	officer.get(path+"&before=20&after=13").want(t, http.StatusUnprocessableEntity, "Change the two over.", `name="before" type="text" maxlength="40" value="20"`)
	officer.get(path+"&before=tomorrow&after=99999999").want(t, http.StatusUnprocessableEntity, "Earlier moment: give a position", "Later moment: give a position", `value="tomorrow"`, `value="99999999"`)
	officer.get("/figures").want(t, http.StatusOK)
	r.as(trainer).get(path).want(t, http.StatusForbidden)
	late := r.as(inBoth).get("/figures" + deskYear)
	r.as(inBoth).get(late.href(t, "/figures/changes")).want(t, http.StatusOK, "by reason: no case.")
}

func testFiguresInput(t *testing.T, r *registry) {
	clerk := r.as(ofBoth)
	long := strings.Repeat("X", 40)
	clerk.get("/figures"+deskYear+"&departments="+long).want(t, http.StatusUnprocessableEntity, long, "isn&#39;t one of yours. Choose among HARBOUR and MOORLAND.", `value="2025-01"`)
	clerk.get("/figures"+deskYear+"&departments="+long+"YY").want(t, http.StatusUnprocessableEntity, long+"…").lacks(t, "YY")
	clerk.get("/figures?from=2025-12&to=2025-01").want(t, http.StatusUnprocessableEntity, "the first not after the last", `value="2025-12"`, `value="2025-01"`)
	clerk.get("/figures"+deskYear+"&as_of=2099-01-01").want(t, http.StatusUnprocessableEntity, "As of: give a position", `value="2099-01-01"`)
	clerk.get("/figures"+deskYear+"&as_of=88888888").want(t, http.StatusUnprocessableEntity, "that the record has reached", `value="88888888"`)
	nothing := access.Actor{Subject: "auditor", Role: access.Auditor, Departments: []string{"FENLAND"}}
	r.as(nothing).get("/figures").want(t, http.StatusOK, "No operation is recorded yet").lacks(t, "Download")
	r.as(nothing).get("/figures"+deskYear).want(t, http.StatusOK, "0 operations counted")
}

func testPasted(t *testing.T, r *registry) {
	one := operations()[2].Encode()
	ehr := r.as(integrator)
	last := r.position()
	good := string(one)
	bad := strings.Replace(good, `"HARBOUR"`, `"MOORLAND"`, 1)
	ehr.get("/intake").want(t, http.StatusOK, "Check events before you send them", "Everything that the log has is in the figures", "How to mend it", "minute ago",
		"<th scope=\"row\">/data/vitreous</th><td>gel</td><td>ehr-harbour</td><td>HARBOUR</td><td class=\"n\">1</td><td class=\"n\">1</td>", `<a href="#position-`)
	ehr.post("/intake/check", url.Values{"events": {good}}).want(t, http.StatusOK, "Read as one event: 1 would be taken, 0 refused. Nothing was stored.", html.EscapeString(good))
	ehr.post("/intake/check", url.Values{"events": {bad}}).want(t, http.StatusUnprocessableEntity, "Would be refused", "<code>/department</code>", html.EscapeString(bad))
	ehr.post("/intake/check", url.Values{"events": {good + "\n" + bad}}).want(t, http.StatusUnprocessableEntity, "Read as one event a line: 1 would be taken, 1 refused", "Event 2, line 2")
	ehr.post("/intake/check", url.Values{"events": {"[" + good + "," + good + "]"}}).want(t, http.StatusOK, "Read as a list of events: 2 would be taken")
	ehr.post("/intake/check", url.Values{"events": {"<script>"}}).want(t, http.StatusUnprocessableEntity, "Would be refused", "&lt;script&gt;").lacks(t, "<script>")
	ehr.post("/intake/check", url.Values{"events": {" \n"}}).want(t, http.StatusUnprocessableEntity, "The field is empty")
	ehr.post("/intake/check", url.Values{"events": {"[1"}}).want(t, http.StatusUnprocessableEntity, "no JSON list", "[1")
	ehr.post("/intake/check", url.Values{"events": {strings.Repeat("x", maxCheckBytes)}}).want(t, http.StatusRequestEntityTooLarge)
	r.as(quality).post("/intake/check", url.Values{"events": {good}}).want(t, http.StatusForbidden)
	r.as(quality).get("/intake").lacks(t, "Check events before")
	if now := r.position(); now != last {
		t.Errorf("position %d, before %d: something was stored", now, last)
	}
}

// position is that of the record after everything that was published.
func (r *registry) position() (n int64) {
	r.t.Helper()
	r.project()
	if err := r.db.Pool.QueryRow(r.t.Context(), "SELECT position FROM checkpoint").Scan(&n); err != nil {
		r.t.Fatal(err)
	}
	return n
}

// Every number of the figures' row has words, and so has every reason for a change.
func TestEveryFigureHasWords(t *testing.T) {
	for _, name := range department.FigureNames() {
		checkPlain(t, name, figureWords(name))
	}
	for _, why := range department.Whys {
		checkPlain(t, why, whyWords[why])
	}
	for _, e := range []events.Type{events.TypeFiguresReleased} {
		checkPlain(t, string(e), eventName(e))
	}
}
