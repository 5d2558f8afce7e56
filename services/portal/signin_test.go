package portal

import (
	"html"
	"io"
	"io/fs"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/services/access"
	"lensledger/services/access/accesstest"
	"lensledger/services/web"
)

func TestSigning(t *testing.T) {
	r := newRegistry(t)
	t.Run("sign-on", func(t *testing.T) { testSignOn(t, r, false) })
	t.Run("sign-on over TLS", func(t *testing.T) { testSignOn(t, r, true) })
	t.Run("where to", func(t *testing.T) { testWhereTo(t, r) })
	t.Run("nowhere", func(t *testing.T) { testNowhere(t, r) })
	t.Run("typed", func(t *testing.T) { testTyped(t, r) })
}

// serveWith serves the registry's pages by a process of their own.
func (r *registry) serveWith(t *testing.T, server *httptest.Server, pool *pgxpool.Pool, signOn *access.SignOn, secure bool) {
	t.Helper()
	sessions, err := access.NewSessions(access.SessionConfig{Pool: pool, Secure: secure})
	if err != nil {
		t.Fatal(err)
	}
	cfg := r.service.cfg
	cfg.Pool, cfg.Sessions, cfg.SignOn = pool, sessions, signOn
	service, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	router := web.NewRouter()
	router.Use(access.Require(access.Config{Tokens: cfg.Tokens.(*access.Verifier), Sessions: sessions, PublicURL: server.URL, RefusePage: service.Refuse}))
	service.Routes(router)
	server.Config.Handler = web.Handler(router, web.Options{})
}

// The whole way from asking for a page to its content, by the sign-on service; a
// restart in between; and out again, here and there.
func testSignOn(t *testing.T, r *registry, secure bool) {
	provider := accesstest.New(t, "localhost")
	server := httptest.NewUnstartedServer(nil)
	if secure {
		server.StartTLS()
	} else {
		server.Start()
	}
	t.Cleanup(server.Close)
	provider.Client = accesstest.Client{ID: "lensledger", Secret: "s3cret", Redirect: server.URL + "/sign-in/answer"}
	provider.Person = map[string]any{"sub": "f3a1", "role": "trainee", "surgeon": "S-014"}
	signOn := func() *access.SignOn {
		s, err := access.NewSignOn(access.SignOnConfig{Issuer: provider.URL, ClientID: "lensledger", ClientSecret: "s3cret", PublicURL: server.URL})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	r.serveWith(t, server, r.db.Pool, signOn(), secure)
	client := server.Client()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client.Jar = jar
	ask := func(method, path string) answer {
		t.Helper()
		request, err := http.NewRequestWithContext(t.Context(), method, server.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		response, err := client.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		body, err := io.ReadAll(response.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer{response.StatusCode, response.Header, string(body)}
	}
	ask("GET", "/").want(t, http.StatusOK, `<a href="/sign-in">Sign in</a>`)
	ask("GET", "/my/charts").want(t, http.StatusOK, "Trainee S-014", "Crossed its line, for review: case number 6")
	here, _ := url.Parse(server.URL)
	cookies := jar.Cookies(here)
	if len(cookies) != 1 || strings.HasPrefix(cookies[0].Name, "__Host-") != secure {
		t.Errorf("cookies %v", cookies)
	}
	r.serveWith(t, server, r.db.Pool, signOn(), secure) // a new process on the same database
	provider.Away = true
	ask("GET", "/my/charts").want(t, http.StatusOK, "Trainee S-014")
	provider.Away = false

	out := ask("POST", "/sign-out").want(t, http.StatusOK, "You are signed out here", "Sign out at the sign-on service")
	end := strings.TrimPrefix(out.header.Get("Refresh"), "0; url=")
	if !strings.HasPrefix(end, provider.URL+"/end?") || !strings.Contains(out.body, html.EscapeString(end)) {
		t.Errorf("led to %q", end)
	}
	response, err := client.Get(end)
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if ended := provider.Ended(); len(ended) != 1 || ended[0].Get("post_logout_redirect_uri") != server.URL+"/" || ended[0].Get("client_id") != "lensledger" {
		t.Errorf("the sign-on service heard %v", ended)
	}
	jar.SetCookies(here, cookies) // kept by somebody: worth nothing any more
	provider.Person = map[string]any{"sub": "n0ne"}
	ask("GET", "/my/charts").want(t, http.StatusForbidden, "doesn&#39;t say which role you have here").lacks(t, "Trainee S-014")
	provider.Refuse = "access_denied"
	ask("GET", "/my/charts").want(t, http.StatusUnauthorized, "didn&#39;t sign you in", `href="/sign-in?to=%2Fmy%2Fcharts"`).lacks(t, "555 0100")
	// Whoever signed in with a token isn't led to a service that doesn't know them.
	request := browser{r, ""}.post("/sign-in", url.Values{"persona": {"trainee"}}).want(t, http.StatusSeeOther)
	cookie, err := http.ParseSetCookie(request.header.Get("Set-Cookie"))
	if err != nil {
		t.Fatal(err)
	}
	jar.SetCookies(here, []*http.Cookie{{Name: cookies[0].Name, Value: cookie.Value, Path: "/", Secure: secure}})
	ask("POST", "/sign-out").want(t, http.StatusOK, "Sign in with a token")
}

// Without a sign-on service the door remembers where somebody wanted to go.
func testWhereTo(t *testing.T, r *registry) {
	nobody := browser{r: r}
	at := nobody.get("/my/charts?surgeon=S-014").want(t, http.StatusSeeOther).header.Get("Location")
	door := nobody.get(at).want(t, http.StatusOK, "Sign in with a token", `name="to" value="/my/charts?surgeon=S-014"`)
	if n := strings.Count(door.body, `name="to"`); n != 2 {
		t.Errorf("%d forms know where to go", n)
	}
	for to, want := range map[string]string{"/my/charts?surgeon=S-014": "/my/charts?surgeon=S-014", "//attacker.example": "/", "": "/"} {
		if got := nobody.post("/sign-in", url.Values{"persona": {"trainee"}, "to": {to}}).want(t, http.StatusSeeOther).header.Get("Location"); got != want {
			t.Errorf("%s: led to %q", to, got)
		}
	}
	nobody.post("/sign-in", url.Values{"token": {"x"}, "to": {"/alarms"}}).want(t, http.StatusUnauthorized, `name="to" value="/alarms"`)
	nobody.get("/sign-in?to=//attacker.example").want(t, http.StatusOK).lacks(t, "attacker")
	if got := r.as(trainee).get("/sign-in?to=/my/progress").want(t, http.StatusSeeOther).header.Get("Location"); got != "/my/progress" {
		t.Errorf("signed in already: led to %q", got)
	}
	nobody.get("/sign-in/answer?code=x&state=y").want(t, http.StatusNotFound)
}

// What no route takes is a page for a browser and a problem for a program.
func testNowhere(t *testing.T, r *registry) {
	for _, c := range []struct {
		method, path, accept string
		status               int
		kind, says           string
	}{
		{"GET", "/nowhere", "text/html,application/xhtml+xml,*/*;q=0.8", 404, "text/html; charset=utf-8", "You are here as: <strong>Trainee S-014</strong>"},
		{"GET", "/cases/", "text/html", 404, "text/html; charset=utf-8", "There is nothing at this address"},
		{"DELETE", "/alarms", "text/html", 405, "text/html; charset=utf-8", "Not to be opened like this"},
		{"GET", "/sign-out", "text/html", 405, "text/html; charset=utf-8", `href="/"`},
		{"GET", "/nowhere", "", 404, "application/problem+json", "urn:lensledger:problem:not-found"},
		{"GET", "/nowhere", "*/*", 404, "application/problem+json", "not-found"},
		{"GET", "/nowhere", "application/json, text/html;q=0", 404, "application/problem+json", "not-found"},
		{"DELETE", "/alarms", "application/json", 405, "application/problem+json", "method-not-allowed"},
	} {
		request, err := http.NewRequestWithContext(t.Context(), c.method, r.server.URL+c.path, nil)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Accept", c.accept)
		request.AddCookie(&http.Cookie{Name: access.SessionCookie, Value: r.as(trainee).token})
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(response.Body)
		response.Body.Close()
		if err != nil || response.StatusCode != c.status || response.Header.Get("Content-Type") != c.kind || !strings.Contains(string(body), c.says) {
			t.Errorf("%s %s by %q: %d %s\n%s", c.method, c.path, c.accept, response.StatusCode, response.Header.Get("Content-Type"), body)
		}
		if (response.Header.Get("Allow") != "") != (c.status == 405) {
			t.Errorf("%s %s: Allow %q", c.method, c.path, response.Header.Get("Allow"))
		}
		if strings.HasPrefix(c.kind, "text/html") {
			checkPage(t, body)
		}
	}
	r.as(trainer).post("/cases/HB-020/revews", url.Values{"agreed_action": {"typed at length"}}).want(t, http.StatusNotFound)
}

var hiddenField = regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)"/>`)

// fieldsOf reads the hidden fields of the page's form to an address.
func (a answer) fieldsOf(t *testing.T, action string) url.Values {
	t.Helper()
	_, form, found := strings.Cut(a.body, `<form method="post" action="`+action+`"`)
	form, _, closed := strings.Cut(form, "</form>")
	if !found || !closed {
		t.Fatalf("no form to %s\n%s", action, a.words())
	}
	fields := url.Values{}
	for _, m := range hiddenField.FindAllStringSubmatch(form, -1) {
		fields.Add(m[1], html.UnescapeString(m[2]))
	}
	return fields
}

// typedForm is one form of the pages, filled in.
type typedForm struct {
	who    access.Actor
	page   string // where the form is
	action string
	fields url.Values // what was typed; the page adds its own
	stored string     // what the page of a stored one says
	other  access.Actor
}

// forms are those of all pages that change something. A new one belongs here.
func (r *registry) forms(t *testing.T) []typedForm {
	t.Helper()
	r.send(stream.Outgoing{Subject: stream.Subject("ehr-harbour", "HARBOUR", "case", "booked"), MessageID: "newer",
		Data: []byte(`{"specversion":"1.0","id":"n1","source":"ehr-harbour","type":"lensledger.case.booked.v99","subject":"HB-900","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","datacontenttype":"application/json","data":{}}`)})
	r.project()
	second := access.Actor{Subject: "another officer", Role: access.Quality, Departments: []string{"HARBOUR"}}
	consultant := access.Actor{Subject: "another trainer", Role: access.Trainer, Surgeon: "S-003", Supervises: []string{"S-014"}, Departments: []string{"HARBOUR"}}
	colleague := access.Actor{Subject: "another trainee", Role: access.Trainee, Surgeon: "S-015"}
	find := func(page, pattern string) string {
		found := regexp.MustCompile(pattern).FindString(r.as(quality).get(page).body)
		if found == "" {
			t.Fatalf("%s has no form %s", page, pattern)
		}
		return found
	}
	return []typedForm{
		{quality, "/alarms", find("/alarms", `/alarms/[a-z0-9-]+/acknowledgements`), url.Values{"note": {"Seen & \"noted\"\r\n<i>twice</i>"}}, "“Seen &amp; &#34;noted&#34; &lt;i&gt;twice&lt;/i&gt;”", second},
		{quality, "/alarms", find("/alarms", `/alarms/[a-z0-9-]+/assignments`), url.Values{"owner": {"C-77"}, "due_on": {time.Now().UTC().AddDate(0, 0, 14).Format(time.DateOnly)}}, "Under review by C-77", second},
		{quality, "/alarms", find("/alarms", `/alarms/[a-z0-9-]+/reviews`), url.Values{"finding": {"training-need"}, "action": {"Scrubbed \"supervision\"\r\n<b>for ten cases</b>"}}, "Scrubbed &#34;supervision&#34; &lt;b&gt;for ten cases&lt;/b&gt;", second},
		{trainer, "/cases/HB-021", "/cases/HB-021/reviews", url.Values{"at_this_stage": {"as"}, "teaching_points": {"groove"}, "agreed_action": {"Trace the <edge>\r\nbefore each pull"}, "supervision_next": {"scrubbed"}}, "agreed: Trace the &lt;edge&gt; before each pull", consultant},
		{trainee, "/cases/HB-021", "/cases/HB-021/questions", url.Values{"part": {"operator"}, "words": {"The last \"quadrant\"\r\n<was> mine"}}, "“The last &#34;quadrant&#34; &lt;was&gt; mine”", colleague},
		{trainer, "/cases/HB-021/recording", "/cases/HB-021/recording", url.Values{"recording_length": {"30:00"}, "known_offset": {"0:00"}, "known_clock": {"09:00:00"}, "point": {"hydration-short"}, "point_polarity": {"improve"}, "point_at": {"12:10"}, "point_step": {""}, "point_consequence": {""}}, "Your marks are recorded.", consultant},
		{quality, "/intake", find("/intake", `/quarantine/\d+/replays`), url.Values{}, "", second},
	}
}

// testTyped: a session that ends in the middle of a form, somebody else who sends
// it, and servers that are away. Nothing typed is lost, nor stored as another's.
func testTyped(t *testing.T, r *registry) {
	forms := r.forms(t)
	proxy, through := pgtest.ProxyOf(t, r.db.URL)
	away, err := pg.Connect(t.Context(), through, r.db.Base, 2)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(away.Close)
	proxy.Refuse(true)
	proxy.Cut()
	server := httptest.NewUnstartedServer(nil)
	server.Start()
	t.Cleanup(server.Close)
	r.serveWith(t, server, away, nil, false)
	cutOff := *r
	cutOff.server = server
	for _, f := range forms {
		t.Run(strings.Trim(f.page, "/"), func(t *testing.T) {
			by := r.as(f.who)
			sent := by.get(f.page).fieldsOf(t, f.action)
			if len(sent["typed_by"]) != 1 {
				t.Fatalf("the form doesn't say for whom it is: %v", sent)
			}
			for name, values := range f.fields {
				sent[name] = values
			}
			kept := func(a answer) url.Values {
				t.Helper()
				again := a.fieldsOf(t, f.action)
				for name, values := range sent {
					// A page's line breaks are one character, until a form sends them.
					if name != "typed_by" && strings.Join(again[name], "|") != strings.Join(values, "|") {
						t.Errorf("%s: %q, want %q", name, again[name], values)
					}
				}
				for _, typed := range f.fields {
					a.want(t, a.status, "<dd>"+html.EscapeString(typed[0]))
				}
				return again
			}

			// Postgres away: before the session is known, and after.
			pool := r.service.cfg.Pool
			r.service.cfg.Pool = away
			kept(by.post(f.action, sent).want(t, http.StatusServiceUnavailable, "Send it again"))
			r.service.cfg.Pool = pool
			kept(browser{&cutOff, by.token}.post(f.action, sent).want(t, http.StatusServiceUnavailable, "it can&#39;t be told who you are", "Send it again").lacks(t, "Sign in"))
			browser{&cutOff, by.token}.get("/").want(t, http.StatusServiceUnavailable, "it can&#39;t be told who you are")
			browser{&cutOff, ""}.post("/sign-in", url.Values{"persona": {"trainee"}, "token": {"s3cret"}}).want(t, http.StatusServiceUnavailable).lacks(t, "s3cret")

			by.post("/sign-out", nil).want(t, http.StatusSeeOther)
			ended := by.post(f.action, sent).want(t, http.StatusUnauthorized, "Sign in first", "nothing is stored yet", `<a href="/sign-in" target="_blank" rel="noopener">Sign in (opens in a new tab)</a>`)
			again := kept(ended)

			// Somebody else signs in and sends it: they are asked.
			other := r.as(f.other)
			asked := other.post(f.action, again).want(t, http.StatusConflict, "Who signs this?", "You are here as: "+who(f.other), "Send it as "+who(f.other))
			kept(asked)
			if f.stored != "" {
				by = r.as(f.who)
				by.get(f.page).lacks(t, f.stored)
				// The same person sends it, and it is stored.
				to := by.post(f.action, again).want(t, http.StatusSeeOther).header.Get("Location")
				to, _, _ = strings.Cut(to, "#")
				by.get(to).want(t, http.StatusOK, f.stored)
			} else {
				r.as(f.who).post(f.action, again).want(t, http.StatusUnprocessableEntity, "so it stays in quarantine")
			}
			// So is who says that they mean it, and whose form it never was isn't.
			confirmed := asked.fieldsOf(t, f.action)
			if got := other.post(f.action, confirmed); got.status == http.StatusConflict || got.status == http.StatusUnauthorized {
				t.Errorf("confirmed: %d\n%s", got.status, got.words())
			}
			// A form that came back without saying who typed it is asked about too.
			sent.Del("typed_by")
			unknown := browser{r: r}.post(f.action, sent).want(t, http.StatusUnauthorized).fieldsOf(t, f.action)
			r.as(f.who).post(f.action, unknown).want(t, http.StatusConflict, "Who signs this?")
		})
	}
	// The log away: the page that the form came from holds what was typed.
	sent := map[string]url.Values{}
	for _, f := range forms[2:6] {
		page := r.as(f.who).get(f.page)
		sent[f.action] = page.fieldsOf(t, f.action)
		for name, values := range f.fields {
			sent[f.action][name] = values
		}
	}
	r.nats.Close()
	for _, f := range forms[2:6] {
		t.Run("without a log "+strings.Trim(f.page, "/"), func(t *testing.T) {
			t.Parallel()
			got := r.as(f.who).post(f.action, sent[f.action]).want(t, http.StatusServiceUnavailable)
			for _, typed := range f.fields {
				if text := html.EscapeString(strings.Join(strings.Fields(typed[0]), " ")); !strings.Contains(got.body, text) {
					t.Errorf("%s: lost %q\n%s", f.action, text, got.words())
				}
			}
		})
	}
}

// Every form that changes something begins as the service looks for it, to write into
// it for whom it was made.
func TestFormsBeginAlike(t *testing.T) {
	files, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	tag := regexp.MustCompile(`<form[^>]*>?`)
	for _, file := range files {
		text, err := fs.ReadFile(templateFiles, file)
		if err != nil {
			t.Fatal(err)
		}
		for _, form := range tag.FindAllString(string(text), -1) {
			if strings.Contains(form, "post") && !strings.HasPrefix(form, string(openingForm)) {
				t.Errorf("%s: %s", file, form)
			}
		}
	}
}
