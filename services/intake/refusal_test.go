package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/services/access"
	"lensledger/services/web"
)

// Each kind of bad event has its own clear problem, and nothing of it is stored.
func TestBadEvents(t *testing.T) {
	w := newWorld(t, nil)
	replace := func(old, new string) string {
		body := strings.Replace(booked("x-1"), old, new, 1)
		if body == booked("x-1") {
			t.Fatalf("%q isn't in the event", old)
		}
		return body
	}
	implant := func(data string) string {
		return `{"specversion":"1.0","id":"x-2","source":"ehr-harbour","type":"lensledger.lens.implanted.v1",` +
			`"subject":"HB-1","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","data":` + data + `}`
	}
	amend := func(source string) string {
		return `{"specversion":"1.0","id":"x-3","source":"ehr-harbour","type":"lensledger.event.retracted.v1",` +
			`"subject":"HB-1","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","data":{"target_source":"` + source + `","target_id":"a-1"}}`
	}
	for _, c := range []struct{ name, body, pointer, code, says string }{
		{"not JSON", "{", "", "not-json", ""},
		{"too large", replace(`"P-1"`, `"`+strings.Repeat("P", events.MaxBytes)+`"`), "", "not-json", "262144"},
		{"too large with its headers", booked("x-1") + strings.Repeat(" ", events.MaxBytes-len(booked("x-1"))), "", "not-json", "headers"},
		{"too deep", replace(`{"patient":"P-1"`, `{"patient":`+strings.Repeat("[", 50)+strings.Repeat("]", 50)), "", "not-json", ""},
		{"a NUL in text", replace("P-1", `P\u0000`), "/data/patient", "not-json", ""},
		{"no id", replace(`"id":"x-1",`, ""), "/id", "envelope", "id"},
		{"other version of the envelope", replace(`"1.0"`, `"0.3"`), "/specversion", "envelope", "1.0"},
		{"unknown type", replace("case.booked", "case.imagined"), "/type", "unknown-type", "case.imagined"},
		{"newer version", replace("booked.v1", "booked.v99"), "/type", "newer-version", "99"},
		{"unknown field", replace(`"eye"`, `"name":"Q","eye"`), "/data/name", "unknown-field", "name"},
		{"no eye", replace(`,"eye":"right"`, ""), "/data/eye", "missing", "eye"},
		{"eye that is neither", replace(`"right"`, `"both"`), "/data/eye", "not-allowed", "both"},
		{"eye a number", replace(`"right"`, `2`), "/data/eye", "wrong-type", ""},
		{"axis of 181", implant(`{"axis_deg":181}`), "/data/axis_deg", "out-of-range", "181"},
		{"time without offset", replace("+00:00", ""), "/time", "time", "offset"},
		{"in the future", replace("2025-03-12T10:41:07", "2025-06-01T12:10:01"), "/time", "time", "10 minutes"},
		{"someone else's source", replace(`"ehr-harbour"`, `"ehr-hill"`), "/source", "not-yours", "ehr-hill"},
		{"the desk's source", replace(`"ehr-harbour"`, `"quality-desk"`), "/source", "not-yours", "quality-desk"},
		{"someone else's department", replace("HARBOUR", "VALLEY"), "/department", "not-yours", "VALLEY"},
		{"a correction of someone else's event", amend("ehr-hill"), "/data/target_source", "not-yours", "ehr-hill"},
	} {
		a := w.post(t, "", structured, strings.NewReader(c.body))
		if a.code != 422 || a.Refused != 1 || len(a.Results) != 1 || len(a.Results[0].Problems) == 0 {
			t.Errorf("%s: %d %.300s", c.name, a.code, a.text)
			continue
		}
		p := a.Results[0].Problems[0]
		if len(a.Results[0].Problems) != 1 || p.Pointer != c.pointer || p.Code != c.code || !strings.Contains(p.Detail, c.says) {
			t.Errorf("%s: %.300s", c.name, a.text)
		}
	}
	if n := w.last(t); n != 0 {
		t.Errorf("%d bad events were stored", n)
	}
	// Several faults are all told at once.
	a := w.post(t, "", structured, strings.NewReader(strings.NewReplacer(`"right"`, `"both"`, "HARBOUR", "VALLEY", "ehr-harbour", "ehr-hill").Replace(booked("x-4"))))
	var codes []string
	for _, p := range a.Results[0].Problems {
		codes = append(codes, p.Pointer)
	}
	if fmt.Sprint(codes) != "[/data/eye /source /department]" {
		t.Errorf("faults: %v", codes)
	}
	// What is right is stored: own corrections, the clock's tolerance, rare values.
	for _, body := range []string{
		amend("ehr-harbour"), replace("2025-03-12T10:41:07", "2025-06-01T12:10:00"), replace("HARBOUR", "HILL"),
		implant(`{"power_d":-5,"site":"bag"}`), implant(`{"power_d":0}`),
	} {
		if a := w.post(t, "", structured, strings.NewReader(body)); a.code != 202 || a.Stored != 1 {
			t.Errorf("a good event: %d %s", a.code, a.text)
		}
	}
	a = w.post(t, "", structured, strings.NewReader(strings.Replace(implant(`{"power_d":-6}`), "x-2", "x-5", 1)))
	if a.code != 202 || len(a.Results[0].Confirm) != 1 || a.Results[0].Confirm[0].Pointer != "/data/power_d" || a.Results[0].Confirm[0].Code != "confirm" {
		t.Errorf("a value to confirm: %s", a.text)
	}
}

func TestBodiesThatAreNotTaken(t *testing.T) {
	w := newWorld(t, nil)
	gzip := func(r *http.Request) { r.Header.Set("Content-Encoding", "gzip") }
	for _, c := range []struct {
		name, contentType string
		body              string
		code              int
		kind              string
		set               []func(*http.Request)
	}{
		{"no content type", "", booked("t-1"), 415, "unsupported", nil},
		{"text", "text/plain", booked("t-1"), 415, "unsupported", nil},
		{"form", "application/x-www-form-urlencoded", "a=b", 415, "unsupported", nil},
		{"other CloudEvents format", "application/cloudevents+avro", "x", 415, "unsupported", nil},
		{"broken content type", "application/", booked("t-1"), 415, "unsupported", nil},
		{"other characters", "application/json; charset=iso-8859-1", booked("t-1"), 415, "unsupported", nil},
		{"compressed", structured, booked("t-1"), 415, "unsupported", []func(*http.Request){gzip}},
		{"empty lines", "application/x-ndjson", "\n\n", 400, "invalid", nil},
		{"over 10 MB", structured, strings.Repeat(" ", web.MaxBodyBytes+1), 413, "too-large", nil},
	} {
		a := w.post(t, "", c.contentType, strings.NewReader(c.body), c.set...)
		if a.code != c.code || a.Type != "urn:lensledger:problem:"+c.kind || a.header.Get("Content-Type") != web.ContentTypeProblem {
			t.Errorf("%s: %d %.300s", c.name, a.code, a.text)
		}
	}
	if n := w.last(t); n != 0 {
		t.Errorf("%d events were stored", n)
	}
	// Of lines, what came before the bound is stored, and the answer says so.
	filler := strings.Repeat(" ", events.MaxBytes)
	var b strings.Builder
	for i := range 60 {
		fmt.Fprintf(&b, "%s%s\n", booked(fmt.Sprintf("big-%d", i)), filler)
	}
	a := w.post(t, "", "application/x-ndjson", strings.NewReader(b.String()))
	if a.code != 413 || a.Status != 413 || a.Stored < 30 || uint64(a.Stored) != w.last(t) || len(a.Results) != a.Stored {
		t.Errorf("lines over 10 MB: %d stored %d, log %d: %.200s", a.code, a.Stored, w.last(t), a.text)
	}
	a = w.post(t, "", "application/x-ndjson", strings.NewReader(strings.Repeat("{}\n", maxEvents+1)))
	if a.code != 413 || a.Refused != maxEvents || len(a.text) > 4<<20 {
		t.Errorf("too many lines: %d refused %d, answer of %d bytes", a.code, a.Refused, len(a.text))
	}
}

// impatient is the real publisher, which gives up soon once it is told that
// nobody answers any more.
type impatient struct {
	Publisher
	away atomic.Bool
}

func (p *impatient) PublishBatch(ctx context.Context, batch []stream.Outgoing) []stream.Result {
	if p.away.Load() {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, 200*time.Millisecond)
		defer cancel()
	}
	return p.Publisher.PublishBatch(ctx, batch)
}

// While the log is away nothing is claimed: 503, and each event says whether it
// is known to be stored.
func TestLogAway(t *testing.T) {
	var log *impatient
	w := newWorld(t, func(c *Config) {
		log = &impatient{Publisher: c.Publisher}
		c.Publisher = log
	})
	in, out := io.Pipe()
	t.Cleanup(func() { in.Close() }) // or the server would wait for the body
	result := make(chan answer, 1)
	failed := make(chan error, 1)
	go func() {
		a, err := w.try("", "application/x-ndjson", in)
		result <- a
		failed <- err
	}()
	line := func(i int) string { return booked(fmt.Sprintf("w-%d", i)) + "\n" }
	for i := range groupEvents {
		_, _ = io.WriteString(out, line(i))
	}
	acknowledged := w.service.metrics.events.WithLabelValues(string(Stored), string(events.TypeCaseBooked))
	w.waitFor(t, func() bool { return testutil.ToFloat64(acknowledged) == groupEvents })
	log.away.Store(true)
	w.nats.Close()
	for i := range 3 {
		_, _ = io.WriteString(out, line(groupEvents+i))
	}
	out.Close()
	a := <-result
	if err := <-failed; err != nil {
		t.Fatal(err)
	}
	if a.code != 503 || a.Type != "urn:lensledger:problem:unavailable" || a.header.Get("Retry-After") == "" || a.header.Get("Content-Type") != web.ContentTypeProblem {
		t.Errorf("%d %.300s", a.code, a.text)
	}
	if a.Stored != groupEvents || a.NotStored != 3 || a.Results[groupEvents].Status != NotStored || a.Results[groupEvents].Sequence != 0 {
		t.Errorf("stored %d, not stored %d", a.Stored, a.NotStored)
	}
	one := w.post(t, "", structured, strings.NewReader(booked("w-x")))
	if one.code != 503 || one.NotStored != 1 || one.header.Get("Retry-After") == "" {
		t.Errorf("one event: %d %s", one.code, one.text)
	}
	if dry := w.post(t, "?dry_run=true", structured, strings.NewReader(booked("w-x"))); dry.code != 200 {
		t.Errorf("a dry run needs no log: %d %s", dry.code, dry.text)
	}
}

// projection stands for the projector: it answers what it is told to.
type projection struct {
	mu    sync.Mutex
	known map[uint64]string
	asked []uint64
}

func (p *projection) Projected(ctx context.Context, sequences []uint64) (map[uint64]string, error) {
	p.mu.Lock()
	p.asked = append(p.asked, sequences...)
	p.mu.Unlock()
	out := map[uint64]string{}
	for _, s := range sequences {
		if d, ok := p.known[s]; ok {
			out[s] = d
		}
	}
	if len(out) < len(sequences) {
		<-ctx.Done()
		return out, ctx.Err()
	}
	return out, nil
}

func TestWaitForTheRows(t *testing.T) {
	p := &projection{known: map[uint64]string{1: "accepted", 2: "conflict"}}
	w := newWorld(t, func(c *Config) { c.Projection = p; c.WaitWithin = 50 * time.Millisecond })
	other := strings.Replace(booked("p-1"), "right", "left", 1)
	body := booked("p-1") + "\n{}\n" + other + "\n"
	a := w.post(t, "?wait=projected", "application/x-ndjson", strings.NewReader(body))
	if a.code != 202 || a.Projected == nil || !*a.Projected {
		t.Fatalf("%d %s", a.code, a.text)
	}
	if got := fmt.Sprint(a.Results[0].Disposition, a.Results[1].Disposition, a.Results[2].Disposition); got != "acceptedconflict" && got != "accepted conflict" {
		t.Errorf("dispositions %q", got)
	}
	if !reflect.DeepEqual(p.asked, []uint64{1, 2}) {
		t.Errorf("asked for %v", p.asked)
	}
	// Not known in time: stored all the same, and the answer says which isn't known.
	a = w.post(t, "?wait=projected", "application/x-ndjson", strings.NewReader(booked("p-1")+"\n"+booked("p-2")+"\n"))
	if a.code != 202 || a.Projected == nil || *a.Projected || a.Results[0].Disposition != "accepted" || a.Results[1].Disposition != "" || a.Results[1].Sequence != 3 {
		t.Errorf("%d %s", a.code, a.text)
	}
	if a := w.post(t, "", structured, strings.NewReader(booked("p-1"))); a.Projected != nil || a.Results[0].Disposition != "" {
		t.Errorf("not asked to wait: %s", a.text)
	}
	none := newWorld(t, nil)
	if a := none.post(t, "?wait=projected", structured, strings.NewReader(booked("p-1"))); a.code != 503 || none.last(t) != 0 {
		t.Errorf("without a projector: %d %s", a.code, a.text)
	}
}

func TestOnlyIntegratorsPublish(t *testing.T) {
	w := newWorld(t, nil)
	for role, want := range map[access.Role]int{access.Quality: 403, access.Trainee: 403, access.Administrator: 403, "": 401} {
		token, err := w.tokens.Token(access.Persona{Subject: "x", Role: role, Surgeon: "S-014", Source: "ehr-harbour", Departments: []string{"HARBOUR"}})
		if err != nil {
			t.Fatal(err)
		}
		a := w.post(t, "", structured, strings.NewReader(booked("r-1")), func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) })
		if a.code != want || w.last(t) != 0 {
			t.Errorf("%q: %d %s", role, a.code, a.text)
		}
	}
}

func TestPublishAs(t *testing.T) {
	w := newWorld(t, nil)
	officer := access.Actor{Subject: "officer", Role: access.Quality, Departments: []string{"HARBOUR"}}
	review := events.Event{ID: "review-1", Source: access.DeskSource, Type: events.TypeAlarmReviewed, Subject: "CH-1", Department: "HARBOUR",
		Time: arrival, Data: &events.AlarmReviewed{Alarm: "A-1", Finding: "case-mix", By: "Q-1"}}
	r, err := w.service.PublishAs(t.Context(), officer, review)
	if err != nil || r.Status != Stored || r.Sequence != 1 {
		t.Fatalf("%+v %v", r, err)
	}
	m, err := w.log.Get(t.Context(), 1)
	if err != nil || m.Subject != "cases.v1.quality-desk.HARBOUR.alarm.reviewed" {
		t.Fatalf("%s %v", m.Subject, err)
	}
	if back, problems := events.Decode(m.Header, m.Data); len(problems) > 0 || back.Hash() != review.Hash() {
		t.Errorf("stored %s: %v", m.Data, problems)
	}
	if r, err := w.service.PublishAs(t.Context(), officer, review); err != nil || r.Status != Duplicate || r.Sequence != 1 {
		t.Errorf("again: %+v %v", r, err)
	}
	for pointer, change := range map[string]func(*events.Event){
		"/department":   func(e *events.Event) { e.Department = "HILL" },
		"/source":       func(e *events.Event) { e.Source = "ehr-harbour" },
		"/data/finding": func(e *events.Event) { e.Data = &events.AlarmReviewed{Alarm: "A-1", Finding: "guilty", By: "Q-1"} },
		"/time":         func(e *events.Event) { e.Time = arrival.Add(time.Hour) },
	} {
		bad := review
		change(&bad)
		_, err := w.service.PublishAs(t.Context(), officer, bad)
		var e *web.Error
		if !errors.As(err, &e) || e.Code != web.CodeRefused || len(e.Faults) != 1 || e.Faults[0].Pointer != pointer {
			t.Errorf("%s: %+v", pointer, err)
		}
	}
	if n := w.last(t); n != 1 {
		t.Errorf("%d events in the log", n)
	}
}

// One source can't take every slot, nor keep one for good.
func TestSlots(t *testing.T) {
	w := newWorld(t, nil)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	var releases []func()
	for range requestsAtATime {
		release, err := w.service.slot(t.Context(), "ehr-harbour")
		if err != nil {
			t.Fatal(err)
		}
		releases = append(releases, release)
	}
	if _, err := w.service.slot(ended, "ehr-harbour"); web.Status(err) != 503 {
		t.Errorf("one more: %v", err)
	}
	if _, err := w.service.slot(t.Context(), "ehr-hill"); err != nil {
		t.Errorf("another source: %v", err)
	}
	releases[0]()
	releases[0]() // twice does no harm
	if _, err := w.service.slot(t.Context(), "ehr-harbour"); err != nil {
		t.Errorf("after a release: %v", err)
	}
	if _, err := w.service.slot(ended, "ehr-harbour"); web.Status(err) != 503 {
		t.Errorf("a slot too many: %v", err)
	}
}

func TestSchemasAreServed(t *testing.T) {
	w := newWorld(t, nil)
	for _, entry := range events.Catalogue {
		response, err := http.Get(w.URL + "/schemas/" + string(entry.Type))
		if err != nil {
			t.Fatal(err)
		}
		document, err := jsonschema.UnmarshalJSON(response.Body)
		response.Body.Close()
		if err != nil || response.StatusCode != 200 || response.Header.Get("Content-Type") != "application/schema+json" {
			t.Fatalf("%s: %d %v", entry.Type, response.StatusCode, err)
		}
		compiler := jsonschema.NewCompiler()
		if err := compiler.AddResource("mem:schema", document); err != nil {
			t.Fatal(err)
		}
		schema, err := compiler.Compile("mem:schema")
		if err != nil {
			t.Fatalf("%s: %v", entry.Type, err)
		}
		if entry.Type == events.TypeCaseBooked {
			good, _ := jsonschema.UnmarshalJSON(strings.NewReader(booked("s-1")))
			bad, _ := jsonschema.UnmarshalJSON(strings.NewReader(strings.Replace(booked("s-1"), `"right"`, `"both"`, 1)))
			if schema.Validate(good) != nil || schema.Validate(bad) == nil {
				t.Errorf("%s doesn't tell good from bad", entry.Type)
			}
		}
	}
	response, err := http.Get(w.URL + "/schemas/lensledger.case.booked.v99")
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if response.StatusCode != 404 || response.Header.Get("Content-Type") != web.ContentTypeProblem {
		t.Errorf("an unknown schema: %d", response.StatusCode)
	}
}

func TestMetrics(t *testing.T) {
	w := newWorld(t, nil)
	w.post(t, "", "application/x-ndjson", strings.NewReader(booked("m-1")+"\n"+booked("m-1")+"\n{}\n"+strings.Replace(booked("m-2"), "case.booked", "canary.made", 1)))
	w.post(t, "?dry_run=true", structured, strings.NewReader(booked("m-3")))
	const want = `
# HELP lensledger_intake_events_total Events received over HTTP, by what became of them and by type.
# TYPE lensledger_intake_events_total counter
lensledger_intake_events_total{result="duplicate",type="lensledger.case.booked.v1"} 1
lensledger_intake_events_total{result="refused",type="unknown"} 2
lensledger_intake_events_total{result="stored",type="lensledger.case.booked.v1"} 1
lensledger_intake_events_total{result="valid",type="lensledger.case.booked.v1"} 1
`
	if err := testutil.GatherAndCompare(w.reg, strings.NewReader(want), "lensledger_intake_events_total"); err != nil {
		t.Error(err)
	}
	if problems, err := testutil.GatherAndLint(w.reg); err != nil || len(problems) > 0 {
		t.Errorf("lint: %v %v", problems, err)
	}
}
