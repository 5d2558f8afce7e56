package portal

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// Desk stores what somebody decides on a page; *intake.Service is one.
type Desk interface {
	PublishAs(ctx context.Context, actor access.Actor, e events.Event) (intake.Result, error)
}

// Tokens say who a token is of, and when it ends; *access.Verifier is one.
type Tokens interface {
	VerifyUntil(ctx context.Context, token string) (access.Actor, time.Time, error)
}

// Lagger knows how far the rows are behind the stream; *projector.Projector is one.
type Lagger interface {
	// Lag gives the number of messages that wait and the age of the oldest.
	Lag(ctx context.Context) (waiting uint64, age time.Duration, err error)
}

// Persona is one of the demo's invented people, to be picked at the door.
type Persona struct {
	Name  string // what PersonaToken knows the person by
	Role  string // one of the access roles
	Words string // who it is, in a sentence
}

// Config is what the pages need.
type Config struct {
	Pool     *pgxpool.Pool
	Tokens   Tokens
	Sessions *access.Sessions
	SignOn   *access.SignOn // nil: people sign in with a token, or as a persona
	Desk     Desk           // nil: alarms can be read, not reviewed

	Releaser   analytics.Releaser // nil: quarantine can be read, not replayed
	Projection intake.Projection  // nil: a page after a review may not show it yet

	// Lag knows how far the rows are behind; nil asks Releaser, if that knows,
	// else pages don't say when they are late.
	Lag Lagger

	// Minimums are the least numbers of whole cases that progress is shown beside;
	// nil: the published ones.
	Minimums []learning.Minimum

	// Personas are the demo's invented people; with any, every page says that
	// its data is invented. PersonaToken gives a token for one of their names.
	Personas     []Persona
	PersonaToken func(name string) (string, error)

	// AtOnce is how many pages are made at once, which has to leave the projector
	// connections of Pool; 0 is 4.
	AtOnce int

	Logger *slog.Logger     // nil is slog.Default()
	Now    func() time.Time // nil is time.Now
}

// Service serves the pages.
type Service struct {
	cfg   Config
	pages map[string]*template.Template
	turns chan struct{} // of the pages that are made at once
}

var (
	//go:embed templates/*.html
	templateFiles embed.FS
)

// New checks the configuration and reads the templates.
func New(cfg Config) (*Service, error) {
	switch {
	case cfg.Pool == nil:
		return nil, errors.New("portal: a database pool is needed")
	case cfg.Tokens == nil:
		return nil, errors.New("portal: something that verifies tokens is needed")
	case cfg.Sessions == nil:
		return nil, errors.New("portal: something that keeps sessions is needed")
	case len(cfg.Personas) > 0 && cfg.PersonaToken == nil:
		return nil, errors.New("portal: personas need a function that gives their tokens")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.Default()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Minimums == nil {
		cfg.Minimums = learning.Minimums
	}
	if cfg.Lag == nil {
		cfg.Lag, _ = cfg.Releaser.(Lagger)
	}
	if cfg.AtOnce <= 0 {
		cfg.AtOnce = defaultAtOnce
	}
	pages, err := parseTemplates()
	if err != nil {
		return nil, err
	}
	return &Service{cfg: cfg, pages: pages, turns: make(chan struct{}, cfg.AtOnce)}, nil
}

// parseTemplates reads each page's template together with the frame around it and
// the parts that pages share.
func parseTemplates() (map[string]*template.Template, error) {
	files, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		return nil, err
	}
	pages := make(map[string]*template.Template, len(files))
	for _, file := range files {
		name := file[len("templates/") : len(file)-len(".html")]
		if name == "frame" || name == "sections" || strings.HasPrefix(name, "part-") {
			continue
		}
		t, err := template.New("frame.html").Funcs(template.FuncMap{"asset": assetHref}).ParseFS(templateFiles, "templates/frame.html", "templates/sections.html", "templates/part-*.html", file)
		if err != nil {
			return nil, fmt.Errorf("portal: page %s: %w", name, err)
		}
		pages[name] = t
	}
	return pages, nil
}

// Routes adds the pages to a router of web.NewRouter, on which access.Require
// stands.
func (s *Service) Routes(router *mux.Router) {
	router.HandleFunc("/", s.page(s.home)).Methods(http.MethodGet)
	router.HandleFunc("/sign-in", s.page(s.beginSignIn)).Methods(http.MethodGet)
	router.HandleFunc(access.AnswerPath, s.page(s.finishSignIn)).Methods(http.MethodGet)
	router.HandleFunc("/sign-in", s.page(s.signIn)).Methods(http.MethodPost)
	router.HandleFunc("/sign-out", s.page(s.signOut)).Methods(http.MethodPost)
	router.HandleFunc("/my/charts", s.page(s.charts)).Methods(http.MethodGet)
	router.HandleFunc("/alarms", s.page(s.alarms)).Methods(http.MethodGet)
	for _, what := range []string{sentAcknowledgement, sentAssignment, sentReview} {
		router.HandleFunc("/alarms/{alarm}/"+what, s.page(s.decide(what))).Methods(http.MethodPost)
	}
	router.HandleFunc("/charts", s.page(s.chart)).Methods(http.MethodGet)
	router.HandleFunc(departmentChartsRoute, s.page(s.departmentCharts)).Methods(http.MethodGet)
	router.HandleFunc("/my/progress", s.page(s.progress)).Methods(http.MethodGet)
	router.HandleFunc("/my/reviews", s.page(s.reviews)).Methods(http.MethodGet)
	router.HandleFunc("/my/planned", s.page(s.planned)).Methods(http.MethodGet)
	router.HandleFunc("/my/advice", s.page(s.advice)).Methods(http.MethodGet)
	router.HandleFunc(recordingRoute, s.page(s.recording)).Methods(http.MethodGet)
	router.HandleFunc(recordingRoute, s.page(s.markRecording)).Methods(http.MethodPost)
	router.HandleFunc("/cases/{case}", s.page(s.caseRecord)).Methods(http.MethodGet)
	router.HandleFunc(caseReviewRoute, s.page(s.reviewCase)).Methods(http.MethodPost)
	router.HandleFunc("/my/logbook", s.page(s.logbook)).Methods(http.MethodGet)
	router.HandleFunc("/my/logbook.csv", s.page(s.logbookFile)).Methods(http.MethodGet)
	router.HandleFunc(caseQuestionRoute, s.page(s.askCase)).Methods(http.MethodPost)
	router.HandleFunc(questionsRoute, s.page(s.questions)).Methods(http.MethodGet)
	router.HandleFunc(answerRoute, s.page(s.answerQuestion)).Methods(http.MethodPost)
	router.HandleFunc("/departments/{department}", s.page(s.department)).Methods(http.MethodGet)
	router.HandleFunc("/departments/{department}/lenses", s.page(s.lenses)).Methods(http.MethodGet)
	router.HandleFunc("/departments/{department}/infections", s.page(s.infections)).Methods(http.MethodGet)
	router.HandleFunc("/departments/{department}/funnel", s.page(s.funnel)).Methods(http.MethodGet)
	router.HandleFunc("/departments/{department}/completeness", s.page(s.completeness)).Methods(http.MethodGet)
	router.HandleFunc("/departments/{department}/risk-model", s.page(s.riskModel)).Methods(http.MethodGet)
	router.HandleFunc("/figures", s.page(s.figures)).Methods(http.MethodGet)
	router.HandleFunc("/figures.csv", s.page(s.figuresFile("csv"))).Methods(http.MethodGet)
	router.HandleFunc("/figures.json", s.page(s.figuresFile("json"))).Methods(http.MethodGet)
	router.HandleFunc("/figures/manifest.json", s.page(s.manifestFile)).Methods(http.MethodGet)
	router.HandleFunc("/figures/changes", s.page(s.figureChanges)).Methods(http.MethodGet)
	router.HandleFunc(releasesRoute, s.page(s.releases)).Methods(http.MethodGet)
	router.HandleFunc(releasesRoute, s.page(s.release)).Methods(http.MethodPost)
	router.HandleFunc("/intake", s.page(s.intake)).Methods(http.MethodGet)
	router.HandleFunc(checkRoute, s.pageUpTo(maxCheckBytes, s.checkEvents)).Methods(http.MethodPost)
	router.HandleFunc(replayRoute, s.page(s.replay)).Methods(http.MethodPost)
	router.HandleFunc("/assets/{file}", asset).Methods(http.MethodGet)
	router.NotFoundHandler = s.nowhere(router.NotFoundHandler)
	router.MethodNotAllowedHandler = s.nowhere(router.MethodNotAllowedHandler)
}

// Routes of what the pages' own forms send, apart from signing in and out.
const (
	caseReviewRoute = "/cases/{case}/reviews"
	recordingRoute  = "/cases/{case}/recording"
	replayRoute     = "/quarantine/{sequence}/replays"
	releasesRoute   = "/figures/releases"
	checkRoute      = "/intake/check"

	caseQuestionRoute = "/cases/{case}/questions"
	questionsRoute    = "/departments/{department}/questions"
	answerRoute       = "/departments/{department}/questions/{question}/answers"
)

// handler makes one page. The actor is zero where a stranger may come.
type handler func(w http.ResponseWriter, r *http.Request, actor access.Actor) error

// defaultAtOnce is how many pages are made at once: some for each core.
const defaultAtOnce = 4

// maxFormBytes bounds what a page's form may send.
const maxFormBytes = 64 << 10

// page lets a handler answer, and answers for it with an error page otherwise.
func (s *Service) page(h handler) http.HandlerFunc { return s.pageUpTo(maxFormBytes, h) }

// pageUpTo is page for a form that may send more.
func (s *Service) pageUpTo(most int64, h handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		actor, _ := access.FromContext(r.Context())
		r.Body = http.MaxBytesReader(w, r.Body, most)
		if r.Method == http.MethodGet {
			// However many pages are asked for at once, as when something has changed on
			// all that are open, the projector finds a connection to the database. What
			// a form sends needn't wait.
			select {
			case s.turns <- struct{}{}:
				defer func() { <-s.turns }()
			case <-r.Context().Done():
				return
			}
		}
		if r.Method == http.MethodPost {
			if err := r.ParseForm(); err != nil { // a second time it would seem to be empty
				s.fail(w, r, actor, web.BodyError(err))
				return
			}
		}
		if s.signsForAnother(w, r, actor) {
			return
		}
		if err := h(w, r, actor); err != nil {
			s.fail(w, r, actor, err)
		}
	}
}

// render writes a page, whole or not at all.
func (s *Service) render(w http.ResponseWriter, status int, name string, view any) error {
	var body bytes.Buffer
	if err := s.pages[name].Execute(&body, view); err != nil {
		return fmt.Errorf("render page %s: %w", name, err)
	}
	page := body.Bytes()
	if by, ok := view.(interface{ typist() string }); ok {
		page = markForms(page, by.typist())
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	// A failed write means that the reader is gone; there is nobody to tell.
	_, _ = w.Write(page)
	return nil
}

// read runs fn in a transaction that sees what the actor may see, as of now.
func (s *Service) read(ctx context.Context, actor pg.Actor, fn func(tx pgx.Tx, asOf archive.AsOf) error) error {
	return pg.AsActor(ctx, s.cfg.Pool, actor, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(ctx, tx, "")
		if err != nil {
			return err
		}
		return fn(tx, asOf)
	})
}

// reader is the actor in the words of the row policies.
func reader(a access.Actor) pg.Actor {
	return pg.Actor{Role: string(a.Role), Surgeons: a.Surgeons(), Departments: a.Departments, Source: a.Source}
}

// may says whether the role may use a route, by the one access matrix.
func may(role access.Role, method, route string) bool {
	for _, row := range access.Matrix {
		if row.Method == method && row.Route == route {
			return row.Allows(role)
		}
	}
	return false
}
