package stream

import (
	"bytes"
	"context"
	"errors"
	"io"
	"reflect"
	"testing"
	"time"
)

// A snapshot brings back the same messages under the same sequences, times and epoch,
// erased ones as erased, on an empty server.
func TestSnapshotIsRestored(t *testing.T) {
	g := startGuarded(t, User{Name: "backup", Password: "backup-only-here", Permissions: BackupPermissions("backup")})
	erase(t, g.admin, 4)
	want, err := g.admin.Read(ctxFor(t), 1, 100)
	if err != nil {
		t.Fatal(err)
	}
	var bytesOf bytes.Buffer
	snap, err := openOn(t, g.as("backup")).Snapshot(ctxFor(t), &bytesOf)
	if err != nil {
		t.Fatal(err)
	}
	if snap.Epoch != g.admin.Epoch() || snap.First != 1 || snap.Last != 11 || snap.Messages != 10 {
		t.Errorf("snapshot of %+v", snap)
	}
	other := startServer(t, ServerConfig{Users: []User{{Name: "restore", Password: "restore-only-here", Permissions: RestorePermissions("restore")}}})
	cfg := RestoreConfig{Config: guarded{srv: other}.as("restore")}
	cfg.MaxBytes = 1 << 20
	if err := RestoreSnapshot(ctxFor(t), cfg, snap, bytes.NewReader(bytesOf.Bytes())); err != nil {
		t.Fatal(err)
	}
	restored := openOn(t, Config{Server: other, ExpectEpoch: g.admin.Epoch(), MinLastSequence: 11, MaxBytes: 1 << 20})
	got, err := restored.Read(ctxFor(t), 1, 100)
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("restored %v, %v\nwant %v", got, err, want)
	}

	// What is there isn't replaced unasked.
	publish(t, restored.Publisher(), events(20, 20))
	var exists *ExistsError
	if err := RestoreSnapshot(ctxFor(t), cfg, snap, bytes.NewReader(bytesOf.Bytes())); !errors.As(err, &exists) || exists.Last != 12 || exists.Restored != 11 {
		t.Errorf("restored over another: %v", err)
	}
	if info, err := restored.Info(ctxFor(t)); err != nil || info.Last != 12 {
		t.Errorf("the refused restore left %+v, %v", info, err)
	}
	cfg.Overwrite = true
	if err := RestoreSnapshot(ctxFor(t), cfg, snap, bytes.NewReader(bytesOf.Bytes())); err != nil {
		t.Fatal(err)
	}
	if info, err := restored.Info(ctxFor(t)); err != nil || info.Last != 11 {
		t.Errorf("the restore that overwrites left %+v, %v", info, err)
	}
	// Half a snapshot leaves no stream that could pass for one.
	half := bytes.NewReader(bytesOf.Bytes()[:bytesOf.Len()/2])
	if err := RestoreSnapshot(ctxFor(t), cfg, snap, half); err == nil {
		t.Error("half a snapshot was restored")
	}
	if _, err := Open(ctxFor(t), Config{Server: other}); !errors.Is(err, ErrMissing) {
		t.Errorf("half a snapshot left a stream: %v", err)
	}
}

// The backup's credential takes snapshots and nothing else.
func TestABackupOnlyReads(t *testing.T) {
	g := startGuarded(t, User{Name: "backup", Password: "backup-only-here", Permissions: BackupPermissions("backup")})
	s := openOn(t, g.as("backup"))
	var denied *DeniedError
	if _, err := s.Publisher().Publish(ctxFor(t), event(11)); !errors.As(err, &denied) {
		t.Errorf("it published: %v", err)
	}
	conn := hostile(t, g, "backup")
	for _, subject := range []string{subjectDelete, subjectRestore, deleteSubject, "$JS.API.STREAM.PURGE.CASES", "$JS.API.STREAM.UPDATE.CASES", "$JS.API.CONSUMER.CREATE.CASES"} {
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		if answer, err := conn.RequestWithContext(ctx, subject, []byte(`{}`)); err == nil {
			t.Errorf("a request on %s was answered: %s", subject, answer.Data)
		}
		cancel()
	}
	g.unchanged(t)
	if _, err := openOn(t, g.as("projector")).Snapshot(ctxFor(t), io.Discard); !errors.As(err, &denied) {
		t.Errorf("a projector took a snapshot: %v", err)
	}
}

// A snapshot larger than what the server sends ahead comes whole, and a writer that
// fails ends it.
func TestSnapshotOfManyChunks(t *testing.T) {
	srv := startServer(t, ServerConfig{lazySync: true})
	s, err := Open(ctxFor(t), Config{Server: srv, ManageStream: true, loading: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	batch := events(1, 60)
	noise := uint32(1)
	for i := range batch {
		batch[i].Data = make([]byte, 200<<10)
		for j := range batch[i].Data { // what can't be compressed
			noise ^= noise << 13
			noise ^= noise >> 17
			noise ^= noise << 5
			batch[i].Data[j] = byte(noise)
		}
	}
	publish(t, s.Publisher(), batch)
	var first, second bytes.Buffer
	if _, err := s.Snapshot(ctxFor(t), &first); err != nil {
		t.Fatal(err)
	}
	if first.Len() < 10<<20 {
		t.Errorf("a snapshot of %d bytes", first.Len())
	}
	broken := errors.New("no room")
	if _, err := s.Snapshot(ctxFor(t), failing{broken}); !errors.Is(err, broken) {
		t.Errorf("a writer that fails: %v", err)
	}
	snap, err := s.Snapshot(ctxFor(t), &second)
	if err != nil || snap.Last != 60 {
		t.Fatal(snap.Last, err)
	}
	other := startServer(t, ServerConfig{lazySync: true})
	if err := RestoreSnapshot(ctxFor(t), RestoreConfig{Config: Config{Server: other, MaxBytes: 1 << 28}}, snap, bytes.NewReader(second.Bytes())); err != nil {
		t.Fatal(err)
	}
	restored, err := Open(ctxFor(t), Config{Server: other, loading: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(restored.Close)
	got, err := restored.Read(ctxFor(t), 1, 60)
	if err != nil || len(got) != 60 {
		t.Fatal(len(got), err)
	}
	for i, m := range got {
		if !bytes.Equal(m.Data, batch[i].Data) {
			t.Fatalf("message %d differs", i+1)
		}
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// A message is given its old sequence or none.
func TestRefillGivesOldSequencesOrNone(t *testing.T) {
	srv := startServer(t, ServerConfig{})
	s, err := OpenToRefill(ctxFor(t), Config{Server: srv, ExpectEpoch: "the-old-one"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	if s.Epoch() != "the-old-one" {
		t.Errorf("epoch %s", s.Epoch())
	}
	if err := s.Refill(ctxFor(t), 1, events(1, 600)); err != nil {
		t.Fatal(err)
	}
	got, err := s.Read(ctxFor(t), 1, 1000)
	if err != nil || len(got) != 600 {
		t.Fatal(len(got), err)
	}
	for i, m := range got {
		if want := event(i + 1); m.Sequence != uint64(i+1) || m.Subject != want.Subject || !bytes.Equal(m.Data, want.Data) {
			t.Fatalf("sequence %d is %s %s", m.Sequence, m.Subject, m.Data)
		}
	}
	// Somebody publishes in between.
	publish(t, s.Publisher(), events(700, 700))
	var taken *TakenError
	if err := s.Refill(ctxFor(t), 601, events(601, 700)); !errors.As(err, &taken) || taken.Sequence != 601 {
		t.Errorf("refilled where another stands: %v", err)
	}
	if info, err := s.Info(ctxFor(t)); err != nil || info.Last != 601 {
		t.Errorf("the stream ends at %d, %v", info.Last, err)
	}
	if err := s.Refill(ctxFor(t), 604, events(604, 605)); !errors.As(err, &taken) {
		t.Errorf("refilled past a gap: %v", err)
	}
	var epoch *EpochError
	if _, err := OpenToRefill(ctxFor(t), Config{Server: srv, ExpectEpoch: "another"}); !errors.As(err, &epoch) {
		t.Errorf("opened a stream of another epoch: %v", err)
	}
	if _, err := OpenToRefill(ctxFor(t), Config{Server: srv}); err == nil {
		t.Error("refilled without an epoch")
	}
}
