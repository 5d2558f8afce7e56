package intake

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lensledger/events/stream"
	"lensledger/services/access"
	"lensledger/services/web"
)

// arrival is the fixed time of arrival in these tests.
var arrival = time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC)

// world is the service on a real log, behind real tokens.
type world struct {
	*httptest.Server
	nats    *stream.Server
	log     *stream.Stream
	service *Service
	reg     *prometheus.Registry
	token   string // of ehr-harbour, for HARBOUR and HILL
	tokens  *access.DevIssuer
}

func newWorld(t *testing.T, change func(*Config)) *world {
	t.Helper()
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	log, err := stream.Open(t.Context(), stream.Config{Server: server, ManageStream: true, MaxBytes: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(log.Close)
	w := &world{nats: server, log: log, reg: prometheus.NewRegistry()}
	cfg := Config{Publisher: log.Publisher(), Metrics: w.reg, Now: func() time.Time { return arrival }}
	if change != nil {
		change(&cfg)
	}
	if w.service, err = New(cfg); err != nil {
		t.Fatal(err)
	}
	if w.tokens, err = access.NewDevIssuer(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	verifier, err := access.NewVerifier(t.Context(), []access.Issuer{w.tokens.Issuer()})
	if err != nil {
		t.Fatal(err)
	}
	w.token, err = w.tokens.Token(access.Persona{Subject: "ehr", Role: access.Integrator, Source: "ehr-harbour", Departments: []string{"HARBOUR", "HILL"}})
	if err != nil {
		t.Fatal(err)
	}
	router := web.NewRouter()
	router.Use(access.Require(access.Config{Tokens: verifier}))
	w.service.Routes(router)
	if missing := access.Unlisted(router); len(missing) > 0 {
		t.Errorf("routes without a row in the access matrix: %v", missing)
	}
	w.Server = httptest.NewServer(web.Handler(router, web.Options{}))
	t.Cleanup(w.Close)
	return w
}

// answer is any body of POST /v1/events.
type answer struct {
	web.Problem
	Receipt
	code   int
	header http.Header
	text   string
}

func (w *world) post(t *testing.T, query, contentType string, body io.Reader, set ...func(*http.Request)) answer {
	t.Helper()
	a, err := w.try(query, contentType, body, set...)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func (w *world) try(query, contentType string, body io.Reader, set ...func(*http.Request)) (answer, error) {
	request, err := http.NewRequest(http.MethodPost, w.URL+"/v1/events"+query, body)
	if err != nil {
		return answer{}, err
	}
	if contentType != "" {
		request.Header.Set("Content-Type", contentType)
	}
	request.Header.Set("Authorization", "Bearer "+w.token)
	for _, s := range set {
		s(request)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return answer{}, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		return answer{}, err
	}
	a := answer{code: response.StatusCode, header: response.Header, text: string(text)}
	if err := json.Unmarshal(text, &a); err != nil {
		return answer{}, fmt.Errorf("body %q: %w", text, err)
	}
	return a, nil
}

// last is the number of events in the log.
func (w *world) last(t *testing.T) uint64 {
	t.Helper()
	info, err := w.log.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return info.Last
}

// until waits for the log to reach a position.
func (w *world) until(t *testing.T, sequence uint64) {
	t.Helper()
	w.waitFor(t, func() bool { return w.last(t) >= sequence })
}

func (w *world) waitFor(t *testing.T, reached func() bool) {
	t.Helper()
	for begun := time.Now(); !reached(); time.Sleep(2 * time.Millisecond) {
		if time.Since(begun) > 20*time.Second {
			t.Fatalf("not reached; the log ends at %d", w.last(t))
		}
	}
}

// booked is a good event; each id is a case of its own.
func booked(id string) string {
	return fmt.Sprintf(`{"specversion":"1.0","id":%q,"source":"ehr-harbour","type":"lensledger.case.booked.v1",`+
		`"subject":"HB-%s","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","data":{"patient":"P-1","eye":"right"}}`, id, id)
}

const structured = "application/cloudevents+json"

func TestOneEvent(t *testing.T) {
	w := newWorld(t, nil)
	body := "\n " + booked("a-1") + "\n"
	for _, contentType := range []string{structured, "application/json", "Application/CloudEvents+JSON; charset=UTF-8"} {
		a := w.post(t, "", contentType, strings.NewReader(body))
		want := `{"stored":1,"duplicate":0,"refused":0,"results":[{"index":0,"id":"a-1","status":"stored","sequence":1}]}`
		if contentType != structured { // a retry
			want = `{"stored":0,"duplicate":1,"refused":0,"results":[{"index":0,"id":"a-1","status":"duplicate","sequence":1}]}`
		}
		if a.code != 202 || a.text != want+"\n" {
			t.Errorf("%s: %d %s", contentType, a.code, a.text)
		}
	}
	m, err := w.log.Get(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if string(m.Data) != body || m.Subject != "cases.v1.ehr-harbour.HARBOUR.case.booked" || fmt.Sprint(m.Header["content-type"]) != "[application/cloudevents+json]" {
		t.Errorf("stored %q on %s with %v", m.Data, m.Subject, m.Header)
	}
	// The same id with other content gets through: a conflict to be shown.
	a := w.post(t, "", structured, strings.NewReader(strings.Replace(body, "right", "left", 1)))
	if a.code != 202 || a.Stored != 1 || w.last(t) != 2 {
		t.Errorf("other content: %d %s", a.code, a.text)
	}
	// The same content in another spelling is a retry.
	a = w.post(t, "", structured, strings.NewReader(strings.Replace(booked("a-1"), `"eye":"right"`, `"eye" : "\u0072ight"`, 1)))
	if a.Duplicate != 1 || w.last(t) != 2 {
		t.Errorf("other spelling: %d %s", a.code, a.text)
	}
}

func TestBinaryEvent(t *testing.T) {
	w := newWorld(t, nil)
	headers := func(r *http.Request) {
		for name, value := range map[string]string{"Ce-Specversion": "1.0", "Ce-Id": "b%2D1", "Ce-Source": "ehr-harbour", "Ce-Type": "lensledger.case.booked.v1",
			"Ce-Subject": "HB-1", "Ce-Department": "HILL", "Ce-Time": "2025-03-12T10:41:07+00:00", "X-Secret": "canary", "Cookie": "canary=1"} {
			r.Header.Set(name, value)
		}
	}
	a := w.post(t, "", "application/json; charset=utf-8", strings.NewReader(`{"patient":"P-1","eye":"left"}`), headers)
	if a.code != 202 || a.Stored != 1 || a.Results[0].ID != "b-1" {
		t.Fatalf("%d %s", a.code, a.text)
	}
	m, err := w.log.Get(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if string(m.Data) != `{"patient":"P-1","eye":"left"}` || m.Subject != "cases.v1.ehr-harbour.HILL.case.booked" {
		t.Errorf("stored %q on %s", m.Data, m.Subject)
	}
	if got := fmt.Sprint(m.Header["ce-id"], m.Header["ce-datacontenttype"], m.Header["ce-time"], m.Header["content-type"]); got != "[b%2D1] [application/json; charset=utf-8] [2025-03-12T10:41:07+00:00] []" {
		t.Errorf("headers %s", got)
	}
	if strings.Contains(fmt.Sprint(m.Header), "canary") || strings.Contains(fmt.Sprint(m.Header), "Bearer") {
		t.Errorf("headers that aren't the event's were stored: %v", m.Header)
	}
	// The stored form means the same event: sent structured, it is a retry.
	same := strings.NewReplacer(`"a"`, `"b-1"`, "HB-a", "HB-1", "HARBOUR", "HILL", "right", "left").Replace(booked("a"))
	if a := w.post(t, "", structured, strings.NewReader(same)); a.Duplicate != 1 {
		t.Errorf("the same event structured: %s", a.text)
	}
	twice := func(r *http.Request) { headers(r); r.Header["Ce-Id"] = []string{"b-1", "b-2"} }
	if a := w.post(t, "", "application/json", strings.NewReader(`{"patient":"P-1","eye":"left"}`), twice); a.code != 422 || a.Results[0].Problems[0].Pointer != "/id" {
		t.Errorf("an attribute twice: %s", a.text)
	}
}

func TestBatchWithOneBroken(t *testing.T) {
	w := newWorld(t, nil)
	list := make([]string, 500)
	for i := range list {
		list[i] = booked(fmt.Sprintf("n-%03d", i))
	}
	list[317] = strings.Replace(list[317], `"right"`, `"middle"`, 1)
	a := w.post(t, "", "application/cloudevents-batch+json", strings.NewReader("["+strings.Join(list, ",\n")+"]"))
	if a.code != 202 || a.Stored != 499 || a.Refused != 1 || len(a.Results) != 500 || w.last(t) != 499 {
		t.Fatalf("%d stored %d refused %d, log %d", a.code, a.Stored, a.Refused, w.last(t))
	}
	sequences := map[uint64]bool{}
	for i, r := range a.Results {
		if r.Index != i || r.ID != fmt.Sprintf("n-%03d", i) {
			t.Fatalf("result %d: %+v", i, r)
		}
		if i != 317 && (r.Status != Stored || sequences[r.Sequence]) {
			t.Errorf("result %d: %+v", i, r)
		}
		sequences[r.Sequence] = true
	}
	bad := a.Results[317]
	if bad.Status != Refused || bad.Sequence != 0 || len(bad.Problems) != 1 || bad.Problems[0].Pointer != "/data/eye" ||
		bad.Problems[0].Code != "not-allowed" || !strings.Contains(bad.Problems[0].Detail, "middle") {
		t.Errorf("the broken one: %+v", bad)
	}
	// Their order of arrival is the order sent.
	m, err := w.log.Get(t.Context(), a.Results[499].Sequence)
	if err != nil || string(m.Data) != list[499] || a.Results[499].Sequence != 499 {
		t.Errorf("the last one: %v %s", err, m.Data)
	}
	all := w.post(t, "", "application/cloudevents-batch+json", strings.NewReader("["+strings.Join(list, ",\n")+"]"))
	if all.code != 202 || all.Duplicate != 499 || all.Refused != 1 || w.last(t) != 499 {
		t.Errorf("sent again: %d stored %d duplicate %d", all.code, all.Stored, all.Duplicate)
	}
}

func TestBrokenListStoresNothing(t *testing.T) {
	w := newWorld(t, nil)
	for name, body := range map[string]string{
		"cut":       "[" + booked("c-1") + "," + booked("c-2")[:40],
		"open":      "[" + booked("c-1"),
		"no list":   booked("c-1"),
		"tail":      "[" + booked("c-1") + "] [" + booked("c-2") + "]",
		"no comma":  "[" + booked("c-1") + booked("c-2") + "]",
		"number":    "17",
		"empty":     "",
		"no event":  "[]",
		"too many":  "[" + strings.Repeat("{},", maxEvents) + "{}]",
		"bare word": "[event]",
	} {
		a := w.post(t, "", "application/cloudevents-batch+json", strings.NewReader(body))
		want := 400
		if name == "too many" {
			want = 413
		}
		if a.code != want || a.Status != want || a.Detail == "" || len(a.Results) != 0 || w.last(t) != 0 {
			t.Errorf("%s: %d %s, log %d", name, a.code, a.text, w.last(t))
		}
		if (name == "no list" || name == "number") && !strings.Contains(a.Detail, "must be a JSON list") {
			t.Errorf("%s: %s", name, a.Detail)
		}
	}
}

// Events of a body still under way are stored and seen: nothing waits for its end.
func TestLinesAreTakenAsTheyCome(t *testing.T) {
	w := newWorld(t, nil)
	in, out := io.Pipe()
	t.Cleanup(func() { in.Close() }) // or the server would wait for the body
	result := make(chan answer, 1)
	failed := make(chan error, 1)
	go func() {
		a, err := w.try("", "application/x-ndjson", in)
		result <- a
		failed <- err
	}()
	for i := range groupEvents {
		fmt.Fprintf(out, "%s\n", booked(fmt.Sprintf("l-%d", i)))
	}
	w.until(t, groupEvents)
	fmt.Fprintf(out, "\r\n  \n%s\r\n%s\n%s", "{broken", strings.Repeat(" ", 70000)+booked("l-spaced"), booked("l-last"))
	out.Close()
	a := <-result
	if err := <-failed; err != nil {
		t.Fatal(err)
	}
	if a.code != 202 || a.Stored != groupEvents+2 || a.Refused != 1 || w.last(t) != groupEvents+2 {
		t.Fatalf("%d stored %d refused %d, log %d", a.code, a.Stored, a.Refused, w.last(t))
	}
	broken := a.Results[groupEvents]
	if broken.Index != groupEvents || broken.Line != groupEvents+3 || broken.Problems[0].Code != "not-json" {
		t.Errorf("the broken line: %+v", broken)
	}
	if last := a.Results[groupEvents+2]; last.ID != "l-last" || last.Line != groupEvents+5 || last.Status != Stored {
		t.Errorf("the last line, without its end: %+v", last)
	}
}

func TestDryRunStoresNothing(t *testing.T) {
	w := newWorld(t, nil)
	a := w.post(t, "?dry_run=true", "application/x-ndjson", strings.NewReader(booked("d-1")+"\n{}\n"))
	if a.code != 200 || !a.DryRun || a.Valid != 1 || a.Refused != 1 || a.Stored != 0 || a.Results[0].Status != Valid || a.Results[0].Sequence != 0 {
		t.Errorf("%d %s", a.code, a.text)
	}
	if a := w.post(t, "?dry_run=true", structured, strings.NewReader("{}")); a.code != 422 || a.Refused != 1 {
		t.Errorf("all refused: %d %s", a.code, a.text)
	}
	for query, pointer := range map[string]string{"?dryrun=true": "?", "?dry_run=yes": "?dry_run", "?dry_run": "?dry_run", "?dry_run=true&dry_run=false": "?dry_run", "?wait=stored": "?wait"} {
		a := w.post(t, query, structured, strings.NewReader(booked("d-2")))
		if a.code != 400 || len(a.Errors) != 1 || a.Errors[0].Pointer != pointer {
			t.Errorf("%s: %d %s", query, a.code, a.text)
		}
	}
	if n := w.last(t); n != 0 {
		t.Errorf("%d events were stored", n)
	}
	if a := w.post(t, "?dry_run=false", structured, strings.NewReader(booked("d-3"))); a.code != 202 || w.last(t) != 1 {
		t.Errorf("not dry: %d %s", a.code, a.text)
	}
}
