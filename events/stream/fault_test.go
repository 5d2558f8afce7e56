package stream_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
)

// The fault tests break servers, disks and connections under load. What was
// acknowledged is kept in a ledger outside of what is broken, and compared with
// the stream afterwards as a set: a count would hide one lost and one double.

func within(t testing.TB, d time.Duration) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

// configFor reaches some servers as the user that may do everything.
func configFor(servers ...*streamtest.Server) stream.Config {
	var urls []string
	for _, s := range servers {
		urls = append(urls, s.URL())
	}
	return stream.Config{URL: strings.Join(urls, ","), User: streamtest.User, Password: streamtest.Password,
		ManageStream: true, Replicas: len(servers), MaxBytes: 4 << 30, Heartbeat: time.Second}
}

// openSoon opens the stream as soon as the servers have agreed who leads. What is
// wrong with the stream itself is told at once.
func openSoon(t testing.TB, cfg stream.Config) *stream.Stream {
	t.Helper()
	s, err := openPatiently(within(t, time.Minute), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func openPatiently(ctx context.Context, cfg stream.Config) (*stream.Stream, error) {
	var last error
	for {
		// A question that no server leads the answer to is dropped: ask again soon.
		try, end := context.WithTimeout(ctx, 1500*time.Millisecond)
		s, err := stream.Open(try, cfg)
		end()
		if err == nil || isNamed(err) {
			return s, err
		}
		if ctx.Err() != nil {
			return nil, errors.Join(last, err)
		}
		last = err
		time.Sleep(50 * time.Millisecond)
	}
}

// isNamed says whether an error names what is wrong with the log.
func isNamed(err error) bool {
	var (
		setting *stream.SettingError
		epoch   *stream.EpochError
		behind  *stream.BehindError
		gap     *stream.GapError
	)
	return errors.As(err, &setting) || errors.As(err, &epoch) || errors.As(err, &behind) || errors.As(err, &gap) || errors.Is(err, stream.ErrMissing)
}

// load is publishers at work, each acknowledgement noted.
type load struct {
	t      testing.TB
	ledger *streamtest.Ledger
	stop   func() // and wait until all publishers have ended
	failed chan error
}

// startLoad sets publishers to work. Round is part of each event's name; padding
// is the size of each event.
func startLoad(t testing.TB, p *stream.Publisher, ledger *streamtest.Ledger, round string, publishers, padding int) *load {
	ctx, cancel := context.WithCancel(context.Background())
	l := &load{t: t, ledger: ledger, failed: make(chan error, publishers)}
	var all sync.WaitGroup
	for g := range publishers {
		all.Go(func() {
			for n := 0; ctx.Err() == nil; n += 8 {
				batch := make([]stream.Outgoing, 8)
				for i := range batch {
					batch[i] = event(fmt.Sprintf("%s-%d-%d", round, g, n+i), padding)
				}
				for i, r := range p.PublishBatch(ctx, batch) {
					switch {
					case r.Err == nil:
						if err := ledger.Add(batch[i].MessageID, r.Sequence, batch[i].Data); err != nil {
							t.Error(err)
						}
					case ctx.Err() == nil:
						l.failed <- r.Err
						return
					}
				}
			}
		})
	}
	l.stop = sync.OnceFunc(func() { cancel(); all.Wait() })
	t.Cleanup(l.stop)
	return l
}

func event(id string, padding int) stream.Outgoing {
	return stream.Outgoing{
		Subject:   stream.Subject("ehr-harbour", "HARBOUR", "case", "booked"),
		MessageID: id,
		Data:      fmt.Appendf(nil, `{"id":%q,"invented":"%s"}`, id, strings.Repeat(id[len(id)-1:], padding)),
	}
}

// reach waits until so many events in all are acknowledged.
func (l *load) reach(n int) {
	l.t.Helper()
	for begun := time.Now(); l.ledger.Len() < n; {
		select {
		case err := <-l.failed:
			l.t.Fatalf("a publisher gave up: %v", err)
		case <-time.After(time.Millisecond):
		}
		if time.Since(begun) > 90*time.Second {
			l.t.Fatalf("%d acknowledged, still waiting for %d", l.ledger.Len(), n)
		}
	}
}

// difference is what a stream and a ledger disagree about.
type difference struct {
	acked   int
	stored  int
	lost    []streamtest.Entry // acknowledged and not there
	changed []streamtest.Entry // there, with other bytes or another id
	twice   int                // one id at two sequences; the projector counts it once
}

func (d difference) String() string {
	return fmt.Sprintf("%d acknowledged, %d stored, %d lost, %d changed, %d ids stored twice", d.acked, d.stored, len(d.lost), len(d.changed), d.twice)
}

// compare reads the stream from its beginning and holds it to the ledger.
func compare(ctx context.Context, t testing.TB, s *stream.Stream, ledger *streamtest.Ledger) (difference, error) {
	t.Helper()
	stored := map[uint64]streamtest.Entry{}
	ids := map[string]int{}
	_, err := s.Replay(ctx, 1, stream.BatchConfig{}, func(_ context.Context, batch []stream.Message) error {
		for _, m := range batch {
			id := strings.Join(m.Header["Nats-Msg-Id"], ",")
			stored[m.Sequence] = streamtest.Entry{ID: id, Sequence: m.Sequence, Hash: streamtest.Hash(m.Data)}
			ids[id]++
		}
		return nil
	})
	d := difference{stored: len(stored)}
	for _, n := range ids {
		if n > 1 {
			d.twice++
		}
	}
	for _, e := range ledger.Entries(t) {
		d.acked++
		switch found, ok := stored[e.Sequence]; {
		case !ok:
			d.lost = append(d.lost, e)
		case found != e:
			d.changed = append(d.changed, e)
		}
	}
	return d, err
}

// wantAll demands that everything acknowledged is in the stream.
func wantAll(t testing.TB, s *stream.Stream, ledger *streamtest.Ledger) difference {
	t.Helper()
	d, err := compare(within(t, time.Minute), t, s, ledger)
	if err != nil {
		t.Fatalf("read the stream: %v", err)
	}
	if len(d.lost)+len(d.changed) > 0 {
		t.Fatalf("%s; first lost %v, first changed %v", d, first(d.lost), first(d.changed))
	}
	return d
}

func first(list []streamtest.Entry) any {
	if len(list) == 0 {
		return "none"
	}
	return list[0]
}
