package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"

	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/sync/errgroup"

	"lensledger/events/stream"
	"lensledger/projections/projector"
	"lensledger/services/access"
	"lensledger/services/web"
)

// issuers are whose tokens are taken.
type issuers struct {
	Issuer    []string `env:"LENSLEDGER_ISSUERS" sep:";" help:"Token issuers, each ISSUER|AUDIENCE|KEY-SET-URL."`
	Operators string   `env:"LENSLEDGER_OPERATOR_TOKEN" help:"Bearer token for /metrics from other machines."`
}

func (i issuers) list() ([]access.Issuer, error) {
	var out []access.Issuer
	for _, s := range i.Issuer {
		parts := strings.Split(s, "|")
		if len(parts) != 3 {
			return nil, fmt.Errorf("token issuer %q: allowed is ISSUER|AUDIENCE|KEY-SET-URL", s)
		}
		out = append(out, access.Issuer{URL: parts[0], Audience: parts[1], KeySetURL: parts[2]})
	}
	return out, nil
}

type serveCommand struct {
	servers
	issuers
	Listen  string `env:"LENSLEDGER_LISTEN" default:"127.0.0.1:8080" help:"HOST:PORT to serve on."`
	Project bool   `help:"Run the projector in this process too."`
	spoolFlags
	minimumFlags
	signOnFlags
}

// Run serves over HTTP.
func (c *serveCommand) Run(ctx context.Context) error {
	logTo(slog.LevelInfo)
	issuers, err := c.list()
	if err != nil {
		return err
	}
	minimums, err := c.minimums()
	if err != nil {
		return err
	}
	signOn, err := c.signOn()
	if err != nil {
		return err
	}
	c.streamLater = c.Spool != ""
	return c.withBoth(ctx, "serve", func(pool *pgxpool.Pool, s *stream.Stream) error {
		spool, err := c.openSpool(s.Publisher())
		if err != nil {
			return err
		}
		a, err := newApp(ctx, appConfig{Pool: pool, Schema: c.Schema, Stream: s, Spool: spool, Listen: c.Listen, Issuers: issuers,
			OperatorToken: c.Operators, Project: c.Project, Minimums: minimums, SignOn: signOn, Sessions: c.sessions(), PublicURL: c.PublicURL})
		if err == nil {
			err = a.Run(ctx)
		}
		if spool != nil {
			err = errors.Join(err, spool.Close())
		}
		return err
	})
}

type projectCommand struct {
	servers
	Listen string `env:"LENSLEDGER_PROJECT_LISTEN" default:"127.0.0.1:8081" help:"HOST:PORT of /metrics, /healthz and /readyz; this machine's only, or behind a proxy of yours."`
}

// Run follows the stream.
func (c *projectCommand) Run(ctx context.Context) error {
	logTo(slog.LevelInfo)
	return c.withBoth(ctx, "project", func(pool *pgxpool.Pool, s *stream.Stream) error {
		registry := newRegistry()
		p := projector.New(projector.Config{Pool: pool, Base: c.Schema, Stream: s, Registerer: registry})
		health := web.NewHealth(slog.Default(), healthChecks(pool, s, p, staleAfter, true)...)
		router := web.NewRouter()
		router.HandleFunc("/healthz", health.Live).Methods(http.MethodGet)
		router.HandleFunc("/readyz", health.Ready).Methods(http.MethodGet)
		router.Handle("/metrics", web.MetricsHandler(registry)).Methods(http.MethodGet)
		server, err := web.New(web.Config{Listen: c.Listen, Handler: web.Handler(router, web.Options{Logger: slog.Default()}), Logger: slog.Default()})
		if err != nil {
			return err
		}
		group, ctx := errgroup.WithContext(ctx)
		group.Go(func() error { return p.Run(ctx) })
		group.Go(func() error { return server.Run(ctx) })
		return group.Wait()
	})
}

// withArchive opens Postgres alone: what the archive is enough for.
func (s servers) withArchive(ctx context.Context, do func(*projector.Projector) error) error {
	logTo(slog.LevelInfo)
	if err := s.check(); err != nil {
		return err
	}
	pool, err := s.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	return do(projector.New(projector.Config{Pool: pool, Base: s.Schema}))
}

type rebuildCommand struct{ servers }

// Run rebuilds the read models from the archive.
func (c *rebuildCommand) Run(ctx context.Context) error {
	return c.withArchive(ctx, func(p *projector.Projector) error { return p.Rebuild(ctx) })
}
