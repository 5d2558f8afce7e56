package stream

import (
	"context"
	"errors"
	"net/url"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

func portOf(t testing.TB, s *Server) int {
	t.Helper()
	u, err := url.Parse(s.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	port, err := strconv.Atoi(u.Port())
	if err != nil {
		t.Fatal(err)
	}
	return port
}

func TestReplayFromEachPosition(t *testing.T) {
	s := openStream(t)
	const last = 25
	publish(t, s.Publisher(), events(1, last))
	for from := 1; from <= last+1; from++ {
		for _, size := range []int{1, 7, 100} {
			var got []Message
			end, err := s.Replay(ctxFor(t), uint64(from), BatchConfig{Max: size}, func(_ context.Context, batch []Message) error {
				if len(batch) == 0 || len(batch) > size {
					t.Errorf("batch of %d, at most %d wanted", len(batch), size)
				}
				got = append(got, batch...)
				return nil
			})
			if err != nil || end != last {
				t.Fatalf("from %d: ended at %d, %v", from, end, err)
			}
			wantMessages(t, got, from, last)
		}
	}
	var behind *BehindError
	if _, err := s.Replay(ctxFor(t), last+2, BatchConfig{}, nil); !errors.As(err, &behind) || behind.Last != last {
		t.Errorf("replay from beyond the end: %v", err)
	}
}

func TestReadIsBounded(t *testing.T) {
	s := openStream(t)
	if got, err := s.Read(ctxFor(t), 1, 10); err != nil || len(got) != 0 {
		t.Fatalf("empty stream: %d messages, %v", len(got), err)
	}
	publish(t, s.Publisher(), events(1, 20))
	got, err := s.Read(ctxFor(t), 5, 10)
	if err != nil {
		t.Fatal(err)
	}
	wantMessages(t, got, 5, 14)
	if got, err = s.Read(ctxFor(t), 0, 3); err != nil {
		t.Fatal(err)
	}
	wantMessages(t, got, 1, 3)
	if got, err = s.Read(ctxFor(t), 21, 3); err != nil || len(got) != 0 {
		t.Fatalf("past the end: %d messages, %v", len(got), err)
	}
}

func TestFollowBatchesTheBacklogAndThenEachAsItComes(t *testing.T) {
	s := openStream(t)
	publish(t, s.Publisher(), events(1, 120))
	stop := errors.New("enough")
	var got []Message
	var sizes []int
	started, release := make(chan struct{}), make(chan struct{})
	err := s.Follow(ctxFor(t), 1, BatchConfig{Max: 50}, func(_ context.Context, batch []Message) error {
		if len(got) == 0 {
			// While the first batch is worked on, the rest gathers.
			close(started)
			go func() {
				defer close(release)
				<-started
				publish(t, s.Publisher(), events(121, 200))
			}()
			<-release
		}
		got = append(got, batch...)
		sizes = append(sizes, len(batch))
		if len(got) == 200 {
			return stop
		}
		return nil
	})
	if err != stop {
		t.Fatalf("follow ended with %v, want the handler's own error", err)
	}
	wantMessages(t, got, 1, 200)
	if most := slices.Max(sizes); most > 50 {
		t.Errorf("batches %v, at most 50 wanted", sizes)
	}
	if len(sizes) > 20 {
		t.Errorf("%d batches for 200 messages that were all there: %v", len(sizes), sizes)
	}
}

func TestFollowEndsWithItsContext(t *testing.T) {
	s := openStream(t)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	seen := make(chan uint64, 10)
	go func() {
		done <- s.Follow(ctx, 1, BatchConfig{}, func(_ context.Context, batch []Message) error {
			seen <- batch[len(batch)-1].Sequence
			return nil
		})
	}()
	publish(t, s.Publisher(), events(1, 1))
	if n := <-seen; n != 1 {
		t.Fatalf("sequence %d", n)
	}
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("ended with %v", err)
	}
}

func TestFollowEndsWhenTheStreamIsClosed(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	s, err := Open(ctxFor(t), Config{Server: srv, ManageStream: true})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error)
	seen := make(chan struct{}, 10)
	go func() {
		done <- s.Follow(context.Background(), 1, BatchConfig{}, func(context.Context, []Message) error {
			seen <- struct{}{}
			return nil
		})
	}()
	publish(t, s.Publisher(), events(1, 1))
	<-seen
	s.Close()
	select {
	case err := <-done:
		if err == nil {
			t.Error("ended without an error")
		}
	case <-time.After(20 * time.Second):
		t.Error("still following a closed stream")
	}
}

func TestWaitGathersMore(t *testing.T) {
	s := openStream(t)
	stop := errors.New("enough")
	publish(t, s.Publisher(), events(1, 1))
	go publish(t, s.Publisher(), events(2, 3))
	var sizes []int
	err := s.Follow(ctxFor(t), 1, BatchConfig{Max: 3, Wait: 20 * time.Second}, func(_ context.Context, batch []Message) error {
		sizes = append(sizes, len(batch))
		return stop
	})
	if err != stop || !slices.Equal(sizes, []int{3}) {
		t.Errorf("batches %v, %v, want one of 3", sizes, err)
	}
}

func deleteMessage(t *testing.T, s *Stream, sequence uint64) {
	t.Helper()
	eraser := openOn(t, Config{Server: s.cfg.Server, Erasing: true})
	handle, err := eraser.js.Stream(ctxFor(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	if err := handle.SecureDeleteMsg(ctxFor(t), sequence); err != nil {
		t.Fatal(err)
	}
}

func TestAGapIsNamed(t *testing.T) {
	for _, c := range []struct {
		name    string
		deleted []uint64
		want    GapError
		before  int // messages that are handled before the gap
	}{
		{"within", []uint64{6}, GapError{Expected: 6, Got: 7}, 5},
		{"two", []uint64{6, 7}, GapError{Expected: 6, Got: 8}, 5},
		{"at the start", []uint64{1}, GapError{Expected: 1, Got: 2}, 0},
		{"at the end", []uint64{9, 10}, GapError{Expected: 9, Last: 10}, 8},
		{"everything", []uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, GapError{Expected: 1, Last: 10}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := openStream(t)
			publish(t, s.Publisher(), events(1, 10))
			for _, sequence := range c.deleted {
				deleteMessage(t, s, sequence)
			}
			var got []Message
			handle := func(_ context.Context, batch []Message) error {
				got = append(got, batch...)
				return nil
			}
			var gap *GapError
			_, err := s.Replay(ctxFor(t), 1, BatchConfig{}, handle)
			if c.name == "at the end" {
				// Replay notices at its next step, when the stall is looked into.
				wantMessages(t, got, 1, 8)
			}
			if !errors.As(err, &gap) || *gap != c.want {
				t.Fatalf("replay: %v, want %v", err, &c.want)
			}
			wantMessages(t, got, 1, c.before)
		})
	}
}

func TestARecreatedStreamIsNamed(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	s := openOn(t, Config{Server: srv, ManageStream: true})
	publish(t, s.Publisher(), events(1, 10))
	seen := make(chan uint64, 100)
	done := make(chan error)
	go func() {
		done <- s.Follow(ctxFor(t), 1, BatchConfig{}, func(_ context.Context, batch []Message) error {
			for _, m := range batch {
				seen <- m.Sequence
			}
			return nil
		})
	}()
	for n := range uint64(10) {
		if got := <-seen; got != n+1 {
			t.Fatalf("sequence %d, want %d", got, n+1)
		}
	}
	if err := s.js.DeleteStream(ctxFor(t), StreamName); err != nil {
		t.Fatal(err)
	}
	for ctx := ctxFor(t); ; {
		// The server clears the old store away in the background.
		_, err := s.js.CreateStream(ctx, streamConfig(Config{MaxBytes: 64 << 20}, newEpoch()))
		if err == nil {
			break
		}
		if ctx.Err() != nil {
			t.Fatal(err)
		}
	}
	publish(t, s.Publisher(), events(101, 120))
	err := <-done
	var epoch *EpochError
	if !errors.As(err, &epoch) || epoch.Want != s.Epoch() || epoch.Got == s.Epoch() {
		t.Errorf("follow ended with %v", err)
	}
	if len(seen) > 0 {
		t.Errorf("%d messages of the new stream were handed over", len(seen))
	}
	if _, err := s.Info(ctxFor(t)); !errors.As(err, &epoch) {
		t.Errorf("info: %v", err)
	}
}

func TestADeletedStreamIsNamed(t *testing.T) {
	s := openStream(t)
	done := make(chan error)
	seen := make(chan struct{}, 10)
	go func() {
		done <- s.Follow(ctxFor(t), 1, BatchConfig{}, func(context.Context, []Message) error {
			seen <- struct{}{}
			return nil
		})
	}()
	publish(t, s.Publisher(), events(1, 1))
	<-seen
	if err := s.js.DeleteStream(ctxFor(t), StreamName); err != nil {
		t.Fatal(err)
	}
	if err := <-done; !errors.Is(err, ErrMissing) {
		t.Errorf("follow ended with %v", err)
	}
}

func TestFollowFromBeyondTheEndIsNamed(t *testing.T) {
	s := openStream(t)
	publish(t, s.Publisher(), events(1, 3))
	var behind *BehindError
	if err := s.Follow(ctxFor(t), 6, BatchConfig{}, nil); !errors.As(err, &behind) || *behind != (BehindError{Last: 3, Checkpoint: 5}) {
		t.Errorf("follow from 6 of 3: %v", err)
	}
}

func TestFollowOutlivesItsConsumerAndItsServer(t *testing.T) {
	cfg := ServerConfig{StoreDir: t.TempDir(), AdminPassword: "only-for-this-test"}
	srv, err := StartServer(cfg)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Port = portOf(t, srv)
	s := openOn(t, Config{URL: srv.ClientURL(), User: "lensledger", Password: cfg.AdminPassword, ManageStream: true, MaxBytes: 64 << 20, Heartbeat: time.Second})
	stop := errors.New("enough")
	var got []Message
	arrived := make(chan int, 1000)
	done := make(chan error)
	go func() {
		done <- s.Follow(ctxFor(t), 1, BatchConfig{Max: 10}, func(_ context.Context, batch []Message) error {
			got = append(got, batch...)
			arrived <- len(got)
			if len(got) == 300 {
				return stop
			}
			return nil
		})
	}()
	reach := func(n int) {
		t.Helper()
		for {
			select {
			case have := <-arrived:
				if have >= n {
					return
				}
			case <-time.After(25 * time.Second):
				t.Fatalf("still waiting for %d messages", n)
			}
		}
	}
	publish(t, s.Publisher(), events(1, 100))
	reach(100)
	deleteConsumers(t, s)
	publish(t, s.Publisher(), events(101, 200))
	reach(200)
	srv.Close()
	startServer(t, cfg)
	publish(t, s.Publisher(), events(201, 300))
	if err := <-done; err != stop {
		t.Fatal(err)
	}
	wantMessages(t, got, 1, 300)
}

func deleteConsumers(t *testing.T, s *Stream) {
	t.Helper()
	handle, err := s.js.Stream(ctxFor(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	names := handle.ConsumerNames(ctxFor(t))
	n := 0
	for name := range names.Name() {
		if err := handle.DeleteConsumer(ctxFor(t), name); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			t.Fatal(err)
		}
		n++
	}
	if n == 0 {
		t.Fatal("there was no consumer to delete")
	}
}

func TestMemoryOfAReaderIsBounded(t *testing.T) {
	const size, all = 1 << 20, 40
	const room = maxInboxBytes/size - 1 // each message counts a byte more
	box := newInbox()
	put := make(chan int, all)
	go func() {
		for n := range all {
			box.put(context.Background(), delivery{Message: Message{Data: make([]byte, size)}})
			put <- n
		}
	}()
	for range room {
		<-put
	}
	select {
	case n := <-put:
		t.Fatalf("message %d found room", n+1)
	case <-time.After(50 * time.Millisecond):
	}
	for taken := 0; taken < all; {
		<-box.arrived
		n := len(box.take(all))
		if n > room {
			t.Fatalf("%d messages were waiting, room is for %d", n, room)
		}
		taken += n
	}

	// One that is larger than the room passes alone, and a full inbox doesn't
	// hold up the end.
	ctx, cancel := context.WithCancel(context.Background())
	box.put(ctx, delivery{Message: Message{Data: make([]byte, maxInboxBytes+1)}})
	cancel()
	box.put(ctx, delivery{Message: Message{Data: make([]byte, 1)}})
	if n := len(box.take(all)); n != 1 {
		t.Errorf("%d messages, want 1", n)
	}
}

// A message that the network lost isn't a gap in the log: the reader must ask for
// it again instead of stopping.
func TestALossOnTheWayIsNoGap(t *testing.T) {
	empty := openStream(t) // which has nothing in the place of what is gone
	for _, c := range []struct {
		name                string
		numbers, sequences  []uint64
		handed              int
		want                error
		gapExpected, gapGot uint64
	}{
		{"none", []uint64{1, 2, 3}, []uint64{5, 6, 7}, 3, nil, 0, 0},
		{"lost on the way", []uint64{1, 3}, []uint64{5, 7}, 1, errLostOnWay, 0, 0},
		{"gone from the log", []uint64{1, 2}, []uint64{5, 7}, 1, nil, 6, 7},
	} {
		box := newInbox()
		for i := range c.numbers {
			box.put(t.Context(), delivery{Message: Message{Sequence: c.sequences[i]}, number: c.numbers[i]})
		}
		var number uint64
		batch, err := (&reader{s: empty, next: 5}).gather(t.Context(), box, &number)
		var gap *GapError
		switch {
		case len(batch) != c.handed:
			t.Errorf("%s: %d messages handed over, want %d", c.name, len(batch), c.handed)
		case c.gapGot > 0 && (!errors.As(err, &gap) || gap.Expected != c.gapExpected || gap.Got != c.gapGot):
			t.Errorf("%s: %v", c.name, err)
		case c.gapGot == 0 && !errors.Is(err, c.want):
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}
