package web

import (
	"context"
	"log/slog"
	"net/http"
	"sync"
	"time"
)

// Check is one thing that must work before requests are sent here.
type Check struct {
	Name string                      // as /readyz lists it, for example "postgres"
	Run  func(context.Context) error // nil when it works

	// Note is shown beside the status, to anyone who asks; nil shows nothing.
	Note func() string
}

// Health answers GET /healthz and GET /readyz.
type Health struct {
	checks []Check
	log    *slog.Logger

	mu      sync.Mutex
	checked time.Time
	last    readiness
}

const (
	checkTimeout = 2 * time.Second
	// Anyone may ask; the checks run no more often than this.
	checkEvery = time.Second
)

// NewHealth takes the checks of readiness. log, which may be nil, hears why one
// fails, since the answer, which anyone may read, doesn't say it.
func NewHealth(log *slog.Logger, checks ...Check) *Health {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Health{checks: checks, log: log}
}

// Live answers 200 as long as the process answers at all.
func (h *Health) Live(w http.ResponseWriter, _ *http.Request) {
	WriteJSON(w, http.StatusOK, map[string]string{"status": "live"})
}

type readiness struct {
	Status string        `json:"status"` // ready, not-ready
	Checks []checkResult `json:"checks"`
}

type checkResult struct {
	Name   string `json:"name"`
	Status string `json:"status"` // ok, failing
	Note   string `json:"note,omitempty"`
}

// Ready answers 200 when every check passes, else 503; the body names each.
func (h *Health) Ready(w http.ResponseWriter, r *http.Request) {
	state := h.state(context.WithoutCancel(r.Context()))
	status := http.StatusOK
	if state.Status != "ready" {
		status = http.StatusServiceUnavailable
		w.Header().Set("Retry-After", "5")
	}
	WriteJSON(w, status, state)
}

func (h *Health) state(ctx context.Context) readiness {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.last.Status != "" && time.Since(h.checked) < checkEvery {
		return h.last
	}
	ctx, cancel := context.WithTimeout(ctx, checkTimeout)
	defer cancel()
	errs := make([]error, len(h.checks))
	var all sync.WaitGroup
	for i, c := range h.checks {
		all.Go(func() { errs[i] = runWithin(ctx, c) })
	}
	all.Wait()
	now := readiness{Status: "ready", Checks: []checkResult{}}
	for i, c := range h.checks {
		result := checkResult{Name: c.Name, Status: "ok"}
		if c.Note != nil {
			result.Note = c.Note()
		}
		if errs[i] != nil {
			result.Status, now.Status = "failing", "not-ready"
			h.log.LogAttrs(ctx, slog.LevelWarn, "not ready", slog.String("check", c.Name), slog.String("error", errs[i].Error()))
		}
		now.Checks = append(now.Checks, result)
	}
	h.last, h.checked = now, time.Now()
	return now
}

// runWithin ends with the context even if the check doesn't: a stuck dependency
// is what readiness is there to show.
func runWithin(ctx context.Context, c Check) error {
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}
