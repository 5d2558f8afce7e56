package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"

	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/migrations"
)

// servers says which Postgres and NATS to use.
type servers struct {
	DatabaseURL string `env:"DATABASE_URL" help:"PostgreSQL 15 or newer, postgres://user@host/database."`
	NatsURL     string `env:"NATS_URL" help:"NATS server with JetStream, nats://host:port."`
	NatsCreds   string `env:"NATS_CREDS" help:"NATS credentials file."`
	Schema      string `env:"LENSLEDGER_SCHEMA" default:"registry" help:"Database schema of the archive; the read models are in <schema>_model."`
	InboxPrefix string `env:"NATS_INBOX_PREFIX" help:"Prefix of this program's reply subjects, where its NATS user may use no other."`
	MaxBytes    int64  `env:"LENSLEDGER_STREAM_MAX_BYTES" help:"Bound of the stream when this program creates it; about six tenths of the server's disk."`
	Replicas    int    `env:"LENSLEDGER_REPLICAS" default:"1" help:"Least number of copies of the stream."`

	streamLater bool // start without NATS too: what is published waits for it elsewhere
}

func (s servers) check() error {
	if s.DatabaseURL == "" {
		return errors.New("no database: set DATABASE_URL, for example postgres://lensledger@localhost/lensledger")
	}
	return nil
}

func (s servers) checkStream() error {
	if s.NatsURL == "" {
		return errors.New("no event stream: set NATS_URL, for example nats://localhost:4222")
	}
	return s.check()
}

// database connects and brings the archive's schema up to date.
func (s servers) database(ctx context.Context) (*pgxpool.Pool, error) {
	if err := pg.Migrate(ctx, s.DatabaseURL, s.Schema, migrations.FS); err != nil {
		return nil, err
	}
	return pg.Connect(ctx, s.DatabaseURL, s.Schema, poolSize)
}

// withBoth opens Postgres and the event stream, as name in NATS's list of clients.
func (s servers) withBoth(ctx context.Context, name string, do func(*pgxpool.Pool, *stream.Stream) error) error {
	if err := s.checkStream(); err != nil {
		return err
	}
	pool, err := s.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	opened, err := s.stream(ctx, pool, nil, name)
	if err != nil {
		return err
	}
	defer opened.Close()
	return do(pool, opened)
}

// poolSize is the most database connections of one process: pages and answers
// beside a projector and the workers of a rebuild.
const poolSize = 16

// stream opens the event stream; local is the server in this process, if any.
func (s servers) stream(ctx context.Context, pool *pgxpool.Pool, local *stream.Server, name string) (*stream.Stream, error) {
	cfg := stream.Config{Server: local, URL: s.NatsURL, CredentialsFile: s.NatsCreds, Name: "lensledger " + name,
		ManageStream: true, ConnectLater: s.streamLater, Replicas: s.Replicas, MaxBytes: s.MaxBytes, InboxPrefix: s.InboxPrefix, Logger: slog.Default()}
	if local != nil {
		cfg.URL, cfg.CredentialsFile, cfg.InboxPrefix = "", "", ""
	}
	var position int64
	if err := pool.QueryRow(ctx, "SELECT epoch, position FROM stream_state").Scan(&cfg.ExpectEpoch, &position); err != nil {
		return nil, fmt.Errorf("read the position: %w", err)
	}
	cfg.MinLastSequence = uint64(position)
	opened, err := stream.Open(ctx, cfg)
	if err != nil {
		return nil, err
	}
	for _, setting := range opened.Unverified() {
		slog.Warn("a setting of the NATS server can't be read from here; check it in the server's own configuration", "setting", setting)
	}
	return opened, nil
}

// logTo sets up the program's log: JSON lines on standard error.
func logTo(level slog.Level) {
	slog.SetDefault(slog.New(slog.NewJSONHandler(os.Stderr, &slog.HandlerOptions{Level: level})))
}
