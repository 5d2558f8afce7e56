package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/migrations"
	"lensledger/projections/projector"
	"lensledger/services/web"
)

// A dependency that is away is waited for: readiness falls, nothing goes to
// quarantine, and everything that was sent meanwhile is projected afterwards.
// Readiness falls too when all are there and the position doesn't move.
func TestDeadDependencies(t *testing.T) {
	if testing.Short() {
		t.Skip("-short: starts servers")
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	dir := quickDir(t)
	if err := os.Chmod(dir, 0o755); err != nil { // Postgres runs as a user of its own
		t.Fatal(err)
	}
	startDatabase := func() *pg.Server {
		database, err := pg.StartServer(ctx, pg.ServerConfig{DataDir: filepath.Join(dir, "pg")})
		if err != nil {
			t.Fatal(err)
		}
		return database
	}
	port := 0
	startLog := func() *stream.Server {
		server, err := stream.StartServer(stream.ServerConfig{StoreDir: filepath.Join(dir, "log"), Port: port, AdminPassword: "pass-for-this-test", MaxFileBytes: 1 << 30})
		if err != nil {
			t.Fatal(err)
		}
		return server
	}
	database, server := startDatabase(), startLog()
	defer func() {
		server.Close()
		if err := database.Close(); err != nil {
			t.Error(err)
		}
	}()
	if _, err := fmt.Sscanf(server.ClientURL()[strings.LastIndex(server.ClientURL(), ":"):], ":%d", &port); err != nil {
		t.Fatal(err)
	}
	const base = "ready"
	if err := pg.Migrate(ctx, database.URL(), base, migrations.FS); err != nil {
		t.Fatal(err)
	}
	pool, err := pg.Connect(ctx, database.URL(), base, 8)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	log, err := stream.Open(ctx, stream.Config{URL: strings.Replace(server.ClientURL(), "nats://", "nats://lensledger:pass-for-this-test@", 1),
		ManageStream: true, MaxBytes: 1 << 28})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	quiet := slog.New(slog.DiscardHandler)
	p := projector.New(projector.Config{Pool: pool, Base: base, Stream: log, Log: quiet})
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	checks := healthChecks(pool, log, p, 500*time.Millisecond, true)
	failing := func() string {
		var out []string
		for _, c := range checks {
			within, cancel := context.WithTimeout(ctx, 2*time.Second)
			if err := runCheck(within, c); err != nil {
				out = append(out, c.Name)
			}
			cancel()
		}
		return strings.Join(out, ",")
	}
	until := func(what string, so func(string) bool) {
		t.Helper()
		select {
		case err := <-ended:
			t.Fatalf("the projector ended: %v", err)
		default:
		}
		for began := time.Now(); ; time.Sleep(50 * time.Millisecond) {
			said := failing()
			if so(said) {
				return
			}
			if time.Since(began) > 30*time.Second {
				t.Fatalf("%s: failing are %q", what, said)
			}
		}
	}
	ready := func(said string) bool { return said == "" }
	fails := func(name string) func(string) bool {
		return func(said string) bool { return strings.Contains(said, name) }
	}
	sent := 0
	send := func() {
		t.Helper()
		sent++
		e := events.Event{ID: fmt.Sprintf("e%d", sent), Source: "ehr-harbour", Type: events.TypeCaseFinished, Subject: "K-1", Department: "HARBOUR",
			Time: time.Date(2025, 3, 12, 10, 0, 0, 0, time.UTC), Data: &events.CaseFinished{}}
		if _, err := log.Publisher().Publish(ctx, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()}); err != nil {
			t.Fatal(err)
		}
	}
	leads := func(said string) bool { return said == "" && checks[2].Note() == projector.Leads }
	until("at the start", leads)
	// Another beside it stands by, ready, and says so.
	second := projector.New(projector.Config{Pool: pool, Base: base, Stream: log, Log: quiet})
	secondEnded := make(chan error, 1)
	go func() { secondEnded <- second.Run(ctx) }()
	standby := healthChecks(pool, log, second, 500*time.Millisecond, true)[2]
	if err := runCheck(ctx, standby); err != nil || standby.Note() != projector.StandsBy {
		t.Errorf("the second %s: %v", standby.Note(), err)
	}
	// Another session keeps the position locked: all servers answer, nothing moves.
	if err := pgx.BeginFunc(ctx, pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "SELECT position FROM stream_state FOR UPDATE"); err != nil {
			return err
		}
		send()
		until("a locked position", fails("projection"))
		if p.Stalled() <= 0 {
			t.Error("the position stands still and Stalled doesn't say so")
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	until("after the lock", ready)
	if p.Stalled() != 0 {
		t.Errorf("nothing waits, and the position stands still for %s", p.Stalled())
	}
	// Postgres is away.
	if err := database.Close(); err != nil {
		t.Fatal(err)
	}
	until("without Postgres", fails("postgres"))
	send()
	send()
	database = startDatabase()
	until("with Postgres again", ready)
	// NATS is away, and with a new process of its own back.
	server.Close()
	until("without NATS", fails("stream"))
	server = startLog()
	until("with NATS again", func(said string) bool { return said == "" && log.Connected() })
	send()
	until("in the end", func(said string) bool {
		lag, _, err := p.Lag(ctx)
		return said == "" && err == nil && lag == 0
	})
	var accepted, others, quarantined int
	if err := pool.QueryRow(ctx, `SELECT count(*) FILTER (WHERE disposition = 'accepted'), count(*) FILTER (WHERE disposition <> 'accepted'),
		(SELECT count(*) FROM quarantine) FROM arrival`).Scan(&accepted, &others, &quarantined); err != nil {
		t.Fatal(err)
	}
	if accepted != sent || others != 0 || quarantined != 0 {
		t.Errorf("%d sent, %d accepted, %d others, %d in quarantine", sent, accepted, others, quarantined)
	}
	stop()
	for _, run := range []chan error{ended, secondEnded} {
		if err := <-run; !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	}
}

func runCheck(ctx context.Context, c web.Check) error {
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}
