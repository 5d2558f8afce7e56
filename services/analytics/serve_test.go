package analytics

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/pg/pgtest"
	"lensledger/services/access"
	"lensledger/services/intake"
	"lensledger/services/web"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// api is a server as a client meets it: everything between the socket and the
// handlers, the contract beside it.
type api struct {
	url      string
	router   *mux.Router
	service  *Service
	issuer   *access.DevIssuer
	contract routers.Router
	log      *bytes.Buffer // of one request at a time
}

// people are invented.
var people = map[string]access.Persona{
	"integrator":    {Subject: "demo-integrator", Role: access.Integrator, Source: "ehr-harbour", Departments: []string{"HARBOUR"}},
	"trainer":       {Subject: "demo-trainer", Role: access.Trainer, Surgeon: "S-001", Supervises: []string{"S-014"}, Departments: []string{"HARBOUR"}},
	"consultant":    {Subject: "demo-consultant", Role: access.Trainer, Surgeon: "S-002", Departments: []string{"HARBOUR"}},
	"trainee":       {Subject: "demo-trainee", Role: access.Trainee, Surgeon: "S-014"},
	"beginner":      {Subject: "demo-beginner", Role: access.Trainee, Surgeon: "S-099"},
	"quality":       {Subject: "demo-quality", Role: access.Quality, Departments: []string{"HARBOUR", "PUBLISHED"}},
	"named":         {Subject: "quality@hospital.example", Role: access.Quality, Departments: []string{"HARBOUR"}},
	"inland":        {Subject: "demo-inland", Role: access.Quality, Departments: []string{"INLAND"}},
	"auditor":       {Subject: "demo-auditor", Role: access.Auditor, Departments: []string{"HARBOUR", "PUBLISHED"}},
	"administrator": {Subject: "demo-administrator", Role: access.Administrator},
}

func newAPI(t testing.TB, cfg Config, publisher intake.Publisher) *api {
	t.Helper()
	a := &api{log: &bytes.Buffer{}}
	log := slog.New(slog.NewJSONHandler(a.log, nil))
	in, err := intake.New(intake.Config{Publisher: publisher, Logger: log})
	if err != nil {
		t.Fatal(err)
	}
	cfg.Desk, cfg.Logger = in, log
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	a.service = s
	if a.issuer, err = access.NewDevIssuer(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	tokens, err := access.NewVerifier(t.Context(), []access.Issuer{a.issuer.Issuer()})
	if err != nil {
		t.Fatal(err)
	}
	a.router = web.NewRouter()
	a.router.Use(access.Require(access.Config{Tokens: tokens, Logger: log}))
	in.Routes(a.router)
	s.Routes(a.router)
	health := web.NewHealth(log)
	a.router.HandleFunc("/healthz", health.Live).Methods(http.MethodGet)
	a.router.HandleFunc("/readyz", health.Ready).Methods(http.MethodGet)
	a.router.Handle("/metrics", web.MetricsHandler(prometheus.NewRegistry())).Methods(http.MethodGet)
	server := httptest.NewServer(web.Handler(a.router, web.Options{Logger: log}))
	t.Cleanup(server.Close)
	a.url = server.URL
	if a.contract, err = gorillamux.NewRouter(contract(t)); err != nil {
		t.Fatal(err)
	}
	return a
}

// calculators is a server without a database behind it: nothing that is asked of
// it needs one.
func calculators(t testing.TB) *api {
	t.Helper()
	pool, err := pgxpool.New(t.Context(), "postgres://nobody@127.0.0.1:1/nothing?search_path=away_model,%20away")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return newAPI(t, Config{Pool: pool, Releaser: noReleaser{}, Positions: noPositions{}}, noPublisher{})
}

// These take the place of what the calculators never touch.
type (
	noReleaser  struct{}
	noPublisher struct{}
	noPositions struct{}
)

func (noReleaser) Release(context.Context, uint64, *archive.Exchange) (uint64, error) {
	panic("not used")
}
func (noPositions) Wait(context.Context, uint64) error { panic("not used") }
func (noPublisher) PublishBatch(context.Context, []stream.Outgoing) []stream.Result {
	panic("not used")
}

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   string
}

// into reads the answer.
func (a answer) into(t testing.TB, v any) {
	t.Helper()
	if err := json.Unmarshal([]byte(a.body), v); err != nil {
		t.Fatalf("%v in %s", err, a.body)
	}
}

// call asks as a person and holds request and answer against the contract. A
// request that is wrong on purpose is only held against it in its answer.
func (a *api) call(t testing.TB, who, method, path, body string, headers ...string) answer {
	t.Helper()
	request := a.request(t, who, method, path, body, headers...)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	got := answer{response.StatusCode, response.Header, string(text)}
	a.hold(t, request, body, got)
	return got
}

func (a *api) request(t testing.TB, who, method, path, body string, headers ...string) *http.Request {
	t.Helper()
	request, err := http.NewRequest(method, a.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		request.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
	}
	if who != "" {
		persona, ok := people[who]
		if !ok {
			t.Fatalf("no such person: %s", who)
		}
		token, err := a.issuer.Token(persona)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Authorization", "Bearer "+token)
	}
	return request
}

// hold checks an exchange against the contract.
func (a *api) hold(t testing.TB, request *http.Request, body string, got answer) {
	t.Helper()
	request.URL.Scheme, request.URL.Host = "", ""
	route, params, err := a.contract.FindRoute(request)
	if err != nil {
		if got.status != http.StatusNotFound && got.status != http.StatusMethodNotAllowed {
			t.Errorf("%s %s answers %d and isn't in the contract: %v", request.Method, request.URL.Path, got.status, err)
		}
		return
	}
	request.Body = io.NopCloser(strings.NewReader(body))
	options := &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, IncludeResponseStatus: true}
	in := &openapi3filter.RequestValidationInput{Request: request, PathParams: params, Route: route, Options: options}
	wrong := openapi3filter.ValidateRequest(t.Context(), in)
	if good := got.status < 300; good && wrong != nil {
		t.Errorf("%s %s was taken, but the contract refuses it: %v", request.Method, request.URL, wrong)
	}
	err = openapi3filter.ValidateResponse(t.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: in, Status: got.status, Header: got.header, Body: io.NopCloser(strings.NewReader(got.body)), Options: options})
	if err != nil {
		t.Errorf("%s %s: the answer breaks the contract: %v\n%.3000s", request.Method, request.URL, err, got.body)
	}
}

func init() {
	for _, media := range []string{events.ContentTypeEvent, events.ContentTypeBatch, "application/schema+json"} {
		openapi3filter.RegisterBodyDecoder(media, openapi3filter.JSONBodyDecoder)
	}
	openapi3filter.RegisterBodyDecoder("application/x-ndjson", openapi3filter.PlainBodyDecoder)
	openapi3filter.RegisterBodyDecoder(web.ContentTypeEventStream, openapi3filter.PlainBodyDecoder)
}

// problem reads a failure and checks its kind.
func (a answer) problem(t testing.TB, status int, kind string) web.Problem {
	t.Helper()
	var p web.Problem
	a.into(t, &p)
	if a.status != status || p.Type != "urn:lensledger:problem:"+kind {
		t.Errorf("got %d %s, want %d %s: %s", a.status, p.Type, status, kind, a.body)
	}
	return p
}
