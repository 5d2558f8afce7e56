package portal

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
	"lensledger/services/access"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// registry is a whole registry on real servers with thirty invented operations of
// trainee S-014 in HARBOUR: cases 1 to 5 with a rupture, so that the chart of a
// trainee crosses its line; 26 of them with an acuity a month later, two with an
// infection; and one operation of S-099 in MOORLAND.
type registry struct {
	t         *testing.T
	db        *pgtest.DB
	nats      *stream.Server
	publisher *stream.Publisher
	projector *projector.Projector
	issuer    *access.DevIssuer
	service   *Service
	sessions  *access.Sessions
	server    *httptest.Server
}

func newRegistry(t *testing.T) *registry {
	t.Helper()
	r := &registry{t: t, db: pgtest.New(t)}
	ctx := t.Context()
	nats, err := stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nats.Close)
	r.nats = nats
	log, err := stream.Open(ctx, stream.Config{Server: nats, Name: "portal test", ManageStream: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(log.Close)
	r.publisher = log.Publisher()
	r.projector = projector.New(projector.Config{Pool: r.db.Pool, Base: r.db.Base, Stream: log, Log: slog.New(slog.DiscardHandler)})
	r.publish(operations()...)
	r.project()

	r.issuer, err = access.NewDevIssuer(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	tokens, err := access.NewVerifier(ctx, []access.Issuer{r.issuer.Issuer()})
	if err != nil {
		t.Fatal(err)
	}
	desk, err := intake.New(intake.Config{Publisher: r.publisher})
	if err != nil {
		t.Fatal(err)
	}
	if r.sessions, err = access.NewSessions(access.SessionConfig{Pool: r.db.Pool}); err != nil {
		t.Fatal(err)
	}
	r.service, err = New(Config{Pool: r.db.Pool, Tokens: tokens, Sessions: r.sessions, Desk: desk, Releaser: r.projector, Projection: projected{r},
		Personas:     []Persona{{"trainee", "trainee", "S-014"}},
		PersonaToken: func(name string) (string, error) { return r.issuer.Token(trainee) },
		Logger:       slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	router := web.NewRouter()
	router.Use(access.Require(access.Config{Tokens: tokens, Sessions: r.sessions, RefusePage: r.service.Refuse}))
	r.service.Routes(router)
	r.server = httptest.NewServer(web.Handler(router, web.Options{}))
	t.Cleanup(r.server.Close)
	return r
}

// projected runs the projector to the end of the log whenever a page waits.
type projected struct{ r *registry }

func (p projected) Projected(ctx context.Context, _ []uint64) (map[uint64]string, error) {
	return nil, p.r.projector.RunToEnd(ctx)
}

func (r *registry) project() {
	r.t.Helper()
	if err := r.projector.RunToEnd(r.t.Context()); err != nil {
		r.t.Fatal(err)
	}
}

func (r *registry) publish(es ...events.Event) {
	r.t.Helper()
	var batch []stream.Outgoing
	for _, e := range es {
		batch = append(batch, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()})
	}
	r.send(batch...)
}

func (r *registry) send(batch ...stream.Outgoing) {
	r.t.Helper()
	for i, result := range r.publisher.PublishBatch(r.t.Context(), batch) {
		if result.Err != nil {
			r.t.Fatalf("publish %s: %v", batch[i].Subject, result.Err)
		}
	}
}

var began = time.Date(2025, 1, 6, 9, 0, 0, 0, time.FixedZone("", 0))

// operations are the invented events of the registry.
func operations() []events.Event {
	make1 := func(source, department, subject string, at time.Time, kind events.Type, data any) events.Event {
		id := fmt.Sprintf("%s-%s-%d", subject, strings.TrimPrefix(string(kind), "lensledger."), at.Unix())
		return events.Event{ID: id, Source: source, Department: department, Subject: subject, Time: at, Type: kind, Data: data}
	}
	var out []events.Event
	out = append(out, make1("ehr-harbour", "HARBOUR", "S-014", began, events.TypeSurgeonEnrolled,
		&events.SurgeonEnrolled{Post: "trainee", PriorWholeCases: events.Some(int64(2))}))
	for i := range 31 {
		source, department, subject := "ehr-harbour", "HARBOUR", fmt.Sprintf("HB-%03d", i+1)
		surgeon, consultant := events.Code("S-014"), events.Code("S-002")
		if i == 30 {
			source, department, subject, surgeon, consultant = "ehr-moorland", "MOORLAND", "ML-001", "S-099", "S-098"
		}
		at := began.AddDate(0, 0, i)
		out = append(out,
			make1(source, department, subject, at.AddDate(0, 0, -1), events.TypeCaseBooked,
				&events.CaseBooked{Patient: events.Code("P-" + subject), Eye: events.EyeRight, Procedure: events.ProcedurePhaco}),
			make1(source, department, subject, at, events.TypeCaseStarted,
				&events.CaseStarted{FirstOperator: surgeon, ResponsibleConsultant: consultant, Supervision: "scrubbed"}),
			make1(source, department, subject, at.Add(5*time.Minute), events.TypeStepStarted, &events.StepStarted{Step: events.StepSculpting, Operator: surgeon}),
			make1(source, department, subject, at.Add(9*time.Minute), events.TypeStepFinished, &events.StepFinished{Step: events.StepSculpting}))
		if i < 5 {
			out = append(out, make1(source, department, subject, at.Add(10*time.Minute), events.TypeComplicationRecorded,
				&events.ComplicationRecorded{Kind: events.KindCapsuleRupture, CausedBy: surgeon, CausedInStep: events.StepSculpting, Vitreous: events.VitreousLoss}))
		}
		out = append(out, make1(source, department, subject, at.Add(30*time.Minute), events.TypeCaseFinished, &events.CaseFinished{}))
	}
	for i := range 26 {
		out = append(out, make1("ehr-harbour", "HARBOUR", fmt.Sprintf("HB-%03d", i+1), began.AddDate(0, 0, i+30), events.TypeFollowupAcuity,
			&events.FollowupAcuity{Acuity: []events.Acuity{{Correction: "corrected", LogMARHundredths: events.Some(int64(20))}}}))
	}
	for _, i := range []int{10, 12} {
		out = append(out, make1("ehr-harbour", "HARBOUR", fmt.Sprintf("HB-%03d", i), began.AddDate(0, 0, i+4), events.TypeFollowupFinding,
			&events.FollowupFinding{Kind: events.FindingEndophthalmitis, Certainty: events.CertaintyCultureProven}))
	}
	return out
}

// browser asks for pages as one actor, without following redirects.
type browser struct {
	r     *registry
	token string // id of the session; empty for a stranger
}

func (r *registry) as(a access.Actor) browser {
	r.t.Helper()
	rec := httptest.NewRecorder()
	if err := r.sessions.Begin(rec, httptest.NewRequestWithContext(r.t.Context(), http.MethodPost, "/sign-in", nil), a, time.Time{}, false); err != nil {
		r.t.Fatal(err)
	}
	return browser{r, rec.Result().Cookies()[0].Value}
}

// answer is a page as it came.
type answer struct {
	status int
	header http.Header
	body   string
}

func (b browser) get(path string) answer { return b.do(http.MethodGet, path, nil) }

func (b browser) post(path string, form url.Values) answer { return b.do(http.MethodPost, path, form) }

func (b browser) do(method, path string, form url.Values) answer {
	t := b.r.t
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), method, b.r.server.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	if form != nil {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if b.token != "" {
		request.AddCookie(&http.Cookie{Name: access.SessionCookie, Value: b.token})
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	if strings.HasPrefix(response.Header.Get("Content-Type"), "text/html") && len(body) > 0 && body[0] == '<' && response.StatusCode != http.StatusSeeOther {
		checkPage(t, body)
	}
	return answer{response.StatusCode, response.Header, string(body)}
}

// want holds an answer against a status and the words that it has to hold.
func (a answer) want(t *testing.T, status int, words ...string) answer {
	t.Helper()
	if a.status != status {
		t.Errorf("status %d, want %d\n%s", a.status, status, a.words())
	}
	for _, w := range words {
		if !strings.Contains(a.body, w) {
			t.Errorf("the page lacks %q\n%s", w, a.words())
		}
	}
	return a
}

func (a answer) lacks(t *testing.T, words ...string) answer {
	t.Helper()
	for _, w := range words {
		if strings.Contains(a.body, w) {
			t.Errorf("the page holds %q", w)
		}
	}
	return a
}

var tag = regexp.MustCompile(`(?s)<table.*?</table>|<[^>]*>`)

// words is the page without tables and tags, for a failed test to show.
func (a answer) words() string {
	return regexp.MustCompile(`\n\s*\n+`).ReplaceAllString(tag.ReplaceAllString(a.body, ""), "\n")
}
