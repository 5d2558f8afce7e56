package projector_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// registry is one registry on real servers.
type registry struct {
	*pgtest.DB
	server *stream.Server
	stream *stream.Stream
}

func newRegistry(t testing.TB) *registry {
	t.Helper()
	r := &registry{DB: pgtest.New(t)}
	var err error
	if r.server, err = stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true, MaxFileBytes: 1 << 30}); err != nil {
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
	batch := make([]stream.Outgoing, len(es))
	for i, e := range es {
		batch[i] = stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()}
	}
	for _, res := range r.stream.Publisher().PublishBatch(t.Context(), batch) {
		if res.Err != nil {
			t.Fatal(res.Err)
		}
	}
}

// run starts a projector, waits until everything published is projected, and
// stops it.
func (r *registry) run(t testing.TB, batch int) {
	t.Helper()
	ctx, stop := context.WithTimeout(t.Context(), 2*time.Minute)
	defer stop()
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, BatchMax: batch})
	if err := p.Prepare(ctx); err != nil {
		t.Fatal(err)
	}
	info, err := r.stream.Info(ctx)
	if err != nil {
		t.Fatal(err)
	}
	w := projector.NewWatcher(r.Pool, r.Base)
	done := make(chan error, 2)
	go func() { done <- p.Run(ctx) }()
	go func() { done <- w.Run(ctx) }()
	waited := make(chan error, 1)
	go func() { waited <- w.Wait(ctx, info.Last) }()
	select {
	case err := <-waited:
		if err != nil {
			t.Fatal(err)
		}
	case err := <-done:
		t.Fatal(err)
	}
	stop()
	for range 2 {
		if err := <-done; err != nil && !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
	}
}

func TestRebuiltEqualsLive(t *testing.T) {
	r := newRegistry(t)
	var es []events.Event
	for e := range (simulate.Scenario{Seed: 7, Cases: 120}).Events() {
		es = append(es, e)
	}
	began := time.Now()
	r.publish(t, es...)
	t.Log("published", len(es), time.Since(began))
	began = time.Now()
	r.run(t, 100)
	t.Log("projected", time.Since(began))
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base})
	v, err := p.Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !v.Equal() {
		t.Errorf("live and rebuilt differ: %v", v.Differing())
	}
	for _, d := range v.Live {
		t.Log(d)
	}
}
