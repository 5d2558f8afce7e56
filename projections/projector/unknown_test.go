package projector_test

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events/stream/streamtest"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

func connectTo(t testing.TB, url, base string) *pgxpool.Pool {
	t.Helper()
	pool, err := pg.Connect(t.Context(), url, base, 8)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

// The connection is cut right after COMMIT was sent, again and again: the projector
// can't know what became of it, and neither loses an event nor takes one twice.
func TestUnknownCommits(t *testing.T) {
	r := newRegistry(t)
	r.run(t, 500)
	proxy, url := pgtest.ProxyOf(t, r.URL)
	ctx, stop := context.WithCancel(t.Context())
	p := projector.New(projector.Config{Pool: connectTo(t, url, r.Base), Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	within(t, takeover, "it leads", func() bool { return p.Standing() == projector.Leads })
	cuts := streamtest.Rounds(t, 12, 1)
	es := history(11, 14+cuts/2)
	for i := range cuts {
		proxy.CutAfter(pgtest.CommitMark, 1)
		r.publish(t, es[len(es)*i/cuts:len(es)*(i+1)/cuts]...)
		r.come(t, takeover)
		select {
		case err := <-ended:
			t.Fatalf("the projector gave up at cut %d: %v", i, err)
		default:
		}
	}
	if proxy.Cuts() < cuts-1 { // the last may still be to come
		t.Errorf("%d commits were cut, want %d", proxy.Cuts(), cuts)
	}
	t.Logf("%d commits were cut", proxy.Cuts())
	stop()
	<-ended
	r.holds(t, es)
}

// Delays, cuts and half-closed connections at any moment change nothing either.
func TestTornConnections(t *testing.T) {
	r := newRegistry(t)
	r.run(t, 500)
	proxy, url := pgtest.ProxyOf(t, r.URL)
	ctx, stop := context.WithCancel(t.Context())
	p := projector.New(projector.Config{Pool: connectTo(t, url, r.Base), Base: r.Base, Stream: r.stream, BatchMax: 20,
		Log: slog.New(slog.DiscardHandler), Lease: 2 * time.Second})
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	n := streamtest.Rounds(t, 6, 1)
	es := history(11, 14+n)
	for i := range n {
		r.publish(t, es[len(es)*i/n:len(es)*(i+1)/n]...)
		switch i % 3 {
		case 0:
			proxy.Cut()
		case 1:
			proxy.Delay(5 * time.Millisecond)
			proxy.HalfClose()
		case 2:
			proxy.Delay(0)
			proxy.Refuse(true)
			proxy.Cut()
			time.Sleep(50 * time.Millisecond) // a server that is away for a moment
			proxy.Refuse(false)
		}
		r.come(t, time.Minute)
	}
	stop()
	if err := <-ended; ctx.Err() == nil {
		t.Fatal(err)
	}
	r.holds(t, es)
}
