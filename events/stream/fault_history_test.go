package stream_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
)

// While a reader is busy, the log is exchanged for an older copy, and grows past the
// reader's place again before it looks: epoch and length are right, the events are
// others. It must be told, not be given the rest.
func TestAReaderNoticesALogThatWentOnFromAnOlderCopy(t *testing.T) {
	t.Parallel()
	store, older := filepath.Join(t.TempDir(), "js"), filepath.Join(t.TempDir(), "older")
	server := streamtest.Start(t, streamtest.Spec{StoreDir: store, MaxFileBytes: 1 << 30})
	cfg := configFor(server)
	cfg.MaxBytes = 64 << 20
	s := openSoon(t, cfg)
	work := func(round string, n int) {
		for _, r := range s.Publisher().PublishBatch(within(t, time.Minute), numbered(round, n)) {
			if r.Err != nil {
				t.Fatal(r.Err)
			}
		}
	}
	work("first", 20)
	server.Stop(t)
	if err := os.CopyFS(older, os.DirFS(store)); err != nil {
		t.Fatal(err)
	}
	server.Restart(t)
	work("second", 20)

	busy, released := make(chan struct{}), make(chan struct{})
	done := make(chan error, 1)
	var given uint64
	reading := openSoon(t, cfg)
	go func() {
		done <- reading.Follow(within(t, time.Minute), 1, stream.BatchConfig{}, func(_ context.Context, batch []stream.Message) error {
			given = batch[len(batch)-1].Sequence
			if given == 40 {
				close(busy)
				<-released
			}
			return nil
		})
	}()
	<-busy
	server.Stop(t)
	if err := errors.Join(os.RemoveAll(store), os.CopyFS(store, os.DirFS(older))); err != nil {
		t.Fatal(err)
	}
	server.Restart(t)
	work("other", 40) // 21 to 60
	close(released)
	var history *stream.HistoryError
	if err := <-done; !errors.As(err, &history) || history.Sequence != 40 {
		t.Errorf("want sequence 40 named: %v", err)
	}
	if given != 40 {
		t.Errorf("given up to %d of a log that isn't the one it read", given)
	}
}

func numbered(round string, n int) (batch []stream.Outgoing) {
	for i := range n {
		batch = append(batch, event(round+string(rune('a'+i/26))+string(rune('a'+i%26)), 50))
	}
	return batch
}
