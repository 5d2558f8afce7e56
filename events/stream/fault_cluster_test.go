package stream_test

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
	"lensledger/projections/pg/pgtest"
)

// follower reads along while things break, and holds each message to its sequence.
type follower struct {
	last atomic.Uint64 // sequence
	done chan error
}

func follow(t testing.TB, s *stream.Stream) *follower {
	f := &follower{done: make(chan error, 1)}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		f.done <- s.Follow(ctx, 1, stream.BatchConfig{}, func(_ context.Context, batch []stream.Message) error {
			for _, m := range batch {
				if m.Sequence != f.last.Load()+1 {
					return fmt.Errorf("sequence %d was handed over after %d", m.Sequence, f.last.Load())
				}
				f.last.Store(m.Sequence)
			}
			return nil
		})
	}()
	t.Cleanup(func() { stop(); <-ended })
	return f
}

// reach waits until the follower has been given a sequence, and says how long that
// took.
func (f *follower) reach(t testing.TB, sequence uint64, atMost time.Duration) time.Duration {
	t.Helper()
	begun := time.Now()
	for f.last.Load() < sequence {
		select {
		case err := <-f.done:
			t.Fatalf("the reader ended: %v", err)
		case <-time.After(2 * time.Millisecond):
		}
		if waited := time.Since(begun); waited > atMost {
			t.Fatalf("the reader stands at %d, %d was acknowledged %s ago", f.last.Load(), sequence, waited)
		}
	}
	return time.Since(begun)
}

// resumesWithin is how long publishers and readers may take to go on after a fault.
const resumesWithin = 30 * time.Second

func admin(t testing.TB, servers ...*streamtest.Server) (*nats.Conn, jetstream.JetStream) {
	t.Helper()
	conn, err := nats.Connect(configFor(servers...).URL, nats.UserInfo(streamtest.User, streamtest.Password), nats.MaxReconnects(-1))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	return conn, js
}

// Three nodes: the leader steps down, the reader's consumer is deleted, each node is
// killed in turn. Publishers and reader go on within 30 seconds, nothing
// acknowledged is lost, and the reader is given every sequence once.
func TestThreeNodesGoOnAfterEachFault(t *testing.T) {
	t.Parallel()
	nodes := streamtest.Cluster(t, true, t.TempDir(), t.TempDir(), t.TempDir())
	s := openSoon(t, configFor(nodes...))
	reading := openSoon(t, configFor(nodes...))
	conn, js := admin(t, nodes...)
	ledger := streamtest.NewLedger(t)
	reader := follow(t, reading)
	work := startLoad(t, s.Publisher(), ledger, "cluster", 2, 300)
	work.reach(100)
	reader.reach(t, 100, resumesWithin)

	retry := func(what string, do func(ctx context.Context) error) {
		t.Helper()
		var err error
		for begun := time.Now(); time.Since(begun) < resumesWithin; time.Sleep(100 * time.Millisecond) {
			ctx, end := context.WithTimeout(context.Background(), 2*time.Second)
			err = do(ctx)
			end()
			if err == nil {
				return
			}
		}
		t.Fatalf("%s: %v", what, err)
	}
	stepDown := func() {
		retry("step down", func(ctx context.Context) error {
			answer, err := conn.RequestWithContext(ctx, "$JS.API.STREAM.LEADER.STEPDOWN."+stream.StreamName, nil)
			if err == nil && !strings.Contains(string(answer.Data), `"success":true`) {
				err = errors.New(string(answer.Data))
			}
			return err
		})
	}
	deleteConsumer := func() {
		retry("delete the consumer", func(ctx context.Context) error {
			handle, err := js.Stream(ctx, stream.StreamName)
			if err != nil {
				return err
			}
			n := 0
			names := handle.ConsumerNames(ctx)
			for name := range names.Name() {
				if err := handle.DeleteConsumer(ctx, name); err == nil {
					n++
				}
			}
			if n == 0 {
				return errors.New("there is none")
			}
			return nil
		})
	}
	type fault struct {
		name string
		make func()
	}
	kills := 1
	if streamtest.IsLong() {
		kills = len(nodes) // each in turn
	}
	faults := []fault{{"leader steps down", stepDown}, {"consumer deleted", deleteConsumer}}
	for _, n := range nodes[:kills] {
		faults = append(faults, fault{"node killed", func() { n.Kill() }}, fault{"node back", func() { n.Restart(t) }})
	}
	slowest := map[string]time.Duration{}
	done := 0
	for range streamtest.Rounds(t, 1, 1) {
		for _, f := range faults {
			f.make()
			done++
			begun := time.Now()
			work.reach(ledger.Len() + 50)
			reader.reach(t, ledger.Last(), resumesWithin)
			took := time.Since(begun)
			slowest[f.name] = max(slowest[f.name], took)
			if took > resumesWithin {
				t.Fatalf("after %s it took %s to go on", f.name, took)
			}
		}
	}
	work.stop()
	d := wantAll(t, s, ledger)
	reader.reach(t, ledger.Last(), resumesWithin)
	t.Logf("%d faults: %s; slowest to go on: %v", done, d, slowest)
}

// A connection that is dead and doesn't know it: nothing comes back and nothing
// says so. Reader and publisher must notice by themselves and take the other way.
func TestADeadConnectionIsNoticed(t *testing.T) {
	t.Parallel()
	server := streamtest.Start(t, streamtest.Spec{StoreDir: t.TempDir(), MaxFileBytes: 8 << 30})
	ledger := streamtest.NewLedger(t)
	address := strings.TrimPrefix(server.URL(), "nats://")
	one, other := pgtest.NewProxy(t, "tcp", address), pgtest.NewProxy(t, "tcp", address)
	cfg := configFor(server)
	cfg.URL = (&url.URL{Scheme: "nats", Host: one.Addr()}).String()
	openSoon(t, configFor(server)).Close() // makes the stream
	cfg.ManageStream = false

	// Both ways are known; the first is taken while the other is shut.
	other.Refuse(true)
	cfg.URL += "," + (&url.URL{Scheme: "nats", Host: other.Addr()}).String()
	s, reading := openSoon(t, cfg), openSoon(t, cfg)
	other.Refuse(false)
	reader := follow(t, reading)
	work := startLoad(t, s.Publisher(), ledger, "dead", 2, 300)
	slowest := time.Duration(0)
	rounds := streamtest.Rounds(t, 1, 1)
	for range rounds {
		work.reach(ledger.Len() + 50)
		reader.reach(t, ledger.Last(), resumesWithin)
		one.Pause()
		begun := time.Now()
		work.reach(ledger.Len() + 1000) // more than were under way
		reader.reach(t, ledger.Last(), resumesWithin)
		slowest = max(slowest, time.Since(begun))
		if slowest > resumesWithin {
			t.Fatalf("it took %s to go on by the other way", slowest)
		}
		one.Resume()
		one, other = other, one
	}
	work.stop()
	d := wantAll(t, s, ledger)
	reader.reach(t, ledger.Last(), resumesWithin)
	t.Logf("%d dead connections: %s; slowest to go on: %s", rounds, d, slowest)
}
