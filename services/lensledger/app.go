package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"golang.org/x/sync/errgroup"

	"lensledger/events/stream"
	"lensledger/projections/learning"
	"lensledger/projections/projector"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/intake"
	"lensledger/services/portal"
	"lensledger/services/web"
)

// appConfig is what one process serves.
type appConfig struct {
	Pool          *pgxpool.Pool
	Schema        string
	Stream        *stream.Stream
	Spool         *stream.Spool // nil, or where events wait while the stream is away
	Listen        string
	Issuers       []access.Issuer
	SignOn        *access.SignOn // nil: people sign in with a token
	Sessions      access.SessionConfig
	PublicURL     string // of the pages; empty is unknown
	OperatorToken string
	Personas      []portal.Persona                             // the demo's people, to pick from
	PersonaToken  func(string) (string, error)                 // a token for one of them
	Project       bool                                         // run the projector in this process too
	Ready         func(ctx context.Context, addr string) error // called once pages answer
	Minimums      []learning.Minimum                           // nil: the published ones
}

// app wires the services of one process together.
type app struct {
	appConfig
	projector *projector.Projector
	watcher   *projector.Watcher
	sessions  *access.Sessions
	server    *web.Server
	desk      *intake.Service
}

func newApp(ctx context.Context, cfg appConfig) (*app, error) {
	registry := newRegistry()
	log := slog.Default()
	a := &app{appConfig: cfg, watcher: projector.NewWatcher(cfg.Pool, cfg.Schema)}
	var projectorMetrics prometheus.Registerer
	if cfg.Project {
		projectorMetrics = registry
	}
	a.projector = projector.New(projector.Config{Pool: cfg.Pool, Base: cfg.Schema, Stream: cfg.Stream, Registerer: projectorMetrics, Log: log})

	tokens, err := access.NewVerifier(ctx, cfg.Issuers)
	if err != nil {
		return nil, err
	}
	in, err := intake.New(intake.Config{Publisher: cfg.Stream.Publisher(), Spool: cfg.Spool, Projection: a.watcher, Metrics: registry, Logger: log})
	if err != nil {
		return nil, err
	}
	a.desk = in
	answers, err := analytics.New(analytics.Config{Pool: cfg.Pool, Base: cfg.Schema, Desk: in, Releaser: a.projector, Positions: a.watcher, Metrics: registry, Logger: log,
		Minimums: cfg.Minimums})
	if err != nil {
		return nil, err
	}
	cfg.Sessions.Pool, cfg.Sessions.Logger = cfg.Pool, log
	if a.sessions, err = access.NewSessions(cfg.Sessions); err != nil {
		return nil, err
	}
	pages, err := portal.New(portal.Config{Pool: cfg.Pool, Desk: in, Releaser: a.projector, Projection: a.watcher, Logger: log, Tokens: tokens,
		Sessions: a.sessions, SignOn: cfg.SignOn, Personas: cfg.Personas, PersonaToken: cfg.PersonaToken, Minimums: cfg.Minimums, AtOnce: poolSize / 3})
	if err != nil {
		return nil, err
	}
	router := web.NewRouter()
	router.Use(access.Require(access.Config{Tokens: tokens, Sessions: a.sessions, Logger: log, OperatorToken: cfg.OperatorToken, PublicURL: cfg.PublicURL, RefusePage: pages.Refuse}))
	compress, err := web.Compress("/v1/changes")
	if err != nil {
		return nil, err
	}
	router.Use(compress)
	in.Routes(router)
	answers.Routes(router)
	pages.Routes(router)
	health := web.NewHealth(log, withSpool(healthChecks(cfg.Pool, cfg.Stream, a.projector, staleAfter, cfg.Project), cfg.Stream, cfg.Spool)...)
	router.HandleFunc("/healthz", health.Live).Methods(http.MethodGet)
	router.HandleFunc("/readyz", health.Ready).Methods(http.MethodGet)
	router.Handle("/metrics", web.MetricsHandler(registry)).Methods(http.MethodGet)
	if unlisted := access.Unlisted(router); len(unlisted) > 0 {
		return nil, fmt.Errorf("routes without a row in the access matrix: %v", unlisted)
	}
	metrics, err := web.NewMetrics(registry)
	if err != nil {
		return nil, err
	}
	a.server, err = web.New(web.Config{Listen: cfg.Listen, Handler: web.Handler(router, web.Options{Logger: log, Metrics: metrics}), Logger: log})
	return a, err
}

// newRegistry holds a process's metrics.
func newRegistry() *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

// staleAfter is how long a message may wait to be projected, or the position stand
// still while messages wait, before the process says that it isn't ready: answers
// would be older than they look. With the time between two probes it makes 30 s.
const staleAfter = 25 * time.Second

// healthChecks are the checks of readiness; projects says whether this process
// leads or stands by, and doesn't only read.
func healthChecks(pool *pgxpool.Pool, s *stream.Stream, p *projector.Projector, stale time.Duration, projects bool) []web.Check {
	projection := web.Check{Name: "projection", Run: func(ctx context.Context) error {
		lag, age, err := p.Lag(ctx)
		switch still := p.Stalled(); {
		case err != nil:
			return err
		case age > stale:
			return fmt.Errorf("%d messages wait to be projected, the oldest for %s", lag, age.Round(time.Second))
		case still > stale:
			return fmt.Errorf("%d messages wait to be projected, none was for %s", lag, still.Round(time.Second))
		}
		return nil
	}}
	if projects {
		projection.Note = p.Standing
	}
	return []web.Check{
		{Name: "postgres", Run: pool.Ping},
		{Name: "stream", Run: func(context.Context) error {
			if !s.Connected() {
				return errors.New("not connected to NATS")
			}
			return nil
		}},
		projection,
	}
}

// Run serves until ctx ends or a part fails.
func (a *app) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	if a.Project {
		group.Go(func() error { return a.projector.Run(ctx) })
	}
	group.Go(func() error { return a.watcher.Run(ctx) })
	group.Go(func() error { return a.sessions.Run(ctx) })
	if a.Spool != nil {
		group.Go(func() error { return a.Spool.Run(ctx) })
		group.Go(func() error { return verifyLater(ctx, a.Stream) })
	}
	group.Go(func() error { return a.server.Run(ctx) })
	if a.Ready != nil {
		group.Go(func() error { return a.Ready(ctx, a.server.Addr()) })
	}
	err := group.Wait()
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// verifyLater ends with an error if a stream that was away turns out, once it is
// there, to be another than the one of record, or one that keeps no promises.
func verifyLater(ctx context.Context, s *stream.Stream) error {
	for {
		err := s.Verify(ctx)
		if err == nil || !stream.Away(err) {
			return err
		}
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
			return nil
		}
	}
}
