package projector_test

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// wrongLog is how long a projector may take to say that the log is wrong.
const wrongLog = 10 * time.Second

// remote is a registry whose stream is in another process, as in production.
type remote struct {
	*registry
	server *streamtest.Server
	store  string
}

func newRemote(t *testing.T) *remote {
	t.Helper()
	r := &remote{registry: &registry{DB: pgtest.New(t)}, store: filepath.Join(t.TempDir(), "js")}
	r.server = streamtest.Start(t, streamtest.Spec{StoreDir: r.store, MaxFileBytes: 1 << 30})
	r.stream = r.open(t)
	return r
}

func (r *remote) open(t testing.TB) *stream.Stream {
	t.Helper()
	s, err := stream.Open(t.Context(), stream.Config{URL: r.server.URL(), User: streamtest.User, Password: streamtest.Password, ManageStream: true, MaxBytes: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// numbered are events of cases of their own.
func numbered(prefix string, n int) (es []events.Event) {
	for i := range n {
		es = append(es, started(prefix+"-"+string(rune('a'+i%26))+string(rune('a'+i/26)), "K-"+prefix+string(rune('a'+i%26))+string(rune('a'+i/26)), "S-1", morning))
	}
	return es
}

func copyStore(t testing.TB, from, to string) {
	t.Helper()
	if err := errors.Join(os.RemoveAll(to), os.CopyFS(to, os.DirFS(from))); err != nil {
		t.Fatal(err)
	}
}

// The log is deleted, made anew, or replaced by an older copy, under a running
// projector or while it is down, also when the wrong log has grown past the
// position: each is named within 10 seconds, and no row is written for it.
func TestAWrongLogIsNamedAndNothingIsWritten(t *testing.T) {
	var (
		epoch   *stream.EpochError
		behind  *stream.BehindError
		history *stream.HistoryError
	)
	restoreOlder := func(t *testing.T, r *remote, older string) {
		r.server.Stop(t)
		copyStore(t, older, r.store)
		r.server.Restart(t)
	}
	for _, c := range []struct {
		name    string
		running bool // the projector, while the log is exchanged
		spoil   func(t *testing.T, r *remote, older string)
		named   func(error) bool
	}{
		{"deleted under a running projector", true, func(t *testing.T, r *remote, _ string) { r.server.DeleteStream(t) },
			func(err error) bool { return errors.Is(err, stream.ErrMissing) }},
		{"made anew, and longer", false, func(t *testing.T, r *remote, _ string) {
			r.server.DeleteStream(t)
			fill(t, r, numbered("new", 60))
		}, func(err error) bool { return errors.As(err, &epoch) }},
		{"older copy under a running projector", true, restoreOlder, func(err error) bool { return errors.As(err, &behind) }},
		{"older copy, grown past the position", false, func(t *testing.T, r *remote, older string) {
			restoreOlder(t, r, older)
			fill(t, r, numbered("new", 60))
		}, func(err error) bool { return errors.As(err, &history) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := newRemote(t)
			older := filepath.Join(t.TempDir(), "older")
			r.publish(t, numbered("old", 20)...)
			r.server.Stop(t)
			copyStore(t, r.store, older)
			r.server.Restart(t)
			r.publish(t, numbered("more", 20)...)
			r.run(t, 500)

			run := func() <-chan error {
				done := make(chan error, 1)
				p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
				go func() { done <- p.Run(t.Context()) }()
				return done
			}
			var done <-chan error
			if c.running {
				done = run()
				r.publish(t, numbered("live", 1)...)
				r.reach(t, 41)
			}
			before, position := r.contents(t), r.position(t)
			c.spoil(t, r, older)
			begun := time.Now()
			if !c.running {
				r.stream.Close()
				r.stream = r.open(t)
				done = run()
			}
			select {
			case err := <-done:
				if !c.named(err) {
					t.Errorf("named otherwise: %v", err)
				}
				t.Logf("after %s: %v", time.Since(begun).Round(time.Millisecond), err)
			case <-time.After(3 * wrongLog):
				t.Fatal("the projector goes on")
			}
			if took := time.Since(begun); took > wrongLog {
				t.Errorf("named after %s", took)
			}
			if d := difference(before, r.contents(t)); d != "" || r.position(t) != position {
				t.Errorf("something was written: position %d after %d, %s", r.position(t), position, d)
			}
		})
	}
}

// fill publishes over a connection of its own, as publishers who know nothing of
// what happened to the log.
func fill(t *testing.T, r *remote, es []events.Event) {
	t.Helper()
	s := r.open(t)
	if err := publishAll(t.Context(), s.Publisher(), es); err != nil {
		t.Fatal(err)
	}
}

func (r *registry) position(t testing.TB) (position uint64) {
	t.Helper()
	if err := r.Pool.QueryRow(t.Context(), "SELECT position FROM stream_state").Scan(&position); err != nil {
		t.Fatal(err)
	}
	return position
}

// reach waits until a position is committed.
func (r *registry) reach(t testing.TB, position uint64) {
	t.Helper()
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	w := projector.NewWatcher(r.Pool, r.Base)
	go func() { _ = w.Run(ctx) }() // ends with ctx
	if err := w.Wait(ctx, position); err != nil {
		t.Fatalf("waiting for position %d: %v", position, err)
	}
}
