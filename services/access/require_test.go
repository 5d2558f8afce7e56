package access

import (
	"bytes"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/gorilla/mux"

	"lensledger/services/web"
)

// world is a server with a stub behind every row of the matrix, and a token for
// each role.
type world struct {
	*httptest.Server
	router *mux.Router
	tokens map[Role]string
	ids    map[Role]string // of sessions, with withSessions
	log    *bytes.Buffer
}

// people are one of each role.
var people = []Actor{
	{Subject: "demo-integrator", Role: Integrator, Source: "ehr-harbour", Departments: []string{"HARBOUR"}},
	{Subject: "demo-trainer", Role: Trainer, Surgeon: "S-001", Supervises: []string{"S-014"}, Departments: []string{"HARBOUR"}},
	{Subject: "demo-trainee", Role: Trainee, Surgeon: "S-014"},
	{Subject: "demo-quality", Role: Quality, Departments: []string{"HARBOUR"}},
	{Subject: "demo-auditor", Role: Auditor, Departments: []string{"HARBOUR"}},
	{Subject: "demo-administrator", Role: Administrator},
}

func newWorld(t *testing.T, change func(*Config)) *world {
	t.Helper()
	issuer, err := NewDevIssuer(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	tokens, err := NewVerifier(t.Context(), []Issuer{issuer.Issuer()})
	if err != nil {
		t.Fatal(err)
	}
	w := &world{tokens: map[Role]string{}, log: &bytes.Buffer{}, router: web.NewRouter()}
	for _, a := range people {
		if w.tokens[a.Role], err = issuer.Token(a); err != nil {
			t.Fatal(err)
		}
	}
	cfg := Config{Tokens: tokens, Logger: slog.New(slog.NewTextHandler(w.log, nil))}
	if change != nil {
		change(&cfg)
	}
	if cfg.Sessions != nil {
		w.ids = map[Role]string{}
		for _, a := range people {
			w.ids[a.Role] = begin(t, cfg.Sessions, a)
		}
	}
	w.router.Use(Require(cfg))
	for _, row := range Matrix {
		w.router.HandleFunc(row.Route, stub).Methods(row.Method)
	}
	w.Server = httptest.NewServer(web.Handler(w.router, web.Options{Logger: cfg.Logger}))
	t.Cleanup(w.Close)
	return w
}

// stub says who asked.
func stub(w http.ResponseWriter, r *http.Request) {
	actor, ok := FromContext(r.Context())
	if !ok {
		_, _ = io.WriteString(w, "nobody")
		return
	}
	_, _ = io.WriteString(w, string(actor.Role))
}

// ask sends a request without following redirects.
func (w *world) ask(t *testing.T, method, path string, set func(*http.Request)) (int, string, http.Header) {
	t.Helper()
	request, err := http.NewRequest(method, w.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if set != nil {
		set(request)
	}
	response, err := http.DefaultTransport.RoundTrip(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, string(body), response.Header
}

func bearerToken(token string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) }
}

func cookie(id string) func(*http.Request) {
	return func(r *http.Request) { r.AddCookie(&http.Cookie{Name: SessionCookie, Value: id}) }
}

// expected is written apart from the matrix, from what each role is there for:
// i integrator, r trainer, e trainee, q quality officer, u auditor, a
// administrator, * everyone and nobody. The address lies within everyone's scope.
var expected = []struct{ method, path, route, may string }{
	{"POST", "/v1/events", "", "i"},
	{"GET", "/v1/cases/C-1", "/v1/cases/{case}", "req"},
	{"GET", "/v1/cases/C-1/events", "/v1/cases/{case}/events", "ireq"},
	{"GET", "/v1/cases/C-1/stage", "/v1/cases/{case}/stage", "req"},
	{"POST", "/v1/cases/C-1/reviews", "/v1/cases/{case}/reviews", "r"},
	{"GET", "/v1/reviews", "", "req"},
	{"GET", "/v1/surgeons/S-014/charts", "/v1/surgeons/{surgeon}/charts", "req"},
	{"GET", "/v1/surgeons/S-014/progress", "/v1/surgeons/{surgeon}/progress", "req"},
	{"GET", "/v1/departments/HARBOUR/charts", "/v1/departments/{department}/charts", "q"},
	{"GET", "/v1/departments/HARBOUR/benchmarks", "/v1/departments/{department}/benchmarks", "rqu"},
	{"GET", "/v1/departments/HARBOUR/comparison", "/v1/departments/{department}/comparison", "rq"},
	{"GET", "/v1/departments/HARBOUR/completeness", "/v1/departments/{department}/completeness", "q"},
	{"GET", "/v1/departments/HARBOUR/lens-constants", "/v1/departments/{department}/lens-constants", "rq"},
	{"GET", "/v1/departments/HARBOUR/astigmatism", "/v1/departments/{department}/astigmatism", "rq"},
	{"GET", "/v1/departments/HARBOUR/endophthalmitis", "/v1/departments/{department}/endophthalmitis", "q"},
	{"GET", "/v1/departments/HARBOUR/risk-model", "/v1/departments/{department}/risk-model", "q"},
	{"GET", "/v1/figures", "", "qu"},
	{"GET", "/v1/figures/manifest", "", "qu"},
	{"GET", "/v1/figures/changes", "", "qu"},
	{"GET", "/v1/figures/releases", "", "qu"},
	{"POST", "/v1/figures/releases", "", "u"},
	{"GET", "/v1/figures/releases/R-1", "/v1/figures/releases/{release}", "qu"},
	{"GET", "/v1/funnels/capsule-rupture", "/v1/funnels/{outcome}", "qu"},
	{"GET", "/v1/alarms", "", "q"},
	{"POST", "/v1/alarms/A-1/reviews", "/v1/alarms/{alarm}/reviews", "q"},
	{"POST", "/v1/alarms/A-1/acknowledgements", "/v1/alarms/{alarm}/acknowledgements", "q"},
	{"POST", "/v1/alarms/A-1/assignments", "/v1/alarms/{alarm}/assignments", "q"},
	{"POST", "/v1/designs", "", "irequa"},
	{"POST", "/v1/risks", "", "irequa"},
	{"GET", "/v1/intake", "", "iqa"},
	{"GET", "/v1/changes", "", "irequa"},
	{"GET", "/v1/quarantine", "", "iq"},
	{"POST", "/v1/quarantine/7/replays", "/v1/quarantine/{sequence}/replays", "q"},
	{"GET", "/healthz", "", "*"},
	{"GET", "/readyz", "", "*"},
	{"GET", "/openapi.yaml", "", "*"},
	{"GET", "/asyncapi.yaml", "", "*"},
	{"GET", "/schemas/x", "/schemas/{type}", "*"},
	{"GET", "/", "", "*"},
	{"GET", "/sign-in", "", "*"},
	{"GET", "/sign-in/answer", "", "*"},
	{"POST", "/sign-in", "", "*"},
	{"POST", "/sign-out", "", "*"},
	{"GET", "/assets/page.css", "/assets/{file}", "*"},
	{"GET", "/my/charts", "", "re"},
	{"GET", "/my/progress", "", "re"},
	{"GET", "/my/reviews", "", "r"},
	{"GET", "/my/planned", "", "r"},
	{"GET", "/my/advice", "", "e"},
	{"GET", "/cases/C-1/recording", "/cases/{case}/recording", "r"},
	{"POST", "/cases/C-1/recording", "/cases/{case}/recording", "r"},
	{"POST", "/cases/C-1/reviews", "/cases/{case}/reviews", "r"},
	{"GET", "/alarms", "", "q"},
	{"POST", "/alarms/A-1/reviews", "/alarms/{alarm}/reviews", "q"},
	{"POST", "/alarms/A-1/acknowledgements", "/alarms/{alarm}/acknowledgements", "q"},
	{"POST", "/alarms/A-1/assignments", "/alarms/{alarm}/assignments", "q"},
	{"GET", "/charts", "", "req"},
	{"GET", "/departments/HARBOUR/charts", "/departments/{department}/charts", "q"},
	{"GET", "/cases/C-1", "/cases/{case}", "req"},
	{"GET", "/v1/surgeons/S-014/outcomes", "/v1/surgeons/{surgeon}/outcomes", "re"},
	{"GET", "/v1/surgeons/S-014/logbook", "/v1/surgeons/{surgeon}/logbook", "re"},
	{"GET", "/v1/questions", "", "req"},
	{"POST", "/v1/questions/question-1/answers", "/v1/questions/{question}/answers", "q"},
	{"POST", "/v1/cases/C-1/questions", "/v1/cases/{case}/questions", "re"},
	{"GET", "/my/logbook", "", "re"},
	{"GET", "/my/logbook.csv", "", "re"},
	{"POST", "/cases/C-1/questions", "/cases/{case}/questions", "re"},
	{"GET", "/departments/HARBOUR/questions", "/departments/{department}/questions", "q"},
	{"POST", "/departments/HARBOUR/questions/question-1/answers", "/departments/{department}/questions/{question}/answers", "q"},
	{"GET", "/departments/HARBOUR", "/departments/{department}", "rqu"},
	{"GET", "/departments/HARBOUR/lenses", "/departments/{department}/lenses", "rq"},
	{"GET", "/departments/HARBOUR/infections", "/departments/{department}/infections", "q"},
	{"GET", "/departments/HARBOUR/funnel", "/departments/{department}/funnel", "qu"},
	{"GET", "/departments/HARBOUR/completeness", "/departments/{department}/completeness", "q"},
	{"GET", "/departments/HARBOUR/risk-model", "/departments/{department}/risk-model", "q"},
	{"GET", "/figures", "", "qu"},
	{"GET", "/figures.csv", "", "qu"},
	{"GET", "/figures.json", "", "qu"},
	{"GET", "/figures/manifest.json", "", "qu"},
	{"GET", "/figures/changes", "", "qu"},
	{"GET", "/figures/releases", "", "qu"},
	{"POST", "/figures/releases", "", "u"},
	{"GET", "/intake", "", "iqa"},
	{"POST", "/intake/check", "", "i"},
	{"POST", "/quarantine/7/replays", "/quarantine/{sequence}/replays", "q"},
}

var letters = map[Role]string{Integrator: "i", Trainer: "r", Trainee: "e", Quality: "q", Auditor: "u", Administrator: "a"}

func TestEveryRoleOnEveryRoute(t *testing.T) {
	w := newWorld(t, nil)
	seen := map[string]bool{"GET /metrics": true} // see TestMetricsAreTheOperators
	for _, e := range expected {
		if e.route == "" {
			e.route = e.path
		}
		seen[e.method+" "+e.route] = true
		for _, role := range Roles {
			status, body, _ := w.ask(t, e.method, e.path, bearerToken(w.tokens[role]))
			want := http.StatusForbidden
			if e.may == "*" || strings.Contains(e.may, letters[role]) {
				want = http.StatusOK
			}
			if status != want {
				t.Errorf("%s %s as %s: %d, want %d", e.method, e.path, role, status, want)
			}
			if want == http.StatusForbidden && body == string(role) {
				t.Errorf("%s %s as %s: the handler ran", e.method, e.path, role)
			}
		}
		status, _, _ := w.ask(t, e.method, e.path, nil)
		switch page := !strings.HasPrefix(e.path, "/v1/"); {
		case e.may == "*" && status != http.StatusOK,
			e.may != "*" && page && e.method == "GET" && status != http.StatusSeeOther,
			e.may != "*" && (!page || e.method == "POST") && status != http.StatusUnauthorized:
			t.Errorf("%s %s as nobody: %d", e.method, e.path, status)
		}
	}
	for _, row := range Matrix {
		if !seen[row.Method+" "+row.Route] {
			t.Errorf("%s %s isn't expected by this test: say here who may use it", row.Method, row.Route)
		}
	}
}

// What lies outside of one's scope looks as if it weren't there: the same
// answer, whether it exists or not.
func TestScopeInTheAddress(t *testing.T) {
	w := newWorld(t, nil)
	for _, c := range []struct {
		role Role
		path string
		want int
	}{
		{Trainee, "/v1/surgeons/S-014/charts", 200},
		{Trainee, "/v1/surgeons/S-015/charts", 404},
		{Trainee, "/v1/surgeons/s-014/charts", 404},
		{Trainee, "/v1/surgeons/S-015/progress", 404},
		{Trainer, "/v1/surgeons/S-015/progress", 404},
		{Quality, "/v1/departments/HILL/charts", 404},
		{Trainee, "/v1/surgeons/S-014%2FX/charts", 404},
		{Trainee, "/v1/surgeons/S-014%00/charts", 404},
		{Trainer, "/v1/surgeons/S-001/charts", 200},
		{Trainer, "/v1/surgeons/S-014/charts", 200},
		{Trainer, "/v1/surgeons/S-015/charts", 404},
		{Quality, "/v1/surgeons/S-015/charts", 200}, // whose department that is, the database knows
		{Trainer, "/v1/departments/HARBOUR/benchmarks", 200},
		{Trainer, "/v1/departments/HILL/benchmarks", 404},
		{Quality, "/v1/departments/HILL/benchmarks", 404},
		{Auditor, "/v1/departments/HILL/benchmarks", 404},
		{Auditor, "/departments/HILL", 404},
		{Quality, "/departments/harbour", 404},
	} {
		status, body, _ := w.ask(t, "GET", c.path, bearerToken(w.tokens[c.role]))
		if status != c.want {
			t.Errorf("%s as %s: %d, want %d", c.path, c.role, status, c.want)
		}
		_, missing, _ := w.ask(t, "GET", "/v1/nowhere", bearerToken(w.tokens[c.role]))
		if c.want == 404 && withoutInstance(body) != withoutInstance(missing) {
			t.Errorf("%s as %s differs from what doesn't exist:\n%s%s", c.path, c.role, body, missing)
		}
	}
}

var instance = regexp.MustCompile(`"instance":"[^"]*"`)

func withoutInstance(body string) string { return instance.ReplaceAllString(body, "") }

func TestBadTokensAllGetTheSameAnswer(t *testing.T) {
	s := newSigner(t)
	w := newWorld(t, func(c *Config) {
		c.Tokens, c.Sessions = testVerifier(t, issuerOf(t, s)), testSessions(t, nil)
	})
	_, want, _ := w.ask(t, "GET", "/v1/alarms", nil)
	if !strings.Contains(want, `"status":401`) {
		t.Fatal(want)
	}
	all := attacks(t, s, newSigner(t))
	for name, token := range all {
		status, body, header := w.ask(t, "GET", "/v1/alarms", bearerToken(token))
		if status != 401 || withoutInstance(body) != withoutInstance(want) || header.Get("Www-Authenticate") != `Bearer realm="lensledger"` {
			t.Errorf("%s: %d %s", name, status, body)
		}
	}
	good := s.raw(t, "EdDSA", goodHeader, claims(t, nil))
	for name, set := range map[string]func(*http.Request){
		"basic":        func(r *http.Request) { r.SetBasicAuth("trainee", good) },
		"no scheme":    func(r *http.Request) { r.Header.Set("Authorization", good) },
		"two headers":  func(r *http.Request) { r.Header["Authorization"] = []string{"Bearer " + good, "Bearer " + good} },
		"in the query": func(r *http.Request) { r.URL.RawQuery = "access_token=" + good },
	} {
		if status, body, _ := w.ask(t, "GET", "/v1/surgeons/S-014/charts", set); status != 401 || withoutInstance(body) != withoutInstance(want) {
			t.Errorf("%s: %d %s", name, status, body)
		}
	}
	// A page's cookie opens what its script reads, and nothing else of the API.
	if status, body, _ := w.ask(t, "GET", "/v1/reviews", cookie(w.ids[Trainee])); status != 401 || withoutInstance(body) != withoutInstance(want) {
		t.Errorf("the page's cookie: %d %s", status, body)
	}
	if status, _, _ := w.ask(t, "GET", "/v1/surgeons/S-014/charts", cookie(w.ids[Trainee])); status != 200 {
		t.Errorf("the page's cookie for what its script reads: %d", status)
	}
	if status, _, _ := w.ask(t, "GET", "/v1/surgeons/S-014/charts", bearerToken(good)); status != 200 {
		t.Errorf("the good token: %d", status)
	}
	w.Close()
	for name, token := range all {
		if len(token) > 40 && strings.Contains(w.log.String(), token) {
			t.Errorf("%s: the token is in the log", name)
		}
	}
	if strings.Contains(w.log.String(), "S-014") || !strings.Contains(w.log.String(), "reason=") {
		t.Errorf("log:\n%s", w.log.String())
	}
}

func TestPagesTakeTheCookie(t *testing.T) {
	w := newWorld(t, func(c *Config) { c.Sessions = testSessions(t, nil) })
	trainee, gone := w.ids[Trainee], strings.Repeat("A", 26)
	if status, body, _ := w.ask(t, "GET", "/my/charts", cookie(trainee)); status != 200 || body != "trainee" {
		t.Errorf("a page with the cookie: %d %s", status, body)
	}
	if status, body, _ := w.ask(t, "GET", "/", cookie(trainee)); status != 200 || body != "trainee" {
		t.Errorf("the first page with the cookie: %d %s", status, body)
	}
	if status, body, _ := w.ask(t, "GET", "/", cookie(gone)); status != 200 || body != "nobody" {
		t.Errorf("the first page with an old cookie: %d %s", status, body)
	}
	if status, _, header := w.ask(t, "GET", "/my/charts", cookie(gone)); status != 303 || header.Get("Location") != "/sign-in?to=%2Fmy%2Fcharts" {
		t.Errorf("a page with an old cookie: %d %s", status, header.Get("Location"))
	}
	// A bad header isn't rescued by a good cookie, nor one cookie by another.
	both := func(r *http.Request) { bearerToken("bad")(r); cookie(trainee)(r) }
	if status, _, _ := w.ask(t, "GET", "/my/charts", both); status != 303 {
		t.Errorf("bad header, good cookie: %d", status)
	}
	basic := func(r *http.Request) { r.SetBasicAuth("a", "b"); cookie(trainee)(r) }
	if status, _, _ := w.ask(t, "GET", "/my/charts", basic); status != 303 {
		t.Errorf("another scheme, good cookie: %d", status)
	}
	two := func(r *http.Request) { cookie(trainee)(r); cookie(w.ids[Quality])(r) }
	if status, _, _ := w.ask(t, "GET", "/my/charts", two); status != 303 {
		t.Errorf("two cookies: %d", status)
	}
	// The script of a page has the cookie too, and can't follow to a door.
	if status, body, _ := w.ask(t, "GET", "/v1/changes", cookie(trainee)); status != 200 || body != "trainee" {
		t.Errorf("a page's script with the cookie: %d %s", status, body)
	}
	if status, body, _ := w.ask(t, "GET", "/v1/changes", cookie(gone)); status != 401 || !strings.Contains(body, "urn:lensledger:problem:unauthenticated") {
		t.Errorf("a page's script with an old cookie: %d %s", status, body)
	}
	// What a cookie held before there were sessions is worth nothing.
	if status, _, _ := w.ask(t, "GET", "/my/charts", cookie(w.tokens[Trainee])); status != 303 {
		t.Errorf("a token in the cookie: %d", status)
	}
}

func TestAnotherSitesPageCannotAct(t *testing.T) {
	w := newWorld(t, func(c *Config) {
		c.Sessions, c.PublicURL = testSessions(t, nil), "https://pages.example"
	})
	from := func(site, origin string) func(*http.Request) {
		return func(r *http.Request) {
			cookie(w.ids[Quality])(r)
			r.Header.Set("Sec-Fetch-Site", site)
			r.Header.Set("Origin", origin)
		}
	}
	for _, path := range []string{"/sign-in", "/sign-out", "/alarms/A-1/reviews"} {
		if status, _, _ := w.ask(t, "POST", path, from("cross-site", "https://attacker.example")); status != 403 {
			t.Errorf("POST %s from another site: %d", path, status)
		}
		if status, _, _ := w.ask(t, "POST", path, from("same-origin", w.URL)); status != 200 {
			t.Errorf("POST %s from here: %d", path, status)
		}
	}
	// An older browser says no more than its Origin: the pages' own, by the name under
	// which they are reached, or another.
	for origin, want := range map[string]int{"https://pages.example": 200, "https://pages.example.attacker.example": 403, "null": 403} {
		if status, _, _ := w.ask(t, "POST", "/alarms/A-1/reviews", from("", origin)); status != want {
			t.Errorf("POST from %s: %d, want %d", origin, status, want)
		}
	}
	if status, _, _ := w.ask(t, "GET", "/alarms", from("cross-site", "https://attacker.example")); status != 200 {
		t.Errorf("a link from another site: %d", status)
	}
}

// A person who is refused gets a page, where there is one for it, which knows who
// asked; a program gets a problem.
func TestRefusalOfAPage(t *testing.T) {
	w := newWorld(t, func(c *Config) {
		c.Sessions = testSessions(t, nil)
		c.RefusePage = func(w http.ResponseWriter, r *http.Request, err error) {
			actor, _ := FromContext(r.Context())
			w.WriteHeader(web.Status(err))
			_, _ = io.WriteString(w, "<p>"+string(actor.Role)+" "+err.Error())
		}
	})
	elsewhere := func(r *http.Request) {
		cookie(w.ids[Quality])(r)
		r.Header.Set("Sec-Fetch-Site", "cross-site")
	}
	for _, c := range []struct {
		method, path string
		set          func(*http.Request)
		status       int
		begins       string
	}{
		{"GET", "/alarms", cookie(w.ids[Trainee]), 403, "<p>trainee forbidden: Your role"},
		{"GET", "/departments/HILL", cookie(w.ids[Auditor]), 404, "<p>auditor not-found: "},
		{"POST", "/alarms/A-1/reviews", nil, 401, "<p> unauthenticated: "},
		{"POST", "/alarms/A-1/reviews", elsewhere, 403, "<p> forbidden: The request comes from a page of another site"},
		{"GET", "/alarms", nil, 303, ""}, // led to the door instead
		{"GET", "/alarms", cookie(w.ids[Quality]), 200, "quality"},
		{"GET", "/v1/alarms", bearerToken(w.tokens[Trainee]), 403, `{"type":"urn:lensledger:problem:forbidden"`},
		{"GET", "/v1/changes", nil, 401, `{"type":"urn:lensledger:problem:unauthenticated"`},
	} {
		status, body, _ := w.ask(t, c.method, c.path, c.set)
		if status != c.status || !strings.HasPrefix(body, c.begins) {
			t.Errorf("%s %s: %d %s", c.method, c.path, status, body)
		}
	}
	// Without such a page it is a problem too.
	plain := newWorld(t, func(c *Config) { c.Sessions = testSessions(t, nil) })
	if status, body, _ := plain.ask(t, "GET", "/alarms", cookie(plain.ids[Trainee])); status != 403 || !strings.HasPrefix(body, `{"type":"urn:lensledger:problem:forbidden"`) {
		t.Errorf("%d %s", status, body)
	}
}

func TestMetricsAreTheOperators(t *testing.T) {
	local := newWorld(t, nil)
	if status, _, _ := local.ask(t, "GET", "/metrics", nil); status != 200 {
		t.Errorf("from this machine: %d", status)
	}
	for _, header := range []string{"X-Forwarded-For", "Forwarded", "X-Real-Ip", "Via"} {
		if status, _, _ := local.ask(t, "GET", "/metrics", func(r *http.Request) { r.Header.Set(header, "127.0.0.1") }); status != 401 {
			t.Errorf("through a proxy (%s): %d", header, status)
		}
	}
	outside := httptest.NewRequest("GET", "/metrics", nil)
	outside.RemoteAddr = "192.0.2.1:4000"
	rec := httptest.NewRecorder()
	local.router.ServeHTTP(rec, outside)
	if rec.Code != 401 {
		t.Errorf("from elsewhere: %d", rec.Code)
	}
	guarded := newWorld(t, func(c *Config) { c.OperatorToken = "scrape-me" })
	for token, want := range map[string]int{"": 401, "scrape-m": 401, "scrape-me": 200, guarded.tokens[Administrator]: 401} {
		set := bearerToken(token)
		if token == "" {
			set = nil
		}
		if status, _, _ := guarded.ask(t, "GET", "/metrics", set); status != want {
			t.Errorf("with the token %.10q: %d, want %d", token, status, want)
		}
	}
}

func TestRoutesAndRowsMatch(t *testing.T) {
	w := newWorld(t, nil)
	if got := Unlisted(w.router); len(got) > 0 {
		t.Errorf("unlisted: %v", got)
	}
	if got := Unserved(w.router); len(got) > 0 {
		t.Errorf("unserved: %v", got)
	}
	// New routes in every guise are found and refused.
	w.router.HandleFunc("/v1/new", stub).Methods("GET")
	w.router.HandleFunc("/v1/any", stub)
	w.router.HandleFunc("/v1/cases/{case}", stub).Methods("DELETE")
	w.router.PathPrefix("/v1/sub").Subrouter().HandleFunc("/inner", stub).Methods("GET")
	want := []string{"GET /v1/new", "any method /v1/any", "DELETE /v1/cases/{case}", "GET /v1/sub/inner"}
	if got := Unlisted(w.router); !slices.Equal(got, want) {
		t.Errorf("unlisted: %q", got)
	}
	for _, c := range [][2]string{{"GET", "/v1/new"}, {"GET", "/v1/any"}, {"DELETE", "/v1/cases/C-1"}, {"GET", "/v1/sub/inner"}} {
		for _, role := range Roles {
			if status, body, _ := w.ask(t, c[0], c[1], bearerToken(w.tokens[role])); status != 404 {
				t.Errorf("%s %s as %s: %d %s", c[0], c[1], role, status, body)
			}
		}
	}
	empty := web.NewRouter()
	if got := Unserved(empty); len(got) != len(Matrix) {
		t.Errorf("an empty router serves all but %d rows", len(got))
	}
}

func TestMatrixIsSound(t *testing.T) {
	seen := map[key]bool{}
	for _, row := range Matrix {
		k := key{row.Method, row.Route}
		if seen[k] {
			t.Errorf("%v stands twice", k)
		}
		seen[k] = true
		if open := row.Public || row.Scope == ScopeOperator; open != (len(row.Roles) == 0) || row.Scope == "" {
			t.Errorf("%v: roles, Public and scope don't fit", k)
		}
		if row.Allows(Administrator) && row.Scope != ScopeNone && !strings.HasSuffix(row.Route, "/intake") {
			t.Errorf("%v: an administrator sees no clinical rows", k)
		}
		if row.Allows(Auditor) && row.Scope == ScopeSurgeon {
			t.Errorf("%v: an auditor sees no person", k)
		}
		// A cookie comes along by itself, so what it opens must change nothing.
		if row.Cookie && (row.Page || row.Public || !isSafe(row.Method)) {
			t.Errorf("%v: Cookie doesn't fit", k)
		}
	}
}
