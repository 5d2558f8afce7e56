package access

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lensledger/services/access/accesstest"
	"lensledger/services/web"
)

// door is a service whose pages say who asks, with sign-on at a real provider.
type door struct {
	*httptest.Server
	provider *accesstest.Provider
	signOn   *SignOn
	sessions *Sessions
	log      *quietLog
}

// quietLog is a log that is read while the server may still write.
type quietLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *quietLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *quietLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *quietLog) reset() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text.Reset()
}

// people of the provider: what a department's sign-on service would say of them.
var (
	providerTrainee = map[string]any{"sub": "f3a1", "role": "trainee", "surgeon": "S-014", "name": "Somebody", "email": "somebody@clinic.example"}
	providerTrainer = map[string]any{"sub": "b7c2", "role": "trainer", "surgeon": "S-001", "supervises": []string{"S-014"}, "departments": []string{"HARBOUR"}}
)

func newDoor(t *testing.T, secret string, change func(*SignOnConfig)) *door {
	t.Helper()
	d := &door{log: &quietLog{}, provider: accesstest.New(t, "127.0.0.1")}
	log := slog.New(slog.NewTextHandler(d.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	d.sessions = testSessions(t, func(c *SessionConfig) { c.Logger = log })
	router := web.NewRouter()
	d.Server = httptest.NewServer(web.Handler(router, web.Options{Logger: log}))
	t.Cleanup(d.Close)
	d.provider.Client = accesstest.Client{ID: "lens:ledger", Secret: secret, Redirect: d.URL + AnswerPath}
	d.provider.Person = providerTrainee
	cfg := SignOnConfig{Issuer: d.provider.URL, ClientID: "lens:ledger", ClientSecret: secret, PublicURL: d.URL, Logger: log}
	if change != nil {
		change(&cfg)
	}
	var err error
	if d.signOn, err = NewSignOn(cfg); err != nil {
		t.Fatal(err)
	}
	tokens, err := NewVerifier(t.Context(), []Issuer{issuerOf(t, newSigner(t))})
	if err != nil {
		t.Fatal(err)
	}
	router.Use(Require(Config{Tokens: tokens, Sessions: d.sessions, Logger: log, PublicURL: d.URL}))
	router.HandleFunc("/sign-in", func(w http.ResponseWriter, r *http.Request) {
		if err := d.signOn.Begin(w, r, r.URL.Query().Get("to")); err != nil {
			web.WriteError(w, r, err)
		}
	}).Methods("GET")
	router.HandleFunc(AnswerPath, func(w http.ResponseWriter, r *http.Request) {
		actor, to, err := d.signOn.Finish(w, r)
		if err == nil {
			err = d.sessions.Begin(w, r, actor, time.Time{}, true)
		}
		if err != nil {
			web.WriteError(w, r, err)
			return
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
	}).Methods("GET")
	for _, path := range []string{"/", "/my/charts", "/my/reviews"} {
		router.HandleFunc(path, stub).Methods("GET")
	}
	return d
}

// visitor is a browser: its cookies, and redirects one by one.
type visitor struct {
	t      *testing.T
	client *http.Client
}

func newVisitor(t *testing.T) *visitor {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &visitor{t, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// get asks once and gives status, where it leads, and the body.
func (v *visitor) get(address string) (int, string, string) {
	v.t.Helper()
	response, err := v.client.Get(address)
	if err != nil {
		v.t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	location := ""
	if to, err := response.Location(); err == nil {
		location = to.String()
	}
	return response.StatusCode, location, string(body)
}

// follow asks until it is led nowhere else, or to an address that begins with until.
func (v *visitor) follow(address, until string) (int, string, string) {
	v.t.Helper()
	for range 10 {
		status, to, body := v.get(address)
		if to == "" || until != "" && strings.HasPrefix(to, until) {
			return status, to, body
		}
		address = to
	}
	v.t.Fatalf("led around in a ring, at last to %s", address)
	return 0, "", ""
}

// answer goes to a page, to the provider, and stops before the provider's answer is
// taken back: that is what an attacker would meddle with.
func (v *visitor) answer(d *door, page string) string {
	v.t.Helper()
	status, to, body := v.follow(d.URL+page, d.URL+AnswerPath)
	if to == "" {
		v.t.Fatalf("no answer of the provider: %d %s", status, body)
	}
	return to
}

// with changes parameters of an address; an empty value takes one out.
func with(t *testing.T, address string, change map[string]string) string {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	for name, value := range change {
		if q.Set(name, value); value == "" {
			q.Del(name)
		}
	}
	u.RawQuery = q.Encode()
	return u.String()
}

func TestSignOn(t *testing.T) {
	for name, secret := range map[string]string{"with a secret": "s3cret/&=%", "public": ""} {
		t.Run(name, func(t *testing.T) {
			d := newDoor(t, secret, nil)
			v := newVisitor(t)
			status, _, body := v.follow(d.URL+"/my/charts?surgeon=S-014", "")
			if status != 200 || body != "trainee" {
				t.Fatalf("%d %s", status, body)
			}
			if status, _, body := v.get(d.URL + "/"); status != 200 || body != "trainee" {
				t.Errorf("the next page: %d %s", status, body)
			}
			u, _ := url.Parse(d.URL)
			cookies := v.client.Jar.Cookies(u)
			if len(cookies) != 1 || cookies[0].Name != SessionCookie {
				t.Errorf("cookies left: %v", cookies)
			}
			for what, text := range map[string]string{"session's id": cookies[0].Value, "name": "Somebody", "address": "somebody@", "secret": "s3cret"} {
				if strings.Contains(d.log.String(), text) {
					t.Errorf("the %s is in the log", what)
				}
			}
			var row string
			if err := d.sessions.cfg.Pool.QueryRow(t.Context(), "SELECT s::text FROM session s").Scan(&row); err != nil || strings.Contains(row, "Somebody") || !strings.Contains(row, "f3a1") {
				t.Errorf("kept: %s %v", row, err)
			}
			end, err := url.Parse(d.signOn.EndAddress(t.Context()))
			if err != nil || end.Path != "/end" || end.Query().Get("client_id") != "lens:ledger" || end.Query().Get("post_logout_redirect_uri") != d.URL+"/" || len(end.Query()) != 2 {
				t.Errorf("end: %s %v", end, err)
			}
		})
	}
}

// Every answer that doesn't belong to the browser's own attempt, or that carries a
// token that isn't right, signs nobody in; the same way goes through unmeddled.
func TestSignOnRefuses(t *testing.T) {
	d := newDoor(t, "s3cret", nil)
	otherState := strings.Repeat("A", 26)
	claim := func(name string, value any) func() {
		return func() { d.provider.Change = func(c map[string]any) { c[name] = value } }
	}
	for _, c := range []struct {
		name   string
		before func()                                               // of the provider
		meddle func(t *testing.T, v *visitor, answer string) string // with its answer
		status int
		reason string // in the log
	}{
		{"unmeddled", nil, nil, 303, ""},
		{"wrong state", nil, func(t *testing.T, _ *visitor, a string) string {
			return with(t, a, map[string]string{"state": otherState})
		}, 401, "no attempt of this browser"},
		{"no state", nil, func(t *testing.T, _ *visitor, a string) string { return with(t, a, map[string]string{"state": ""}) }, 401, "no attempt"},
		{"two states", nil, func(_ *testing.T, _ *visitor, a string) string { return a + "&state=" + otherState }, 401, ""},
		{"two codes", nil, func(_ *testing.T, _ *visitor, a string) string { return a + "&code=x" }, 401, ""},
		{"a state that begins alike", nil, func(t *testing.T, _ *visitor, a string) string {
			u, _ := url.Parse(a)
			return with(t, a, map[string]string{"state": u.Query().Get("state")[:8] + otherState[8:]})
		}, 401, "no attempt"},
		{"another browser's answer", nil, func(t *testing.T, v *visitor, a string) string {
			v.client.Jar, _ = cookiejar.New(nil) // the victim has begun nothing (RFC 6749, 10.12)
			return a
		}, 401, "no attempt"},
		{"another browser's code", nil, func(t *testing.T, _ *visitor, a string) string {
			u, _ := url.Parse(newVisitor(t).answer(d, "/my/charts"))
			return with(t, a, map[string]string{"code": u.Query().Get("code")}) // PKCE: the verifier is this browser's
		}, 401, "the code isn't taken"},
		{"made-up code", nil, func(t *testing.T, _ *visitor, a string) string { return with(t, a, map[string]string{"code": "x"}) }, 401, "the code isn't taken"},
		{"no code", nil, func(t *testing.T, _ *visitor, a string) string { return with(t, a, map[string]string{"code": ""}) }, 401, "no code"},
		{"another issuer's answer", nil, func(t *testing.T, _ *visitor, a string) string {
			return with(t, a, map[string]string{"iss": "https://attacker.example"})
		}, 401, "another issuer's"},
		{"another verifier", nil, func(t *testing.T, v *visitor, a string) string {
			u, _ := url.Parse(d.URL)
			for _, c := range v.client.Jar.Cookies(u) {
				parts := strings.Split(c.Value, ".")
				parts[2] = strings.Repeat("v", 43)
				v.client.Jar.SetCookies(u, []*http.Cookie{{Name: c.Name, Value: strings.Join(parts, "."), Path: "/"}})
			}
			return a
		}, 401, "the code isn't taken"},
		{"wrong nonce", claim("nonce", otherState), nil, 401, "by its nonce"},
		{"no nonce", func() { d.provider.Change = func(c map[string]any) { delete(c, "nonce") } }, nil, 401, "by its nonce"},
		{"expired", claim("exp", time.Now().Add(-time.Minute).Unix()), nil, 401, "expired"},
		{"issued in the future", claim("iat", time.Now().Add(time.Hour).Unix()), nil, 401, "future"},
		{"wrong audience", claim("aud", "another-client"), nil, 401, "audience"},
		{"two audiences, no party", claim("aud", []string{"lens:ledger", "another"}), nil, 401, "another client"},
		{"another party", claim("azp", "another"), nil, 401, "another client"},
		{"wrong issuer", claim("iss", "https://attacker.example"), nil, 401, "issuer"},
		{"unpublished key", func() { d.provider.Strange = true }, nil, 401, "signature"},
		{"no role", claim("role", nil), nil, 403, "claim role"},
		{"unknown role", claim("role", "surgeon-general"), nil, 403, "claim role"},
		{"a role without its claims", claim("surgeon", ""), nil, 403, "claim surgeon is missing"},
		{"a role in two spellings", claim("Role", "quality"), nil, 401, "other letters"},
		{"broken off", func() { d.provider.Refuse = "access_denied" }, nil, 401, "access_denied"},
		{"provider in trouble", func() { d.provider.Refuse = "server_error" }, nil, 503, "server_error"},
		{"provider's own words", func() { d.provider.Refuse = "<script>" }, nil, 401, "no code"},
		{"wrong secret", func() { d.provider.Client.Secret = "another" }, nil, 503, "status 401"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d.log.reset()
			defer func() {
				d.provider.Change, d.provider.Refuse, d.provider.Strange, d.provider.Client.Secret = nil, "", false, "s3cret"
			}()
			if c.before != nil {
				c.before()
			}
			v := newVisitor(t)
			answer := v.answer(d, "/my/charts")
			if c.meddle != nil {
				answer = c.meddle(t, v, answer)
			}
			status, _, body := v.get(answer)
			if status != c.status || !strings.Contains(d.log.String(), c.reason) {
				t.Errorf("status %d, want %d\n%s\n%s", status, c.status, body, d.log.String())
			}
			if strings.Contains(body, "555 0100") {
				t.Errorf("what anybody can write into an address is shown: %s", body)
			}
			_, to, _ := v.get(d.URL + "/my/charts")
			if signedIn := to == ""; signedIn != (c.status == 303) {
				t.Errorf("signed in: %v", signedIn)
			}
		})
	}
}

// A code is good once, and an attempt for one answer.
func TestSignOnIsOnce(t *testing.T) {
	d := newDoor(t, "", nil)
	v := newVisitor(t)
	answer := v.answer(d, "/my/charts")
	u, _ := url.Parse(d.URL)
	attempt := v.client.Jar.Cookies(u)
	if status, _, _ := v.get(answer); status != 303 {
		t.Fatalf("status %d", status)
	}
	if status, _, _ := v.get(answer); status != 401 {
		t.Errorf("the same answer again: %d", status)
	}
	thief := newVisitor(t)
	thief.client.Jar.SetCookies(u, attempt) // has read all that the browser kept
	if status, _, _ := thief.get(answer); status != 401 || d.provider.Tokens() != 1 {
		t.Errorf("a code that was used: %d, %d tokens", status, d.provider.Tokens())
	}
}

// Two tabs that begin at once both arrive, each where it wanted to go.
func TestSignOnInTwoTabs(t *testing.T) {
	d := newDoor(t, "", nil)
	d.provider.Person = providerTrainer
	v := newVisitor(t)
	one, two := v.answer(d, "/my/charts"), v.answer(d, "/my/reviews")
	for answer, want := range map[string]string{one: d.URL + "/my/charts", two: d.URL + "/my/reviews"} {
		if status, to, body := v.get(answer); status != 303 || to != want {
			t.Errorf("%d to %s, want %s: %s", status, to, want, body)
		}
	}
	if _, _, body := v.get(d.URL + "/my/reviews"); body != "trainer" {
		t.Errorf("then: %s", body)
	}
	// A browser keeps a few attempts and no more.
	other := newVisitor(t)
	for range 2 * maxAttempts {
		other.get(d.URL + "/sign-in")
	}
	u, _ := url.Parse(d.URL)
	if n := len(other.client.Jar.Cookies(u)); n != maxAttempts {
		t.Errorf("%d attempts kept", n)
	}
}

func TestSignOnLeadsNowhereElse(t *testing.T) {
	d := newDoor(t, "", nil)
	for _, to := range []string{"//attacker.example", "https://attacker.example/", `/\attacker.example`, "/sign-out"} {
		v := newVisitor(t)
		if status, at, _ := v.get(v.answer(d, "/sign-in?to="+url.QueryEscape(to))); status != 303 || at != d.URL+"/" {
			t.Errorf("%s: %d to %s", to, status, at)
		}
	}
	// Nor by a cookie that somebody has rewritten.
	v := newVisitor(t)
	answer := v.answer(d, "/my/charts")
	u, _ := url.Parse(d.URL)
	for _, c := range v.client.Jar.Cookies(u) {
		parts := strings.Split(c.Value, ".")
		parts[3] = "Ly9hdHRhY2tlci5leGFtcGxl" // //attacker.example
		v.client.Jar.SetCookies(u, []*http.Cookie{{Name: c.Name, Value: strings.Join(parts, "."), Path: "/"}})
	}
	if status, at, _ := v.get(answer); status != 303 || at != d.URL+"/" {
		t.Errorf("%d to %s", status, at)
	}
}

// The service starts without its provider, says so at the door, and signs people in
// once it is back.
func TestSignOnWithoutItsProvider(t *testing.T) {
	d := newDoor(t, "", nil)
	d.provider.Away = true
	v := newVisitor(t)
	if status, _, body := v.get(d.URL + "/sign-in"); status != 503 || !strings.Contains(body, "sign-on service doesn't answer") {
		t.Errorf("%d %s", status, body)
	}
	if d.signOn.EndAddress(t.Context()) != "" || d.signOn.Check(t.Context()) == nil {
		t.Error("it knows where to sign out")
	}
	d.provider.Away, d.signOn.asked = false, time.Time{} // askAgain is over
	answer := v.answer(d, "/my/charts")
	d.provider.Away = true
	if status, _, _ := v.get(answer); status != 503 {
		t.Errorf("away between question and answer: %d", status)
	}
	d.provider.Away = false
	if status, _, body := v.follow(d.URL+"/my/charts", ""); status != 200 || body != "trainee" {
		t.Errorf("%d %s", status, body)
	}
}

func TestSignOnConfig(t *testing.T) {
	good := SignOnConfig{Issuer: "https://login.example/realm", ClientID: "lensledger", PublicURL: "https://pages.example/"}
	if _, err := NewSignOn(good); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*SignOnConfig){
		"no issuer": func(c *SignOnConfig) { c.Issuer = "" }, "no client": func(c *SignOnConfig) { c.ClientID = "" }, "no address": func(c *SignOnConfig) { c.PublicURL = "" },
		"issuer in the open": func(c *SignOnConfig) { c.Issuer = "http://login.example" }, "pages in the open": func(c *SignOnConfig) { c.PublicURL = "http://pages.example" },
		"pages under a path": func(c *SignOnConfig) { c.PublicURL = "https://pages.example/lens" },
	} {
		cfg := good
		change(&cfg)
		if _, err := NewSignOn(cfg); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	// Of what a provider lists; one that lists nothing takes client_secret_basic.
	for _, c := range []struct {
		secret  string
		methods []string
		basic   bool
	}{{"s", nil, true}, {"s", []string{"client_secret_post", "client_secret_basic"}, true}, {"s", []string{"client_secret_post"}, false}, {"", nil, false}} {
		if got := authStyle(c.secret, c.methods); (got == 2) != c.basic { // oauth2.AuthStyleInHeader
			t.Errorf("%q %v: %v", c.secret, c.methods, got)
		}
	}
	// Over TLS the attempt's cookie is bound to this host too.
	s := &SignOn{secure: true}
	want := "__Host-lensledger_sign_in_ABCDEFGH=x; Path=/; Max-Age=600; HttpOnly; Secure; SameSite=Lax"
	if got := s.attemptCookie(s.attemptName("ABCDEFGHIJ"), "x", 600).String(); got != want {
		t.Errorf("cookie %s", got)
	}
	if !slices.Contains(idTokenAlgorithms, "RS256") || slices.Contains(Algorithms, "RS256") {
		t.Error("RS256 is for ID tokens alone")
	}
}

// A stream that a page listens to ends with its session.
func TestSessionEndsWhatIsSent(t *testing.T) {
	s := testSessions(t, nil)
	rec := httptest.NewRecorder()
	until := time.Now().Add(time.Hour)
	if err := s.Begin(rec, request(t), people[2], until, false); err != nil {
		t.Fatal(err)
	}
	router := web.NewRouter()
	router.Use(Require(Config{Sessions: s, Tokens: testVerifier(t, issuerOf(t, newSigner(t)))}))
	var ctx context.Context
	router.HandleFunc("/v1/changes", func(_ http.ResponseWriter, r *http.Request) { ctx = r.Context() }).Methods("GET")
	ask := httptest.NewRequestWithContext(t.Context(), "GET", "/v1/changes", nil)
	ask.AddCookie(&http.Cookie{Name: SessionCookie, Value: rec.Result().Cookies()[0].Value})
	router.ServeHTTP(httptest.NewRecorder(), ask)
	if ctx == nil {
		t.Fatal("not let through")
	}
	if got, ok := ctx.Deadline(); !ok || got.Sub(until).Abs() > time.Millisecond {
		t.Errorf("ends %s, want %s", got, until)
	}
}
