package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
	"lensledger/services/access"
)

type demoCommand struct {
	servers
	Listen string `default:"127.0.0.1:8080" help:"HOST:PORT to serve on; port 0 lets the system choose."`
	Data   string `help:"Folder of the demo's stream, database and tokens. Default: lensledger-demo in the system's folder for temporary files."`
	Empty  bool   `help:"Load nothing: an empty registry to publish to."`
	Once   bool   `help:"Load, print the figures as JSON, and exit."`
	Seed   uint64 `help:"Seed of the invented scenario; 0 is the demo's own."`
	Cases  int    `default:"6000" help:"Number of invented operations."`
	minimumFlags
}

// Run starts everything on this machine, loads the invented scenario and serves.
func (c *demoCommand) Run(ctx context.Context) (err error) {
	began := time.Now()
	logTo(slog.LevelWarn)
	if c.Data == "" {
		c.Data = filepath.Join(os.TempDir(), "lensledger-demo")
	}
	if c.Data, err = filepath.Abs(c.Data); err != nil {
		return err
	}
	if err := os.MkdirAll(c.Data, 0o755); err != nil {
		return fmt.Errorf("make the demo's folder: %w", err)
	}
	if err := c.checkListen(); err != nil {
		return err
	}
	say := func(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) }
	if err := c.preload(ctx, say); err != nil {
		return err
	}
	local, stopLocal, err := c.startLocal(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stopLocal()) }()
	pool, err := c.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	s, err := c.stream(ctx, pool, local, "demo")
	if err != nil {
		return err
	}
	defer s.Close()
	if !c.Empty && local == nil {
		if err := c.publishInto(ctx, s, say); err != nil {
			return err
		}
	}
	if c.Once {
		return c.once(ctx, pool, s)
	}
	return c.serve(ctx, pool, s, func(addr string) {
		say("\n%s\n", simulate.Invented)
		say("lensledger answers at http://%s/ after %s.", addr, time.Since(began).Round(100*time.Millisecond))
		say("Pick a person on the first page, or take a token from %s.", filepath.Join(c.Data, "personas.json"))
		if local != nil {
			say("Events go to http://%s/v1/events.", addr)
		}
		say("For quality improvement only; local governance and licensed practice decide. Ctrl-C stops.")
	})
}

// checkListen tells of a port in use before anything is loaded.
func (c *demoCommand) checkListen() error {
	if c.Once {
		return nil
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("%w; choose another with --listen HOST:PORT", err)
	}
	return l.Close()
}

// startLocal starts the servers that weren't given by address.
func (c *demoCommand) startLocal(ctx context.Context) (local *stream.Server, stop func() error, err error) {
	var postgres *pg.Server
	stop = func() error {
		if local != nil {
			local.Close()
		}
		if postgres != nil {
			return postgres.Close()
		}
		return nil
	}
	if c.DatabaseURL == "" {
		if postgres, err = pg.StartServer(ctx, pg.ServerConfig{DataDir: filepath.Join(c.Data, "postgres"), Durable: true}); err != nil {
			return nil, nil, err
		}
		c.DatabaseURL = postgres.URL()
	}
	if c.NatsURL == "" {
		if local, err = stream.StartServer(stream.ServerConfig{StoreDir: c.log()}); err != nil {
			return nil, nil, errors.Join(err, stop())
		}
	}
	return local, stop, nil
}

// preload fills the log of a new demo with the invented scenario before the
// server starts. A demo that is started again goes on where it stopped.
func (c *demoCommand) preload(ctx context.Context, say func(string, ...any)) error {
	if c.Empty || c.NatsURL != "" {
		return nil
	}
	began := time.Now()
	published := 0
	err := stream.Load(ctx, c.log(), func(ctx context.Context, p *stream.Publisher) (err error) {
		published, err = publish(ctx, p, scenarioOf(c.Seed, c.Cases))
		return err
	})
	if errors.Is(err, stream.ErrNotEmpty) {
		say("The registry goes on with what %s holds.", c.Data)
		return nil
	}
	if err != nil {
		return fmt.Errorf("load the invented scenario: %w", err)
	}
	say("%d invented events published in %s.", published, time.Since(began).Round(100*time.Millisecond))
	return nil
}

// publishInto sends the scenario to a server that was given by address, unless
// its stream holds events already.
func (c *demoCommand) publishInto(ctx context.Context, s *stream.Stream, say func(string, ...any)) error {
	info, err := s.Info(ctx)
	if err != nil || info.Last > 0 {
		return err
	}
	n, err := publish(ctx, s.Publisher(), scenarioOf(c.Seed, c.Cases))
	say("%d invented events published.", n)
	return err
}

func (c *demoCommand) log() string { return filepath.Join(c.Data, "nats") }

// serve runs everything in this process until ctx ends.
func (c *demoCommand) serve(ctx context.Context, pool *pgxpool.Pool, s *stream.Stream, ready func(addr string)) error {
	issuer, err := access.NewDevIssuer(c.Data)
	if err != nil {
		return err
	}
	if err := writePersonas(filepath.Join(c.Data, "personas.json"), issuer); err != nil {
		return err
	}
	minimums, err := c.minimums()
	if err != nil {
		return err
	}
	a, err := newApp(ctx, appConfig{Pool: pool, Schema: c.Schema, Stream: s, Listen: c.Listen, Project: true, Minimums: minimums,
		Issuers: []access.Issuer{issuer.Issuer()}, Personas: personas, PersonaToken: personaToken(issuer)})
	if err != nil {
		return err
	}
	info, err := s.Info(ctx)
	if err != nil {
		return err
	}
	a.Ready = func(ctx context.Context, addr string) error {
		if err := a.watcher.Wait(ctx, info.Last); err != nil {
			return err
		}
		if err := c.tend(ctx, a); err != nil {
			return err
		}
		ready(addr)
		return nil
	}
	return a.Run(ctx)
}

// tend lets the demo's quality officer look after some of the signals.
func (c *demoCommand) tend(ctx context.Context, a *app) error {
	if c.Empty {
		return nil
	}
	last, err := a.tendSignals(ctx, actors["quality"], time.Now())
	if err != nil || last == 0 {
		return err
	}
	return a.watcher.Wait(ctx, last)
}

// once projects what was loaded and prints every department's figures.
func (c *demoCommand) once(ctx context.Context, pool *pgxpool.Pool, s *stream.Stream) error {
	p := projector.New(projector.Config{Pool: pool, Base: c.Schema, Stream: s})
	if err := p.RunToEnd(ctx); err != nil {
		return err
	}
	return printFigures(ctx, os.Stdout, pool)
}

// figures are what --once prints.
type figures struct {
	Notice      string                  `json:"notice"`
	AsOf        archive.AsOf            `json:"as_of"`
	Definition  string                  `json:"definition"`
	Departments []department.Benchmarks `json:"departments"`
}

func printFigures(ctx context.Context, out io.Writer, pool *pgxpool.Pool) error {
	f := figures{Notice: simulate.Invented, Definition: department.Definition}
	// The demo's own registry: nobody's eyes but this program's.
	err := pg.AsWriter(ctx, pool, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(ctx, tx, "")
		if err != nil {
			return err
		}
		f.AsOf = asOf
		spans, err := department.Spans(ctx, tx)
		if err != nil {
			return err
		}
		for _, s := range spans {
			b, err := department.Read(ctx, tx, s.Department, s.Period, asOf)
			if err != nil {
				return err
			}
			f.Departments = append(f.Departments, b)
		}
		return nil
	})
	if err != nil {
		return err
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	return enc.Encode(f)
}
