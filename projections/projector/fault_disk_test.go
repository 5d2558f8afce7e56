package projector_test

import (
	"context"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
	"lensledger/projections/pg"
	"lensledger/projections/pg/migrations"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// private is a registry in a Postgres of its own, which can be broken.
type private struct {
	*registry
	postgres *pg.Server
	dataDir  string
}

func newPrivate(t *testing.T, dataDir string) *private {
	t.Helper()
	r := &private{dataDir: dataDir, registry: &registry{}}
	r.start(t)
	r.DB = &pgtest.DB{URL: r.postgres.URL(), Base: "lensledger"}
	if err := pg.Migrate(t.Context(), r.URL, r.Base, migrations.FS); err != nil {
		t.Fatal(err)
	}
	r.connect(t)
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true, MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	if r.stream, err = stream.Open(t.Context(), stream.Config{Server: server, ManageStream: true}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.stream.Close)
	return r
}

func (r *private) start(t *testing.T) {
	t.Helper()
	server, err := pg.StartServer(t.Context(), pg.ServerConfig{DataDir: r.dataDir, Durable: true})
	if err != nil {
		t.Fatal(err)
	}
	if r.DB != nil && server.URL() != r.URL {
		t.Fatalf("Postgres came back as %s, it was %s", server.URL(), r.URL)
	}
	r.postgres = server
	t.Cleanup(func() { _ = server.Close() }) // it may be down
}

func (r *private) connect(t *testing.T) {
	t.Helper()
	var err error
	if r.Pool, err = pg.Connect(t.Context(), r.URL, r.Base, 8); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Pool.Close)
}

// revive is the supervisor: it starts Postgres again if it is down.
func (r *private) revive(t *testing.T) (restarted bool) {
	t.Helper()
	for begun := time.Now(); time.Since(begun) < 5*time.Second; time.Sleep(100 * time.Millisecond) {
		conn, err := pgx.Connect(t.Context(), r.URL)
		if err == nil {
			conn.Close(t.Context())
			return false
		}
	}
	_ = r.postgres.Close() // it may have ended by itself
	r.start(t)
	return true
}

// listener is a log in which a test waits for a line.
type listener struct {
	slog.Handler
	heard chan string
}

func (l listener) Handle(_ context.Context, line slog.Record) error {
	text := line.Message
	line.Attrs(func(a slog.Attr) bool { text += " " + a.String(); return true })
	select {
	case l.heard <- text:
	default:
	}
	return nil
}

// Postgres' disk is full, for its tables or for its write-ahead log, which it doesn't
// survive: the projector waits, sets no event aside for it, and goes on by itself
// once there is room and Postgres runs.
func TestAFullPostgresDiskIsWaitedFor(t *testing.T) {
	if testing.Short() {
		t.Skip("it needs a Postgres of its own")
	}
	disk := streamtest.NewSmallDisk(t, 256<<20)
	passable(t, disk.Dir)
	r := newPrivate(t, filepath.Join(disk.Dir, "pg"))
	heard := make(chan string, 1000)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, BatchMax: 100,
		Log: slog.New(listener{slog.NewTextHandler(os.Stderr, nil), heard})})
	go func() { ended <- p.Run(ctx); close(ended) }()
	defer func() { stop(); <-ended }()
	es := history(12, 60)
	r.publish(t, es[:50]...)
	r.reach(t, 50)
	rest := es[50:]
	filler := filepath.Join(disk.Dir, "filler")
	histories := uint64(100)
	for range streamtest.Rounds(t, 1, 1) {
		for _, wal := range []bool{false, true} {
			if wal && !streamtest.IsLong() {
				continue // Postgres ends and recovers, which takes its time
			}
			for len(heard) > 0 {
				<-heard
			}
			next := func() []events.Event {
				if len(rest) < 400 {
					histories++
					rest = append(rest, history(histories, 60)...)
				}
				part := rest[:400]
				rest = rest[400:]
				return part
			}
			leave := int64(128 << 10)
			if wal {
				leave = 12 << 20
			}
			if err := os.WriteFile(filler, make([]byte, disk.Free(t)-leave), 0o600); err != nil {
				t.Fatal(err)
			}
			for range 8 { // until there is no segment left, nor room for the 16 MiB of another
				if !wal {
					break
				}
				if _, err := r.Pool.Exec(t.Context(), "SELECT pg_logical_emit_message(true, 'test', ''), pg_switch_wal()"); err != nil {
					if !pg.Unavailable(err) {
						t.Fatal(err)
					}
					break
				}
			}
			// What earlier rounds gave up half way is room within the tables, which is used
			// first.
			why := ""
			for parts := 0; why == "" && parts < 10; parts++ {
				r.publish(t, next()...)
				why = waits(t, heard, ended, r)
			}
			if why == "" {
				t.Fatal("the disk is full, and the projector hasn't noticed")
			}
			if err := os.Remove(filler); err != nil {
				t.Fatal(err)
			}
			begun := time.Now()
			restarted := r.revive(t)
			info, err := r.stream.Info(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			r.Pool.Reset()
			r.reach(t, info.Last)
			t.Logf("write-ahead log %v: waited for %.150q; Postgres started again by the supervisor: %v; all projected %s after there was room",
				wal, why, restarted, time.Since(begun).Round(time.Millisecond))
		}
	}
	r.noQuarantine(t)
	r.checkBooks(t)
}

// waits gives the reason for which the projector waits, once it does; nothing if it
// projects all there is.
func waits(t *testing.T, heard <-chan string, ended <-chan error, r *private) string {
	t.Helper()
	info, err := r.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	look := time.NewTicker(time.Second)
	defer look.Stop()
	late := time.After(time.Minute)
	for {
		select {
		case line := <-heard:
			if strings.Contains(line, "waits for Postgres") {
				return line
			}
		case err := <-ended:
			t.Fatalf("the projector gave up: %v", err)
		case <-look.C:
			var position uint64
			if err := r.Pool.QueryRow(t.Context(), "SELECT position FROM checkpoint").Scan(&position); err == nil && position >= info.Last {
				return ""
			}
		case <-late:
			t.Fatal("the projector neither waits nor goes on")
		}
	}
}

// An older copy of the database comes back: the projector goes on from the position
// that is in it, and everything after that counts once.
func TestARestoredOlderDatabaseGoesOn(t *testing.T) {
	if testing.Short() {
		t.Skip("it needs a Postgres of its own")
	}
	dir := t.TempDir()
	passable(t, dir)
	r := newPrivate(t, filepath.Join(dir, "pg"))
	cluster, older := filepath.Join(r.dataDir, "cluster"), filepath.Join(t.TempDir(), "older")
	es := history(13, 20)
	half := len(es) / 2
	exchange := func(from, to string) {
		t.Helper()
		r.Pool.Close()
		if err := r.postgres.Close(); err != nil {
			t.Fatal(err)
		}
		copyOwned(t, from, to)
		r.start(t)
		r.connect(t)
	}
	r.publish(t, es[:half]...)
	r.run(t, 100)
	exchange(cluster, older)
	r.publish(t, es[half:]...)
	r.publish(t, events.Event{ID: "last", Source: "ehr-harbour", Type: events.TypeCaseFinished, Subject: "K-9", Department: "HARBOUR", Time: morning, Data: &events.CaseFinished{}})
	r.run(t, 100)
	want, at := r.contents(t), r.position(t)
	exchange(older, cluster)
	if back := r.position(t); back >= at {
		t.Fatalf("position %d after the older copy came back, it was %d", back, at)
	}
	r.run(t, 100)
	if d := difference(want, r.contents(t)); d != "" || r.position(t) != at {
		t.Errorf("position %d, want %d; %s", r.position(t), at, d)
	}
}

// copyOwned copies a cluster with its owner, whom Postgres insists on.
func copyOwned(t *testing.T, from, to string) {
	t.Helper()
	if err := os.RemoveAll(to); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("cp", "-a", from, to).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
}

// passable lets the user that Postgres runs as pass the test's own folders.
func passable(t *testing.T, dir string) {
	t.Helper()
	for ; dir != filepath.Clean(os.TempDir()) && dir != "/"; dir = filepath.Dir(dir) {
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
}
