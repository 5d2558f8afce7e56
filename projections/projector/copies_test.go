package projector_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// mixed publishes one event of each disposition and more: positions 1 to 8.
func (r *registry) mixed(t testing.TB) {
	t.Helper()
	a, other := started("x1", "K-1", "S-1", morning), started("x1", "K-1", "S-2", morning)
	spaced := bytes.Replace(a.Encode(), []byte(`{`), []byte(`{ `), 1)
	for i, out := range []stream.Outgoing{
		{Subject: projector.SubjectOf(a), MessageID: a.MessageID(), Data: a.Encode()},                                                         // 1 in conflict later
		{Subject: projector.SubjectOf(a), MessageID: "again", Data: spaced},                                                                   // 2 a duplicate in other bytes
		{Subject: "cases.v1.ehr-harbour.HARBOUR.case.started", MessageID: "half", Data: []byte(`{"half`)},                                     // 3 quarantined
		{Subject: projector.SubjectOf(other), MessageID: other.MessageID(), Data: other.Encode()},                                             // 4 a conflict
		{Subject: projector.SubjectOf(a), MessageID: finished("x2", "K-1", morning).MessageID(), Data: finishedX2()},                          // 5 quarantined: the subject differs
		{Subject: projector.SubjectOf(finished("x3", "K-1", morning)), MessageID: finished("x3", "K-1", morning).MessageID(), Data: bodyX3()}, // 6 accepted
		{Subject: projector.SubjectOf(a), MessageID: "again and again", Data: a.Encode()},                                                     // 7 a duplicate
	} {
		if _, err := r.stream.Publisher().Publish(t.Context(), out); err != nil {
			t.Fatal(i, err)
		}
	}
	r.publish(t, finished("x4", "K-2", morning.Add(time.Hour))) // 8
	r.run(t, 3)
}

func finishedX2() []byte { return finished("x2", "K-1", morning).Encode() }
func bodyX3() []byte     { return finished("x3", "K-1", morning).Encode() }

func (r *registry) copies(t testing.TB, cfg projector.CopiesConfig) projector.Copies {
	t.Helper()
	c, err := r.projector().CompareCopies(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (r *registry) exec(t testing.TB, sql string, args ...any) {
	t.Helper()
	if _, err := r.Pool.Exec(t.Context(), sql, args...); err != nil {
		t.Fatal(sql, err)
	}
}

// Each kind of damage to the archive is found at its position, and the copy at fault
// is named; what is whole is not accused.
func TestCopiesAreCompared(t *testing.T) {
	const flip = "set_byte(body, 20, get_byte(body, 20) # 1)"
	r := openRegistry(t, quickStore(t))
	r.mixed(t)
	for _, table := range []string{"event_log", "arrival", "quarantine"} {
		r.exec(t, "CREATE TABLE "+r.Base+".whole_"+table+" AS TABLE "+table)
	}
	for _, damage := range []struct {
		name, sql          string
		sequence           uint64
		copy, kind         string
		aloneCopy, without string // by the archive's own hashes; "" where they can't tell
	}{
		{"nothing", "SELECT 1", 0, "", "", "", ""},
		{"a bit of an archived event", "UPDATE event_log SET body = " + flip + " WHERE sequence = 6", 6, projector.CopyArchive, projector.Changed, projector.CopyArchive, projector.Changed},
		{"a bit of a stored hash", "UPDATE event_log SET wire_hash = set_byte(wire_hash, 3, get_byte(wire_hash, 3) # 1) WHERE sequence = 8", 8, projector.CopyArchive, projector.Changed, projector.CopyArchive, projector.Changed},
		{"a bit of an event's hash", "UPDATE event_log SET hash = set_byte(hash, 3, get_byte(hash, 3) # 1) WHERE sequence = 8", 8, projector.CopyArchive, projector.Changed, projector.CopyArchive, projector.Changed},
		{"headers", `UPDATE event_log SET headers = '{"ce-id": ["y"]}' WHERE sequence = 6`, 6, projector.CopyArchive, projector.Changed, projector.CopyArchive, projector.Changed},
		{"another event, whole", "UPDATE event_log SET (hash, wire_hash, headers, body) = (SELECT set_byte(hash, 0, get_byte(hash, 0) # 1), wire_hash, headers, body FROM event_log WHERE sequence = 8) WHERE sequence = 6", 6, projector.CopyArchive, projector.Changed, projector.CopyArchive, projector.Changed},
		{"a row of an event", "DELETE FROM event_log WHERE sequence = 6", 6, projector.CopyArchive, projector.Missing, projector.CopyArchive, projector.Missing},
		{"a position", "WITH a AS (DELETE FROM arrival WHERE sequence = 6) DELETE FROM event_log WHERE sequence = 6", 6, projector.CopyArchive, projector.Missing, projector.CopyArchive, projector.Missing},
		{"the last position", "WITH a AS (DELETE FROM arrival WHERE sequence = 8) DELETE FROM event_log WHERE sequence = 8", 8, projector.CopyArchive, projector.Missing, projector.CopyArchive, projector.Missing},
		{"a disposition", "DELETE FROM arrival WHERE sequence = 6", 6, projector.CopyArchive, projector.Missing, projector.CopyArchive, projector.Missing},
		{"a row in quarantine", "DELETE FROM quarantine WHERE sequence = 3", 3, projector.CopyArchive, projector.Missing, projector.CopyArchive, projector.Missing},
		{"a byte in quarantine", "UPDATE quarantine SET body = 'x' WHERE sequence = 3", 3, projector.CopyUnknown, projector.Changed, "", ""},
		{"a row too many", "INSERT INTO event_log SELECT 7, source, id || 'x', hash, wire_hash, type, about, subject, department, recorded_at, headers, body FROM event_log WHERE sequence = 8", 7, projector.CopyArchive, projector.Extra, projector.CopyArchive, projector.Extra},
		{"a row after the position", "INSERT INTO arrival SELECT 9, disposition, recorded_at, recorded_high FROM arrival WHERE sequence = 8", 9, projector.CopyArchive, projector.Extra, projector.CopyArchive, projector.Extra},
		{"what a duplicate repeats", "UPDATE arrival SET duplicate_of = 6 WHERE sequence = 7", 7, projector.CopyUnknown, projector.Changed, "", ""},
		{"the event that a duplicate repeats", "UPDATE event_log SET source = 'ehr-other' WHERE sequence = 1", 2, projector.CopyStream, projector.Changed, "", ""},
	} {
		t.Run(damage.name, func(t *testing.T) {
			for _, table := range []string{"event_log", "arrival", "quarantine"} {
				r.exec(t, "DELETE FROM "+table)
				r.exec(t, "INSERT INTO "+table+" TABLE whole_"+table)
			}
			r.exec(t, damage.sql)
			check := func(c projector.Copies, copy, kind string) {
				t.Helper()
				if kind == "" {
					if !c.Equal() || len(c.Differences) > 0 || c.Compared != 8 {
						t.Errorf("found %+v, nothing is wrong", c)
					}
					return
				}
				if len(c.Differences) == 0 {
					t.Fatal("nothing was found")
				}
				if d := c.Differences[0]; d.Sequence != damage.sequence || d.Copy != copy || d.Kind != kind {
					t.Errorf("found %+v, want sequence %d %s in %s", c.Differences, damage.sequence, kind, copy)
				}
			}
			check(r.copies(t, projector.CopiesConfig{}), damage.copy, damage.kind)
			alone, err := projector.New(projector.Config{Pool: r.Pool, Base: r.Base}).CompareCopies(t.Context(), projector.CopiesConfig{})
			if err != nil || alone.StreamRead {
				t.Fatal(err, alone.StreamRead)
			}
			check(alone, damage.aloneCopy, damage.without)
		})
	}
}

// What differs while each copy agrees with its own hashes is laid to neither.
func TestTwoWholeCopiesThatDiffer(t *testing.T) {
	r := openRegistry(t, quickStore(t))
	e, other := finished("x3", "K-1", morning), finished("x3", "K-1", morning.Add(time.Minute))
	r.publish(t, e)
	r.run(t, 500)
	hash, wire := other.Hash(), events.WireHash(nil, other.Encode())
	r.exec(t, "UPDATE event_log SET body = $1, hash = $2, wire_hash = $3", other.Encode(), hash[:], wire[:])
	if c := r.copies(t, projector.CopiesConfig{}); len(c.Differences) != 1 || c.Differences[0].Copy != projector.CopyUnknown {
		t.Errorf("found %+v", c)
	}
}

// A message whose bytes don't give the hash of its own message id is the one at fault.
func TestChangedMessageIsNamed(t *testing.T) {
	r := openRegistry(t, quickStore(t))
	e, changed := finished("x3", "K-1", morning), finished("x3", "K-1", morning.Add(time.Minute))
	if _, err := r.stream.Publisher().Publish(t.Context(), stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: changed.Encode()}); err != nil {
		t.Fatal(err)
	}
	r.run(t, 500)
	hash, wire := e.Hash(), events.WireHash(nil, e.Encode())
	r.exec(t, "UPDATE event_log SET body = $1, hash = $2, wire_hash = $3", e.Encode(), hash[:], wire[:])
	if c := r.copies(t, projector.CopiesConfig{}); len(c.Differences) != 1 || c.Differences[0].Copy != projector.CopyStream || c.Differences[0].Kind != projector.Changed {
		t.Errorf("found %+v", c)
	}
}

// A sample looks at as many positions as asked, the same ones for a seed; all of them
// together find what a comparison of all finds.
func TestCopiesOfASample(t *testing.T) {
	r := openRegistry(t, quickStore(t))
	r.mixed(t)
	r.exec(t, "DELETE FROM event_log WHERE sequence = 6")
	found := 0
	for seed := range uint64(16) {
		c := r.copies(t, projector.CopiesConfig{Sample: 3, Seed: seed + 1})
		if c.Compared != 3 || c.Sample != 3 || c.Seed != seed+1 {
			t.Errorf("seed %d: %+v", seed+1, c)
		}
		again := r.copies(t, projector.CopiesConfig{Sample: 3, Seed: seed + 1})
		if fmt.Sprint(again) != fmt.Sprint(c) {
			t.Errorf("seed %d gave %+v and %+v", seed+1, c, again)
		}
		found += len(c.Differences)
	}
	if found == 0 || found == 16 {
		t.Errorf("the missing row was in %d of 16 samples of 3 in 8", found)
	}
}

// A bit that flips in the stream's own files is found: whatever the server makes of
// its store, no message that it lost passes for one that is there.
func TestFlippedBitInTheStoreIsFound(t *testing.T) {
	dir := quickStore(t)
	r := openRegistry(t, dir)
	var es []events.Event
	for i := range 60 {
		es = append(es, finished(fmt.Sprintf("e%03d", i), fmt.Sprintf("K-%d", i), morning.Add(time.Duration(i)*time.Minute)))
	}
	r.publish(t, es...)
	r.run(t, 500)
	if c := r.copies(t, projector.CopiesConfig{}); !c.Equal() || c.Compared != 60 {
		t.Fatalf("found %+v before anything was done", c)
	}
	r.stream.Close()
	r.server.Close()
	flipInStore(t, dir, []byte(`"e029"`))
	var err error
	if r.server, err = stream.StartServer(stream.ServerConfig{StoreDir: dir, InProcessOnly: true, MaxFileBytes: 1 << 30}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.server.Close)
	if r.stream, err = stream.Open(t.Context(), stream.Config{Server: r.server}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.stream.Close)
	c := r.copies(t, projector.CopiesConfig{Quiet: 5 * time.Second})
	covered := false
	for _, d := range c.Differences {
		covered = covered || d.Copy == projector.CopyStream && d.Sequence <= 30 && max(d.Sequence, d.Through) >= 30
		if d.Copy != projector.CopyStream {
			t.Errorf("%+v: the archive is whole", d)
		}
	}
	if !covered {
		t.Errorf("message 30 was damaged, found: %+v", c)
	}
	t.Logf("found: %+v", c.Differences)
}

// flipInStore flips one bit where some bytes stand in the blocks of a stopped store.
func flipInStore(t testing.TB, dir string, where []byte) {
	t.Helper()
	flipped := 0
	err := filepath.WalkDir(dir, func(path string, entry os.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".blk" {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if at := bytes.Index(text, where); at >= 0 {
			text[at+2] ^= 1
			flipped++
			return os.WriteFile(path, text, 0o600)
		}
		return nil
	})
	if err != nil || flipped != 1 {
		t.Fatalf("%d blocks with %q, %v", flipped, where, err)
	}
}

// quickStore is a folder in memory where the system has one.
func quickStore(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "lensledger-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// A stream that lost all of it, or its end, is given its messages back: each under its
// old sequence, so that a replay of it gives the same dispositions and events.
func TestRefill(t *testing.T) {
	r := openRegistry(t, quickStore(t))
	r.mixed(t)
	before := r.dispositions(t)
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickStore(t), InProcessOnly: true, MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	fresh, err := stream.OpenToRefill(t.Context(), stream.Config{Server: server, ExpectEpoch: r.stream.Epoch()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(fresh.Close)
	refilling := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: fresh})
	// The first duplicate is from before duplicates were noted.
	r.exec(t, "UPDATE arrival SET duplicate_of = NULL WHERE sequence = 2")
	done, err := refilling.Refill(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if done != (projector.Refilled{From: 1, To: 8, Stood: 1}) {
		t.Errorf("refilled %+v", done)
	}
	if again, err := refilling.Refill(t.Context()); err != nil || again != (projector.Refilled{To: 8}) {
		t.Errorf("refilled again %+v, %v", again, err)
	}
	r.stream = fresh
	if c := r.copies(t, projector.CopiesConfig{}); !c.Equal() || c.Compared != 8 {
		t.Errorf("after the refill the copies differ: %+v", c)
	}
	replayed := &registry{DB: pgtest.New(t), server: server, stream: fresh}
	replayed.run(t, 3)
	if after := replayed.dispositions(t); fmt.Sprint(after) != fmt.Sprint(before) {
		t.Errorf("a replay of the refilled stream gives %v, before it was %v", after, before)
	}
	if d := difference(replayed.contents(t), r.contents(t)); d != "" {
		t.Errorf("a replay of the refilled stream gives other rows: %s", d)
	}
	// The registry goes on with it.
	r.publish(t, finished("x5", "K-5", morning.Add(time.Hour)))
	r.run(t, 500)
}

// Where new events have taken old sequences, nothing is written.
func TestRefillStopsAtForeignEvents(t *testing.T) {
	r := openRegistry(t, quickStore(t))
	r.mixed(t)
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickStore(t), InProcessOnly: true, MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	fresh, err := stream.OpenToRefill(t.Context(), stream.Config{Server: server, ExpectEpoch: r.stream.Epoch()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(fresh.Close)
	e := finished("new", "K-7", morning)
	if err := publishAll(t.Context(), fresh.Publisher(), []events.Event{e}); err != nil {
		t.Fatal(err)
	}
	if _, err := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: fresh}).Refill(t.Context()); err == nil {
		t.Error("refilled behind a new event")
	}
	info, err := fresh.Info(t.Context())
	if err != nil || info.Last != 1 {
		t.Errorf("the stream ends at %d, %v; nothing was to be written", info.Last, err)
	}
}
