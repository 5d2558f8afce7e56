package intake

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/mux"
	"github.com/prometheus/client_golang/prometheus"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/services/web"
)

// Publisher stores events; *stream.Publisher is one.
type Publisher interface {
	// PublishBatch gives one result for each event, in their order. It tries
	// again until ctx ends.
	PublishBatch(ctx context.Context, batch []stream.Outgoing) []stream.Result
}

// Projection knows what became of stored events.
type Projection interface {
	// Projected waits until the rows of these positions are committed and gives
	// the disposition of each. When ctx ends before, it gives those it knows,
	// and an error.
	Projected(ctx context.Context, sequences []uint64) (map[uint64]string, error)
}

// Config is what the service needs.
type Config struct {
	Publisher  Publisher
	Spool      *stream.Spool         // nil, or instead of Publisher: what the log doesn't take in time is kept
	Projection Projection            // nil where no projector is near: wait=projected isn't to be had
	Metrics    prometheus.Registerer // nil counts nothing
	Logger     *slog.Logger          // nil is silent
	Now        func() time.Time      // nil is time.Now

	// PublishWithin bounds the wait for the log to take a group of events; 0
	// means 10 s. WaitWithin bounds the wait for rows; 0 means 30 s.
	PublishWithin, WaitWithin time.Duration
}

// Service takes events in over HTTP.
type Service struct {
	cfg     Config
	metrics *metrics

	mu    sync.Mutex
	slots map[string]chan struct{} // of each source
}

// Bounds of one request and of one source.
const (
	maxEvents       = 10000 // of one request
	requestsAtATime = 8     // of one source, so that none starves the others
	slotWait        = 5 * time.Second
)

// New checks the configuration and registers the metrics.
func New(cfg Config) (*Service, error) {
	if cfg.Spool != nil {
		cfg.Publisher = cfg.Spool
	}
	if cfg.Publisher == nil {
		return nil, errors.New("intake: a publisher is needed")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.PublishWithin <= 0 {
		cfg.PublishWithin = 10 * time.Second
	}
	if cfg.WaitWithin <= 0 {
		cfg.WaitWithin = 30 * time.Second
	}
	m, err := newMetrics(cfg.Metrics, cfg.Spool, cfg.Now)
	if err != nil {
		return nil, err
	}
	return &Service{cfg: cfg, metrics: m, slots: map[string]chan struct{}{}}, nil
}

// Routes adds the routes of the service to a router of web.NewRouter, on which
// access.Require stands.
func (s *Service) Routes(router *mux.Router) {
	router.HandleFunc("/v1/events", s.postEvents).Methods(http.MethodPost)
	router.HandleFunc("/schemas/{type}", getSchema).Methods(http.MethodGet)
}

// slot lets a source have so many publications under way and no more. Sources
// are those of tokens, so there are few.
func (s *Service) slot(ctx context.Context, source string) (release func(), err error) {
	s.mu.Lock()
	slots, ok := s.slots[source]
	if !ok {
		slots = make(chan struct{}, requestsAtATime)
		s.slots[source] = slots
	}
	s.mu.Unlock()
	wait := time.NewTimer(slotWait)
	defer wait.Stop()
	select {
	case slots <- struct{}{}:
		return sync.OnceFunc(func() { <-slots }), nil
	case <-wait.C:
	case <-ctx.Done():
	}
	return nil, &web.Error{Code: web.CodeUnavailable, Message: "Too many publications of this source are under way. Send fewer at a time, and more events in each."}
}

// getSchema serves GET /schemas/{type}.
func getSchema(w http.ResponseWriter, r *http.Request) {
	schema, ok := events.Schema(events.Type(mux.Vars(r)["type"]))
	if !ok {
		web.WriteError(w, r, &web.Error{Code: web.CodeNotFound, Message: "There is no event type of this name and version. Names look like " + string(events.TypeCaseBooked) + "."})
		return
	}
	w.Header().Set("Content-Type", "application/schema+json")
	// The schema of a version never changes but for its words.
	w.Header().Set("Cache-Control", "public, max-age=3600")
	_, _ = w.Write(schema)
}
