package projector_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// identities lists what is archived, by source and id.
func (r *registry) identities(t testing.TB) []string {
	t.Helper()
	rows, err := r.Pool.Query(t.Context(), "SELECT source || '/' || id FROM event_log ORDER BY 1")
	if err != nil {
		t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// holds compares the archive with the events published, as sets, and the rows with
// those that the archive gives.
func (r *registry) holds(t testing.TB, es []events.Event) {
	t.Helper()
	var want []string
	for _, e := range es {
		want = append(want, e.Source+"/"+e.ID)
	}
	slices.Sort(want)
	got := r.identities(t)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("archived are %d events, published were %d: the sets differ", len(got), len(want))
	}
	r.noQuarantine(t)
	r.checkBooks(t)
	v, err := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Log: slog.New(slog.DiscardHandler)}).Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !v.Equal() {
		t.Errorf("rows differ from those of the archive: %v", v.Differing())
	}
}

// come waits until the rows have come to the end of the stream.
func (r *registry) come(t testing.TB, most time.Duration) time.Duration {
	t.Helper()
	info, err := r.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return within(t, most, fmt.Sprintf("rows up to %d", info.Last), func() bool {
		var at int64
		err := r.Pool.QueryRow(t.Context(), "SELECT position FROM stream_state").Scan(&at)
		return err == nil && uint64(at) >= info.Last
	})
}

// takeover is the most that may pass until a stand-by has taken over.
const takeover = 30 * time.Second

// One leads, the other stands by and takes over: when the leader is killed, when
// it is stopped for longer than its lease, within a transaction or not, and when
// its session is ended. The old leader, woken, writes nothing more.
func TestStandbyTakesOver(t *testing.T) {
	if testing.Short() {
		t.Skip("-short: starts processes")
	}
	r := newOpenRegistry(t)
	dice := streamtest.Random(t)
	es := history(11, 40)
	const lease = "2s"
	start := func() *process { return r.child(t, "project", childLease, lease, childBatches, "3") }
	leader := start()
	within(t, takeover, "the first leads", leader.leads.Load)
	standby := start()
	ways := []string{"kill", "stop", "session"}
	var slowest time.Duration
	sent := 0
	n := streamtest.Rounds(t, len(ways), 1)
	for i := range n {
		way := ways[i%len(ways)]
		before := r.fence(t)
		// The leader is at work when it happens.
		to := len(es) * (i + 1) / n
		var publishing sync.WaitGroup
		publishing.Go(func() { r.publish(t, es[sent:to]...) })
		time.Sleep(time.Duration(dice.IntN(60)) * time.Millisecond) // a moment drawn by lot
		switch way {
		case "kill":
			leader.kill(t)
		case "stop":
			leader.signal(t, syscall.SIGSTOP)
		case "session":
			if _, err := r.Pool.Exec(t.Context(), "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory' AND granted AND objid = (hashtextextended('lensledger projector ' || $1::text, 0) & 4294967295)::bigint::oid", r.Base); err != nil {
				t.Fatal(err)
			}
		}
		began := time.Now()
		publishing.Wait()
		sent = to
		within(t, takeover, "another fence after "+way, func() bool { return r.fence(t) > before })
		r.come(t, takeover)
		slowest = max(slowest, time.Since(began))
		switch way {
		case "kill":
			leader = start()
		case "stop":
			leader.signal(t, syscall.SIGCONT)
			within(t, takeover, "the one that was stopped stands by", func() bool { return !leader.leads.Load() })
		}
		within(t, takeover, "one leads", func() bool { return leader.leads.Load() != standby.leads.Load() })
		if standby.leads.Load() {
			leader, standby = standby, leader
		}
	}
	t.Logf("%d takeovers, the slowest within %s", n, slowest.Round(time.Millisecond))
	leader.kill(t)
	standby.kill(t)
	r.holds(t, es)
}

// Two that stand side by side don't take the position from each other.
func TestTwoProjectorsLiveInPeace(t *testing.T) {
	r := newRegistry(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var both sync.WaitGroup
	var ps []*projector.Projector
	for range 2 {
		p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler), Lease: 500 * time.Millisecond})
		ps = append(ps, p)
		both.Go(func() {
			if err := p.Run(ctx); !errors.Is(err, context.Canceled) {
				t.Errorf("a projector ended: %v", err)
			}
		})
	}
	within(t, takeover, "one leads", func() bool { return ps[0].Standing() != ps[1].Standing() })
	es := history(11, 14)
	r.publish(t, es...)
	r.come(t, takeover)
	fence := r.fence(t)
	time.Sleep(1500 * time.Millisecond) // three leases: nothing is waited for, nothing may happen
	if now := r.fence(t); now != fence {
		t.Errorf("fence %d after %d: they take over from each other", now, fence)
	}
	if ps[0].Standing() == ps[1].Standing() {
		t.Errorf("both %s", ps[0].Standing())
	}
	stop()
	both.Wait()
	r.holds(t, es)
}

// A projector that was about to write when another took over writes nothing, also
// when the position is still the one it knew.
func TestStaleProjectorWritesNothing(t *testing.T) {
	r := newRegistry(t)
	r.run(t, 500)
	r.publish(t, started("a", "K-1", "S-1", morning))
	config := projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)}
	held := func() (p *projector.Projector, there, on chan struct{}) {
		p, there, on = projector.New(config), make(chan struct{}), make(chan struct{})
		var once sync.Once
		p.BeforeApply(func([]stream.Message) {
			once.Do(func() { close(there); <-on })
		})
		return p, there, on
	}
	stale, staleThere, staleOn := held()
	next, nextThere, nextOn := held()
	staleEnded, nextEnded := make(chan error, 1), make(chan error, 1)
	go func() { staleEnded <- stale.RunToEnd(t.Context()) }()
	<-staleThere
	go func() { nextEnded <- next.RunToEnd(t.Context()) }()
	<-nextThere
	close(staleOn)
	if err := <-staleEnded; !errors.Is(err, projector.ErrFenced) {
		t.Errorf("the stale projector ended with %v", err)
	}
	if n := len(r.identities(t)); n != 0 {
		t.Errorf("%d events written by a stale projector", n)
	}
	close(nextOn)
	if err := <-nextEnded; err != nil {
		t.Fatal(err)
	}
	r.holds(t, []events.Event{started("a", "K-1", "S-1", morning)})
}

// A leader whose connections are cut off, with nothing said to either end, stops
// leading by itself, and the stand-by takes over.
func TestCutOffLeaderIsReplaced(t *testing.T) {
	r := newRegistry(t)
	proxy, url := pgtest.ProxyOf(t, r.URL)
	far := connectTo(t, url, r.Base)
	ctx, stop := context.WithCancel(t.Context())
	var all sync.WaitGroup
	run := func(cfg projector.Config) *projector.Projector {
		cfg.Base, cfg.Stream, cfg.Log, cfg.Lease = r.Base, r.stream, slog.New(slog.DiscardHandler), 2*time.Second
		p := projector.New(cfg)
		all.Go(func() {
			if err := p.Run(ctx); !errors.Is(err, context.Canceled) {
				t.Errorf("a projector ended: %v", err)
			}
		})
		return p
	}
	leader := run(projector.Config{Pool: far})
	within(t, takeover, "the first leads", func() bool { return leader.Standing() == projector.Leads })
	standby := run(projector.Config{Pool: r.Pool})
	es := history(11, 14)
	r.publish(t, es[:50]...)
	r.come(t, takeover)
	proxy.Pause()
	r.publish(t, es[50:]...)
	took := r.come(t, takeover)
	t.Logf("taken over after %s", took.Round(time.Millisecond))
	within(t, takeover, "the other way round", func() bool {
		return standby.Standing() == projector.Leads && leader.Standing() == projector.StandsBy
	})
	proxy.Resume()
	stop()
	all.Wait()
	r.holds(t, es)
}

// The rows are the same when the projector starts anew after each event.
func TestRestartAfterEachEvent(t *testing.T) {
	es := history(11, 14)[:20]
	reference := newRegistry(t)
	reference.publish(t, es...)
	reference.run(t, 500)
	r := newRegistry(t)
	for _, e := range es {
		r.publish(t, e)
		r.run(t, 500)
	}
	if d := difference(reference.contents(t), r.contents(t)); d != "" {
		t.Error(d)
	}
	r.holds(t, es)
}

// Whoever was stopped within a transaction keeps the position locked: the session
// is ended by the one that takes over, long before Postgres would end it.
func TestSilentHolderIsEnded(t *testing.T) {
	r := newRegistry(t)
	r.run(t, 500)
	silent, err := r.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := silent.Exec(t.Context(), "SELECT position FROM stream_state FOR UPDATE"); err != nil {
		t.Fatal(err)
	}
	es := []events.Event{started("a", "K-1", "S-1", morning)}
	r.publish(t, es...)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler), Lease: time.Second})
	go func() { ended <- p.Run(ctx) }()
	r.come(t, 15*time.Second) // Postgres waits 30 s for an idle transaction
	if _, err := silent.Exec(t.Context(), "SELECT"); err == nil {
		t.Error("the silent session lives on")
	}
	_ = silent.Rollback(t.Context()) // its connection has gone
	stop()
	<-ended
	r.holds(t, es)
}
