package stream

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestPublishAcknowledgesWithTheSequence(t *testing.T) {
	s := openStream(t)
	for n := 1; n <= 3; n++ {
		ack, err := s.Publisher().Publish(ctxFor(t), event(n))
		if err != nil {
			t.Fatal(err)
		}
		if ack != (Ack{Sequence: uint64(n)}) {
			t.Fatalf("ack %+v of event %d", ack, n)
		}
	}
	ack, err := s.Publisher().Publish(ctxFor(t), event(2))
	if err != nil || ack != (Ack{Sequence: 2, Duplicate: true}) {
		t.Fatalf("same id again: %+v, %v", ack, err)
	}
	m, err := s.Get(ctxFor(t), 2)
	if err != nil {
		t.Fatal(err)
	}
	wantMessages(t, []Message{m}, 2, 2)
	if _, err := s.Get(ctxFor(t), 4); !errors.Is(err, ErrNotFound) {
		t.Errorf("get past the end: %v", err)
	}
}

func TestPublishBatchKeepsOrderAndStandsAlone(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	s := openOn(t, Config{Server: srv, ManageStream: true, InFlight: 7})
	batch := events(1, 40)
	batch[10].Subject = "cases.v1.somewhere"
	batch[20].Data = make([]byte, MaxMessageBytes)
	batch[30] = batch[29]
	results := s.Publisher().PublishBatch(ctxFor(t), batch)
	want := uint64(0)
	for i, r := range results {
		var tooLarge *TooLargeError
		switch i {
		case 10:
			if r.Err == nil {
				t.Error("a wrong subject was sent")
			}
		case 20:
			if !errors.As(r.Err, &tooLarge) || tooLarge.Limit != MaxMessageBytes {
				t.Errorf("too large: %v", r.Err)
			}
		case 30:
			if r.Err != nil || !r.Duplicate || r.Sequence != want {
				t.Errorf("repeated in the batch: %+v", r)
			}
		default:
			want++
			if r.Err != nil || r.Sequence != want || r.Duplicate {
				t.Errorf("event %d: %+v, want sequence %d", i, r, want)
			}
		}
	}
	info, err := s.Info(ctxFor(t))
	if err != nil || info.Last != 37 {
		t.Errorf("last sequence %d, %v, want 37", info.Last, err)
	}
}

func TestPublishersShareTheirSlots(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	s := openOn(t, Config{Server: srv, ManageStream: true, InFlight: 3})
	var all sync.WaitGroup
	for g := range 8 {
		all.Go(func() {
			for _, r := range s.Publisher().PublishBatch(ctxFor(t), events(g*25+1, g*25+25)) {
				if r.Err != nil {
					t.Error(r.Err)
				}
			}
		})
	}
	all.Wait()
	if info, err := s.Info(ctxFor(t)); err != nil || info.Last != 200 {
		t.Errorf("last sequence %d, %v, want 200", info.Last, err)
	}
}

func TestTheLargestMessageIsStored(t *testing.T) {
	s := openStream(t)
	out := event(1)
	msg, err := out.message()
	if err != nil {
		t.Fatal(err)
	}
	// Fill up to the limit exactly: if wireSize counted a byte too few, the
	// server would refuse it; the byte more must be refused here.
	out.Data = make([]byte, MaxMessageBytes-wireSize(msg)+len(out.Data))
	if _, err := s.Publisher().Publish(ctxFor(t), out); err != nil {
		t.Fatal(err)
	}
	out.Data, out.MessageID = append(out.Data, 0), "ehr-harbour/2/0123456789abcdef"
	var tooLarge *TooLargeError
	if _, err := s.Publisher().Publish(ctxFor(t), out); !errors.As(err, &tooLarge) || tooLarge.Bytes != MaxMessageBytes+1 {
		t.Errorf("a byte too many: %v", err)
	}
	if m, err := s.Get(ctxFor(t), 1); err != nil || len(m.Data) != len(out.Data)-1 {
		t.Errorf("stored %d bytes, %v", len(m.Data), err)
	}
}

func TestPublishRefusesTheBrokersOwnHeaders(t *testing.T) {
	s := openStream(t)
	for _, name := range []string{"Nats-Rollup", "nats-ttl", "NATS-Schedule", "Nats-Msg-Id"} {
		out := event(1)
		out.Header = map[string][]string{name: {"x"}}
		if _, err := s.Publisher().Publish(ctxFor(t), out); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("header %s: %v", name, err)
		}
	}
	out := event(1)
	out.MessageID = ""
	if _, err := s.Publisher().Publish(ctxFor(t), out); err == nil {
		t.Error("an event without a message id was sent")
	}
}

func TestAFullLogIsNamed(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	s := openOn(t, Config{Server: srv, ManageStream: true, MaxBytes: 64 << 10})
	stored := 0
	for n := 1; ; n++ {
		out := event(n)
		out.Data = make([]byte, 8<<10)
		_, err := s.Publisher().Publish(ctxFor(t), out)
		if err == nil {
			stored++
			continue
		}
		if !errors.Is(err, ErrFull) {
			t.Fatalf("event %d: %v", n, err)
		}
		break
	}
	info, err := s.Info(ctxFor(t))
	if err != nil || info.Last != uint64(stored) || info.First != 1 || stored == 0 {
		t.Errorf("%d acknowledged, stream %+v, %v", stored, info, err)
	}
}

func TestPublishTriesAgainWhileTheServerIsAway(t *testing.T) {
	cfg := ServerConfig{StoreDir: t.TempDir(), AdminPassword: "only-for-this-test"}
	srv, err := StartServer(cfg)
	if err != nil {
		t.Fatal(err)
	}
	port := portOf(t, srv)
	s := openOn(t, Config{URL: srv.ClientURL(), User: "lensledger", Password: cfg.AdminPassword, ManageStream: true, MaxBytes: 64 << 20})
	publish(t, s.Publisher(), events(1, 5))
	srv.Close()

	short, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	if _, err := s.Publisher().Publish(short, event(6)); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("server away, the caller's time over: %v", err)
	}
	done := make(chan []Result)
	go func() { done <- s.Publisher().PublishBatch(ctxFor(t), events(6, 20)) }()
	cfg.Port = port
	startServer(t, cfg)
	for i, r := range <-done {
		if r.Err != nil {
			t.Errorf("event %d: %v", i, r.Err)
		}
	}
	if info, err := s.Info(ctxFor(t)); err != nil || info.Last != 20 || info.Messages != 20 {
		t.Errorf("stream %+v, %v, want 20 messages", info, err)
	}
}

func TestPublishOnAClosedConnectionEnds(t *testing.T) {
	s := openStream(t)
	s.link.close()
	if _, err := s.Publisher().Publish(ctxFor(t), event(1)); err == nil || errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("publish after close: %v", err)
	}
}

// BenchmarkPublishPipelined is the raw limit of durable publishing: one
// publisher, many events under way, every write synced to disk.
func BenchmarkPublishPipelined(b *testing.B) {
	s := openStream(b)
	batch := make([]Outgoing, 1000)
	data := make([]byte, 500)
	n := 0
	b.ReportAllocs()
	b.ResetTimer()
	for done := 0; done < b.N; {
		size := min(len(batch), b.N-done)
		for i := range batch[:size] {
			n++
			batch[i] = event(n)
			batch[i].Data = data
		}
		publish(b, s.Publisher(), batch[:size])
		done += size
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
