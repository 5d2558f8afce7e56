package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"strings"

	"lensledger/projections/projector"
	"lensledger/services/access"
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
}

// Run serves over HTTP.
func (c *serveCommand) Run(ctx context.Context) error {
	logTo(slog.LevelInfo)
	if err := c.checkStream(); err != nil {
		return err
	}
	issuers, err := c.list()
	if err != nil {
		return err
	}
	pool, err := c.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	s, err := c.stream(ctx, pool, nil, "serve")
	if err != nil {
		return err
	}
	defer s.Close()
	a, err := newApp(ctx, appConfig{Pool: pool, Schema: c.Schema, Stream: s, Listen: c.Listen, Issuers: issuers,
		OperatorToken: c.Operators, Project: c.Project})
	if err != nil {
		return err
	}
	return a.Run(ctx)
}

type projectCommand struct{ servers }

// Run follows the stream.
func (c *projectCommand) Run(ctx context.Context) error {
	return c.withProjector(ctx, func(p *projector.Projector) error { return p.Run(ctx) })
}

// withProjector opens both servers and makes a projector.
func (s servers) withProjector(ctx context.Context, do func(*projector.Projector) error) error {
	logTo(slog.LevelInfo)
	if err := s.checkStream(); err != nil {
		return err
	}
	pool, err := s.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	opened, err := s.stream(ctx, pool, nil, "project")
	if err != nil {
		return err
	}
	defer opened.Close()
	return do(projector.New(projector.Config{Pool: pool, Base: s.Schema, Stream: opened}))
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

type verifyCommand struct{ servers }

// Run compares live and rebuilt read models; it fails when they differ.
func (c *verifyCommand) Run(ctx context.Context) error {
	return c.withArchive(ctx, func(p *projector.Projector) error {
		v, err := p.Verify(ctx)
		if err != nil {
			return err
		}
		if err := json.NewEncoder(os.Stdout).Encode(v); err != nil {
			return err
		}
		if !v.Equal() {
			return fmt.Errorf("the live read models differ from the archive's at position %d: %s; run lensledger rebuild",
				v.Position, strings.Join(v.Differing(), "; "))
		}
		return nil
	})
}
