package analytics

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// Desk stores an event that a person made here; *intake.Service is one.
type Desk interface {
	// PublishAs checks and stores one event on behalf of an actor. Its failures
	// are *web.Error.
	PublishAs(ctx context.Context, actor access.Actor, e events.Event) (intake.Result, error)
}

// Releaser sends what waits in quarantine again; *projector.Projector is one.
type Releaser interface {
	// Release gives the new position of the event that waits at a sequence.
	Release(ctx context.Context, sequence uint64, with *archive.Exchange) (uint64, error)
}

// Lagger knows how far the rows are behind the stream.
type Lagger interface {
	// Lag gives the number of messages that wait and the age of the oldest.
	Lag(ctx context.Context) (waiting uint64, age time.Duration, err error)
}

// Config is what the service needs.
type Config struct {
	Pool     *pgxpool.Pool // of pg.Connect
	Base     string        // name of the registry; answers of two are never taken for one another
	Desk     Desk
	Releaser Releaser
	Lag      Lagger           // nil asks Releaser, if it knows; else the lag isn't told
	Logger   *slog.Logger     // nil is silent
	Now      func() time.Time // nil is time.Now

	// Minimums are the least numbers of whole cases that progress is shown beside;
	// nil: the published ones.
	Minimums []learning.Minimum

	Positions Positions             // nil: GET /v1/changes isn't to be had
	Listeners int                   // clients of GET /v1/changes at a time; 0 means 1000
	Metrics   prometheus.Registerer // nil counts nothing
}

// Service answers over HTTP.
type Service struct {
	cfg     Config
	asked   *designs // by whoever uses the calculator
	changes *changes
}

// New checks the configuration.
func New(cfg Config) (*Service, error) {
	if cfg.Pool == nil || cfg.Desk == nil || cfg.Releaser == nil {
		return nil, errors.New("analytics: Pool, Desk and Releaser are needed")
	}
	if cfg.Lag == nil {
		cfg.Lag, _ = cfg.Releaser.(Lagger)
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Minimums == nil {
		cfg.Minimums = learning.Minimums
	}
	s := &Service{cfg: cfg, asked: newDesigns(), changes: newChanges(cfg)}
	if cfg.Metrics != nil {
		err := cfg.Metrics.Register(prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "lensledger_changes_listeners",
			Help: "Clients that listen for changes.",
		}, s.changes.listeners))
		if err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Routes adds the routes of the service to a router of web.NewRouter, on which
// access.Require stands.
func (s *Service) Routes(router *mux.Router) {
	get := func(path string, h http.HandlerFunc) { router.HandleFunc(path, h).Methods(http.MethodGet) }
	post := func(path string, h http.HandlerFunc) { router.HandleFunc(path, h).Methods(http.MethodPost) }
	get("/v1/departments/{department}/benchmarks", s.getBenchmarks)
	get("/v1/departments/{department}/comparison", s.getComparison)
	get("/v1/departments/{department}/completeness", s.getCompleteness)
	get("/v1/departments/{department}/lens-constants", s.ofDepartment(getLensConstants))
	get("/v1/departments/{department}/astigmatism", s.ofDepartment(getAstigmatism))
	get("/v1/departments/{department}/endophthalmitis", s.ofDepartment(getEndophthalmitis))
	get("/v1/departments/{department}/risk-model", s.ofDepartment(getRiskModel))
	get("/v1/figures", s.getFigures)
	get("/v1/figures/manifest", s.getManifest)
	get("/v1/figures/changes", s.getFigureChanges)
	get("/v1/figures/releases", s.getReleases)
	post("/v1/figures/releases", s.postRelease)
	get("/v1/figures/releases/{release}", s.getRelease)
	get("/v1/funnels/{outcome}", s.getFunnel)
	get("/v1/departments/{department}/charts", s.getDepartmentCharts)
	get("/v1/surgeons/{surgeon}/charts", s.getCharts)
	get("/v1/surgeons/{surgeon}/progress", s.getProgress)
	get("/v1/surgeons/{surgeon}/outcomes", s.getOutcomes)
	get("/v1/surgeons/{surgeon}/logbook", s.getLogbook)
	get("/v1/questions", s.getQuestions)
	post("/v1/questions/{question}/answers", s.postAnswer)
	post("/v1/cases/{case}/questions", s.postQuestion)
	get("/v1/cases/{case}", s.getCase)
	get("/v1/cases/{case}/events", s.getCaseEvents)
	get("/v1/cases/{case}/stage", s.getStage)
	post("/v1/cases/{case}/reviews", s.postCaseReview)
	get("/v1/reviews", s.getReviews)
	get("/v1/alarms", s.getAlarms)
	post("/v1/alarms/{alarm}/acknowledgements", s.postAcknowledgement)
	post("/v1/alarms/{alarm}/assignments", s.postAssignment)
	post("/v1/alarms/{alarm}/reviews", s.postReview)
	post("/v1/designs", s.postDesign)
	post("/v1/risks", s.postRisk)
	get("/v1/intake", s.getIntake)
	get("/v1/changes", s.getChanges)
	get("/v1/quarantine", s.getQuarantine)
	post("/v1/quarantine/{sequence}/replays", s.postReplay)
	get("/openapi.yaml", getOpenAPI)
	get("/asyncapi.yaml", getAsyncAPI)
}

// Reader is the actor as the policies of the database know it.
func Reader(a access.Actor) pg.Actor {
	return pg.Actor{Role: string(a.Role), Surgeons: a.Surgeons(), Departments: a.Departments, Source: a.Source}
}

// actor is who asks. A route that stands outside of access.Require answers
// nobody.
func actor(r *http.Request) (access.Actor, error) {
	a, ok := access.FromContext(r.Context())
	if !ok {
		return a, errors.New("no actor: the route isn't behind access.Require")
	}
	return a, nil
}

// fail answers with an error: what the client may know of it, and no more.
func (s *Service) fail(w http.ResponseWriter, r *http.Request, err error) {
	var known *web.Error
	switch {
	case errors.As(err, &known):
	case errors.Is(err, archive.ErrAsOf):
		err = badQuery(web.Fault{Pointer: "?as_of", Code: faultInvalid, Detail: err.Error()})
	case errors.Is(err, outcome.ErrNoCase):
		err = web.NotFound()
	case pg.Unavailable(err), errors.Is(err, context.DeadlineExceeded), r.Context().Err() != nil:
		s.cfg.Logger.LogAttrs(r.Context(), slog.LevelWarn, "record not available",
			slog.String("request_id", web.RequestID(r.Context())), slog.String("error", err.Error()))
		err = &web.Error{Code: web.CodeUnavailable, Message: "The record can't be read for the moment. Try again."}
	}
	web.WriteError(w, r, err)
}
