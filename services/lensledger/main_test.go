package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/services/access"
)

// childVariable makes the test program behave as the lensledger program, so that
// a test can kill it.
const childVariable = "LENSLEDGER_TEST_CHILD"

func TestMain(m *testing.M) {
	if os.Getenv(childVariable) != "" {
		main()
		return
	}
	slog.SetDefault(slog.New(slog.NewJSONHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})))
	pgtest.Main(m)
}

// world is the whole program on real servers: NATS in this process, Postgres with
// a registry of its own.
type world struct {
	*pgtest.DB
	log    *stream.Stream
	app    *app
	url    string
	issuer *access.DevIssuer

	stop func() // ends the program, not the servers
}

// newWorld starts the program. before, which may be nil, publishes to the stream
// while no projector runs yet.
func newWorld(t testing.TB, before func(*stream.Stream)) *world {
	t.Helper()
	w := openWorld(t, pgtest.New(t))
	if before != nil {
		before(w.log)
	}
	w.start(t)
	return w
}

// newReader starts the program over rows that are there already, with an empty
// stream and without a projector.
func newReader(t testing.TB, db *pgtest.DB) *world {
	t.Helper()
	w := openWorld(t, db)
	w.run(t, false)
	return w
}

// openWorld starts the servers.
func openWorld(t testing.TB, db *pgtest.DB) *world {
	t.Helper()
	w := &world{DB: db}
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickDir(t), InProcessOnly: true, MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	if w.log, err = stream.Open(t.Context(), stream.Config{Server: server, ManageStream: true}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.log.Close)
	if w.issuer, err = access.NewDevIssuer(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	return w
}

// quickDir is a folder in memory where the system has one: syncing every write to
// disk takes minutes for the demo's events. What survives a kill is tested on
// disk, by TestKill.
func quickDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "lensledger-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// start runs the program, with its projector, until stop or the end of the test.
func (w *world) start(t testing.TB) {
	t.Helper()
	w.run(t, true)
}

// run is start, with a projector or without.
func (w *world) run(t testing.TB, project bool) {
	t.Helper()
	pool, err := pg.Connect(t.Context(), w.URL, w.Base, poolSize)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	ready, ended := make(chan string, 1), make(chan struct{})
	info, err := w.log.Info(ctx)
	if err != nil {
		t.Fatal(err)
	}
	w.app, err = newApp(ctx, appConfig{Pool: pool, Schema: w.Base, Stream: w.log, Listen: "127.0.0.1:0", Project: project,
		Issuers: []access.Issuer{w.issuer.Issuer()}})
	if err != nil {
		t.Fatal(err)
	}
	w.app.Ready = func(ctx context.Context, addr string) error {
		if err := w.app.watcher.Wait(ctx, info.Last); err != nil {
			return err
		}
		ready <- addr
		return nil
	}
	var failure error
	go func() {
		failure = w.app.Run(ctx)
		close(ended)
	}()
	w.stop = sync.OnceFunc(func() {
		cancel()
		http.DefaultClient.CloseIdleConnections()
		<-ended
		pool.Close()
		if failure != nil {
			t.Error("the program ended with: ", failure)
		}
	})
	t.Cleanup(w.stop)
	select {
	case addr := <-ready:
		w.url = "http://" + addr
	case <-ended:
		t.FailNow()
	case <-time.After(5 * time.Minute):
		t.Fatal("the program isn't ready after five minutes")
	}
}

// wait returns once everything published so far is projected.
func (w *world) wait(t testing.TB) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	info, err := w.log.Info(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.app.watcher.Wait(ctx, info.Last); err != nil {
		t.Fatal(err)
	}
}

// checkBooks holds what must be true at the end of every test: each position of
// the stream has exactly one disposition.
func (w *world) checkBooks(t testing.TB) {
	t.Helper()
	w.wait(t)
	info, err := w.log.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var arrivals, counted int64
	err = w.Pool.QueryRow(t.Context(), "SELECT (SELECT count(*) FROM arrival), (SELECT coalesce(sum(events), 0) FROM intake_count)").
		Scan(&arrivals, &counted)
	if err != nil {
		t.Fatal(err)
	}
	if uint64(arrivals) != info.Last || uint64(counted) != info.Last {
		t.Errorf("the books don't add up: last sequence %d, dispositions %d, counted by source %d", info.Last, arrivals, counted)
	}
}

// The people of these tests. Nobody of them exists.
func integrator(source string, departments ...string) access.Actor {
	return access.Actor{Subject: "test-integrator", Role: access.Integrator, Source: source, Departments: departments}
}

func quality(departments ...string) access.Actor {
	return access.Actor{Subject: "test-quality", Role: access.Quality, Departments: departments}
}

// request asks the program over HTTP as somebody.
func (w *world) request(t testing.TB, who access.Actor, method, path, contentType, body string) (int, []byte) {
	t.Helper()
	token, err := w.issuer.Token(who)
	if err != nil {
		t.Fatal(err)
	}
	request, err := http.NewRequestWithContext(t.Context(), method, w.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+token)
	if contentType != "" {
		request.Header.Set("Content-Type", contentType)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, text
}

// get reads an answer of the API into v.
func (w *world) get(t testing.TB, who access.Actor, path string, v any) {
	t.Helper()
	code, text := w.request(t, who, http.MethodGet, path, "", "")
	if code != http.StatusOK {
		t.Fatalf("GET %s: %d %.500s", path, code, text)
	}
	if err := json.Unmarshal(text, v); err != nil {
		t.Fatalf("GET %s: %v in %.500s", path, err, text)
	}
}

// receipt is the answer to POST /v1/events as a client reads it.
type receipt struct {
	Status                     int
	Text                       string `json:"-"`
	Stored, Duplicate, Refused int
	Results                    []struct {
		ID, Status, Disposition string
		Sequence                uint64
		Problems, Confirm       []struct{ Pointer, Code, Detail string }
	}
}

// Content types of POST /v1/events, as RFC and CloudEvents name them.
const (
	oneEvent = "application/cloudevents+json"
	aBatch   = "application/cloudevents-batch+json"
	lines    = "application/x-ndjson"
)

// post publishes over HTTP and waits until the rows are committed.
func (w *world) post(t testing.TB, who access.Actor, contentType, body string) receipt {
	t.Helper()
	status, text := w.request(t, who, http.MethodPost, "/v1/events?wait=projected", contentType, body)
	var r receipt // or problem+json, of which only the status is the same
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatalf("POST /v1/events: %d %v in %.500s", status, err, text)
	}
	r.Status, r.Text = status, string(text)
	return r
}

// fact is one event as a publisher writes it.
type fact struct {
	id, source, department, kind, subject, at, data string
}

func (f fact) json() string {
	return `{"specversion":"1.0","id":"` + f.id + `","source":"` + f.source + `","type":"lensledger.` + f.kind + `.v1","subject":"` +
		f.subject + `","department":"` + f.department + `","time":"` + f.at + `","datacontenttype":"application/json","data":` + f.data + `}`
}

// outgoing is the event as it goes straight to the stream.
func (f fact) outgoing() stream.Outgoing {
	noun, participle, _ := strings.Cut(f.kind, ".")
	body := []byte(f.json())
	sum := sha256.Sum256(body)
	return stream.Outgoing{Subject: "cases.v1." + f.source + "." + f.department + "." + noun + "." + participle,
		MessageID: f.source + "/" + f.id + "/" + hex.EncodeToString(sum[:8]),
		Header:    map[string][]string{"content-type": {events.ContentTypeEvent}}, Data: body}
}

// send publishes straight to the stream and wants every acknowledgement.
func send(t testing.TB, log *stream.Stream, batch ...stream.Outgoing) []uint64 {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	sequences := make([]uint64, len(batch))
	for i, r := range log.Publisher().PublishBatch(ctx, batch) {
		if r.Err != nil {
			t.Fatal(r.Err)
		}
		sequences[i] = r.Sequence
	}
	return sequences
}

// What the API answers, as far as it is compared.
type interval struct{ Lower, Upper float64 }

type countedFigure struct {
	Events, N int
	Rate      *float64
	Interval  *interval `json:"interval_95"`
}

type ruptureFigure struct {
	Events, N        int
	Rate             *float64
	Interval         *interval `json:"interval_95"`
	Exact            *interval `json:"interval_95_exact"`
	Expected         float64
	Adjusted         *float64       `json:"adjusted_rate"`
	AdjustedInterval *interval      `json:"adjusted_interval_95"`
	Unknown          map[string]int `json:"unknown_factors"`
}

type benchmarkAnswer struct {
	Operations int
	Rupture    ruptureFigure `json:"capsule_rupture"`
	Takeover   countedFigure `json:"unplanned_takeover"`
	Complete   struct {
		Timed      countedFigure `json:"operating_time_known"`
		Unfinished int           `json:"operations_without_end"`
	} `json:"completeness"`
	Excluded  map[string]int
	BySurgeon []struct {
		Surgeon string
		ruptureFigure
	} `json:"by_surgeon"`
}

type chartAnswer struct {
	Outcome, Kind string
	Design        struct {
		Code                                string
		Acceptable, Unacceptable, Threshold float64
		OddsRatio                           float64 `json:"odds_ratio"`
		Closes                              *int    `json:"closes_after_cases"`
		Model                               string  `json:"risk_model"`
	}
	Cases   []chartCase
	Alarms  []crossing
	LeftOut int `json:"left_out"`
	Parts   int `json:"part_cases"`
	Closed  bool
}

type chartCase struct {
	Case                   string
	Number                 int `json:"case_number"`
	Outcome                int
	Expected, Score, Value float64
	Crossed                bool
}

type crossing struct{ Case string }

// differs lists where two floating-point values are further apart than 1e-9, or
// only one is known.
func differs(what string, got, want any) string {
	flat := func(v any) (map[string]float64, map[string]any) {
		text, _ := json.Marshal(v)
		var tree any
		_ = json.Unmarshal(text, &tree)
		numbers, others := map[string]float64{}, map[string]any{}
		var walk func(path string, v any)
		walk = func(path string, v any) {
			switch x := v.(type) {
			case map[string]any:
				for name, v := range x {
					walk(path+"/"+name, v)
				}
			case []any:
				for i, v := range x {
					walk(fmt.Sprintf("%s/%d", path, i), v)
				}
			case float64:
				numbers[path] = x
			case nil: // as good as absent
			default:
				others[path] = x
			}
		}
		walk("", tree)
		return numbers, others
	}
	g, gotOthers := flat(got)
	w, wantOthers := flat(want)
	var out []string
	for _, path := range slices.Sorted(maps.Keys(w)) {
		if x, ok := g[path]; !ok || math.Abs(x-w[path]) > 1e-9 {
			out = append(out, fmt.Sprintf("%s: found %v, want %v", path, g[path], w[path]))
		}
	}
	for _, path := range slices.Sorted(maps.Keys(g)) {
		if _, ok := w[path]; !ok {
			out = append(out, fmt.Sprintf("%s: found %v, want nothing", path, g[path]))
		}
	}
	for _, path := range slices.Sorted(maps.Keys(wantOthers)) {
		if gotOthers[path] != wantOthers[path] {
			out = append(out, fmt.Sprintf("%s: found %v, want %v", path, gotOthers[path], wantOthers[path]))
		}
	}
	if len(out) == 0 {
		return ""
	}
	return fmt.Sprintf("%s differs in %d places: %s", what, len(out), strings.Join(out[:min(len(out), 5)], "; "))
}

func benchmarkPath(department, from, to, view string) string {
	q := url.Values{"from": {from}, "to": {to}}
	if view != "" {
		q.Set("view", view)
	}
	return "/v1/departments/" + department + "/benchmarks?" + q.Encode()
}
