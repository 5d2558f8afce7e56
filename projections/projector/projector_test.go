package projector_test

import (
	"context"
	"log/slog"
	"testing"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// registry is one registry on real servers.
type registry struct {
	*pgtest.DB
	server  *stream.Server
	stream  *stream.Stream
	address string // of the stream, for other processes
}

func newRegistry(t testing.TB) *registry {
	t.Helper()
	return openRegistry(t, t.TempDir())
}

// openRegistry makes a registry whose stream is in a folder.
func openRegistry(t testing.TB, storeDir string) *registry {
	t.Helper()
	r := &registry{DB: pgtest.New(t)}
	var err error
	if r.server, err = stream.StartServer(stream.ServerConfig{StoreDir: storeDir, InProcessOnly: true, MaxFileBytes: 1 << 30}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.server.Close)
	if r.stream, err = stream.Open(context.Background(), stream.Config{Server: r.server, ManageStream: true}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.stream.Close)
	return r
}

func (r *registry) publish(t testing.TB, es ...events.Event) {
	t.Helper()
	if err := publishAll(t.Context(), r.stream.Publisher(), es); err != nil {
		t.Fatal(err)
	}
}

func publishAll(ctx context.Context, p *stream.Publisher, es []events.Event) error {
	batch := make([]stream.Outgoing, len(es))
	for i, e := range es {
		batch[i] = stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()}
	}
	for _, res := range p.PublishBatch(ctx, batch) {
		if res.Err != nil {
			return res.Err
		}
	}
	return nil
}

// run projects everything published, in batches of the given size, as a projector
// that was just started.
func (r *registry) run(t testing.TB, batch int) {
	t.Helper()
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, BatchMax: batch, Log: slog.New(slog.DiscardHandler)})
	if err := p.RunToEnd(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.checkBooks(t)
}

// checkBooks holds what must be true after every run: each position of the stream
// has exactly one disposition.
func (r *registry) checkBooks(t testing.TB) {
	t.Helper()
	info, err := r.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var arrivals, counted, logged, archived int64
	err = r.Pool.QueryRow(t.Context(), `SELECT (SELECT count(*) FROM arrival), (SELECT coalesce(sum(events), 0) FROM intake_count),
		(SELECT count(*) FROM arrival WHERE disposition IN ('accepted', 'conflict')), (SELECT count(*) FROM event_log)`).
		Scan(&arrivals, &counted, &logged, &archived)
	if err != nil {
		t.Fatal(err)
	}
	if uint64(arrivals) != info.Last || uint64(counted) != info.Last || logged != archived {
		t.Errorf("the books don't add up: last sequence %d, dispositions %d, counted by source %d, taken %d, archived %d",
			info.Last, arrivals, counted, logged, archived)
	}
}
