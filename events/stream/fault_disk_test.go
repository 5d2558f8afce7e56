package stream_test

import (
	"errors"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
)

// fillUp publishes until the log takes no more, and gives the event that it didn't
// take, and why.
func fillUp(t *testing.T, s *stream.Stream, ledger *streamtest.Ledger, round string, size int) (stream.Outgoing, error) {
	t.Helper()
	for n := range 100_000 {
		out := event(round+"-"+strconv.Itoa(n), size)
		r, err := s.Publisher().Publish(within(t, 2*time.Second), out)
		if err != nil {
			return out, err
		}
		if err := ledger.Add(out.MessageID, r.Sequence, out.Data); err != nil {
			t.Fatal(err)
		}
	}
	t.Fatal("the log takes more than there is room for")
	return stream.Outgoing{}, nil
}

// The log's disk is full: nothing is acknowledged that isn't stored, the publisher is
// told so by name, and once there is room a restart of the server is enough.
func TestAFullDiskLosesNothingAcknowledged(t *testing.T) {
	t.Parallel()
	disk := streamtest.NewSmallDisk(t, 16<<20)
	server := streamtest.Start(t, streamtest.Spec{StoreDir: filepath.Join(disk.Dir, "js"), MaxFileBytes: 8 << 30})
	s := openSoon(t, configFor(server))
	ledger := streamtest.NewLedger(t)
	rounds := streamtest.Rounds(t, 1, 1)
	slowest := time.Duration(0)
	for round := range rounds {
		kept, err := fillUp(t, s, ledger, strconv.Itoa(round), 16<<10)
		if !errors.Is(err, stream.ErrNotAcknowledged) && !errors.Is(err, stream.ErrFull) {
			t.Fatalf("the disk is full: %v", err)
		}
		if free := disk.Free(t); free > 64<<10 {
			t.Fatalf("the disk isn't full: %d bytes are free", free)
		}
		// What can be read of it is still right.
		wantAll(t, s, ledger)
		// A server killed on a full disk starts again on it, too.
		server.Kill()
		server.Restart(t)
		disk.Resize(t, int64(round+2)*16<<20)
		begun := time.Now()
		server.Kill()
		server.Restart(t)
		r, err := s.Publisher().Publish(within(t, 30*time.Second), kept)
		if err != nil {
			t.Fatalf("there is room again: %v", err)
		}
		slowest = max(slowest, time.Since(begun))
		if err := ledger.Add(kept.MessageID, r.Sequence, kept.Data); err != nil {
			t.Fatal(err)
		}
		again := configFor(server)
		again.ManageStream, again.ExpectEpoch, again.MinLastSequence = false, s.Epoch(), ledger.Last()
		openSoon(t, again).Close()
	}
	t.Logf("%d full disks: %s; stored again %s after there was room and the server was restarted", rounds, wantAll(t, s, ledger), slowest)
}

// max_bytes is met before the disk is full: it is refused by name, and goes on as
// soon as the stream is given more, without a restart.
func TestAFullLogGoesOnOnceItHasRoom(t *testing.T) {
	t.Parallel()
	server := streamtest.Start(t, streamtest.Spec{StoreDir: t.TempDir(), MaxFileBytes: 1 << 30})
	cfg := configFor(server)
	cfg.MaxBytes = 1 << 20
	s := openSoon(t, cfg)
	_, js := admin(t, server)
	ledger := streamtest.NewLedger(t)
	for round := range streamtest.Rounds(t, 2, 1) {
		kept, err := fillUp(t, s, ledger, strconv.Itoa(round), 16<<10)
		if !errors.Is(err, stream.ErrFull) {
			t.Fatalf("the log is full: %v", err)
		}
		wantAll(t, s, ledger)
		handle, err := js.Stream(within(t, 10*time.Second), stream.StreamName)
		if err != nil {
			t.Fatal(err)
		}
		more := handle.CachedInfo().Config
		more.MaxBytes += 1 << 20
		if _, err := js.UpdateStream(within(t, 10*time.Second), more); err != nil {
			t.Fatal(err)
		}
		r, err := s.Publisher().Publish(within(t, 30*time.Second), kept)
		if err != nil {
			t.Fatalf("there is room again: %v", err)
		}
		if err := ledger.Add(kept.MessageID, r.Sequence, kept.Data); err != nil {
			t.Fatal(err)
		}
	}
	t.Log(wantAll(t, s, ledger))
}
