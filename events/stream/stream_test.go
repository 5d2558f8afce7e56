package stream

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m)
}

// startServer runs a server for one test.
func startServer(t testing.TB, cfg ServerConfig) *Server {
	t.Helper()
	if cfg.StoreDir == "" {
		cfg.StoreDir = t.TempDir()
	}
	s, err := StartServer(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// openStream opens the stream of a server of its own.
func openStream(t testing.TB) *Stream {
	t.Helper()
	return openOn(t, Config{Server: startServer(t, ServerConfig{InProcessOnly: true}), ManageStream: true, Heartbeat: time.Second})
}

func openOn(t testing.TB, cfg Config) *Stream {
	t.Helper()
	s, err := Open(ctxFor(t), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// ctxFor ends before a stuck test would hold up the others.
func ctxFor(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func event(n int) Outgoing {
	return Outgoing{
		Subject:   Subject("ehr-harbour", "HARBOUR", "case", "booked"),
		MessageID: fmt.Sprintf("ehr-harbour/%d/0123456789abcdef", n),
		Header:    map[string][]string{"Content-Type": {"application/cloudevents+json"}},
		Data:      fmt.Appendf(nil, `{"n":%d}`, n),
	}
}

func events(from, to int) []Outgoing {
	var out []Outgoing
	for n := from; n <= to; n++ {
		out = append(out, event(n))
	}
	return out
}

func publish(t testing.TB, p *Publisher, batch []Outgoing) {
	t.Helper()
	for i, r := range p.PublishBatch(ctxFor(t), batch) {
		if r.Err != nil {
			t.Errorf("event %d: %v", i, r.Err)
		}
	}
}

// wantMessages checks that the messages are the events from..to in order.
func wantMessages(t testing.TB, got []Message, from, to int) {
	t.Helper()
	if len(got) != to-from+1 {
		t.Fatalf("got %d messages, want %d", len(got), to-from+1)
	}
	for i, m := range got {
		want := event(from + i)
		if m.Sequence != uint64(from+i) || m.Subject != want.Subject || !bytes.Equal(m.Data, want.Data) {
			t.Fatalf("message %d is sequence %d, %s %s, want sequence %d, %s %s", i, m.Sequence, m.Subject, m.Data, from+i, want.Subject, want.Data)
		}
		if ct := m.Header["Content-Type"]; len(ct) != 1 || ct[0] != "application/cloudevents+json" {
			t.Fatalf("message %d has headers %v", i, m.Header)
		}
		if id := m.Header["Nats-Msg-Id"]; len(id) != 1 || id[0] != want.MessageID {
			t.Fatalf("message %d has id %v, want %s", i, id, want.MessageID)
		}
		if m.Time.IsZero() {
			t.Fatalf("message %d has no recorded time", i)
		}
	}
}

func TestSubjectRoundTrip(t *testing.T) {
	s := Subject("ehr-harbour", "HARBOUR", "lens", "implanted")
	if s != "cases.v1.ehr-harbour.HARBOUR.lens.implanted" {
		t.Fatal(s)
	}
	words, ok := ParseSubject(s)
	if !ok || words != (SubjectWords{"ehr-harbour", "HARBOUR", "lens", "implanted"}) {
		t.Fatal(words, ok)
	}
	for _, bad := range []string{
		"", "cases.v1", "cases.v1.a.b.c", "cases.v1.a.b.c.d.e", "cases.v2.a.b.c.d", "cases.v1.a..c.d",
		"cases.v1.a.*.c.d", "cases.v1.a.b.c.>", "cases.v1.a.b c.c.d", "x.cases.v1.a.b.c.d", "cases.v1.a.b.c.é",
	} {
		if words, ok := ParseSubject(bad); ok {
			t.Errorf("%q was taken apart as %v", bad, words)
		}
	}
}

func TestOpenCreatesOnceAndKeepsTheEpoch(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	if _, err := Open(ctxFor(t), Config{Server: srv}); !errors.Is(err, ErrMissing) {
		t.Fatalf("without ManageStream: %v", err)
	}
	first := openOn(t, Config{Server: srv, ManageStream: true})
	if first.Epoch() == "" {
		t.Fatal("no epoch")
	}
	if u := first.Unverified(); len(u) != 0 {
		t.Errorf("in process everything is known, yet unverified: %v", u)
	}
	publish(t, first.Publisher(), events(1, 3))
	again := openOn(t, Config{Server: srv, ManageStream: true, ExpectEpoch: first.Epoch(), MinLastSequence: 3})
	if again.Epoch() != first.Epoch() {
		t.Fatalf("epoch %s became %s", first.Epoch(), again.Epoch())
	}
	info, err := again.Info(ctxFor(t))
	if err != nil {
		t.Fatal(err)
	}
	if info.First != 1 || info.Last != 3 || info.Messages != 3 || info.Epoch != first.Epoch() || info.Bytes == 0 || info.LastTime.IsZero() {
		t.Errorf("info %+v", info)
	}
}

func TestOpenRefusesALogThatDoesntMatchTheCheckpoint(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	for _, cfg := range []Config{{MinLastSequence: 1}, {ExpectEpoch: "0b2f2a8e-6c1d-4f27-9d0a-1c1f9f4e7a10"}} {
		cfg.Server, cfg.ManageStream = srv, true
		if _, err := Open(ctxFor(t), cfg); !errors.Is(err, ErrMissing) {
			t.Fatalf("checkpoint without a stream: %v", err)
		}
	}
	if _, err := Open(ctxFor(t), Config{Server: srv}); !errors.Is(err, ErrMissing) {
		t.Fatalf("a refused Open created the stream: %v", err)
	}
	s := openOn(t, Config{Server: srv, ManageStream: true})
	publish(t, s.Publisher(), events(1, 3))
	var behind *BehindError
	if _, err := Open(ctxFor(t), Config{Server: srv, ManageStream: true, MinLastSequence: 4}); !errors.As(err, &behind) || *behind != (BehindError{Last: 3, Checkpoint: 4}) {
		t.Errorf("log behind the checkpoint: %v", err)
	}
	var epoch *EpochError
	if _, err := Open(ctxFor(t), Config{Server: srv, ManageStream: true, ExpectEpoch: "another"}); !errors.As(err, &epoch) || *epoch != (EpochError{Got: s.Epoch(), Want: "another"}) {
		t.Errorf("other epoch: %v", err)
	}
}

func TestOverAURLTheServersDiskIsUnverified(t *testing.T) {
	srv := startServer(t, ServerConfig{AdminPassword: "only-for-this-test"})
	cfg := Config{URL: srv.ClientURL(), User: "lensledger", Password: "only-for-this-test", ManageStream: true}
	if _, err := Open(ctxFor(t), cfg); err == nil {
		t.Fatal("a stream was created with a bound guessed for a disk that isn't known")
	}
	cfg.MaxBytes = 64 << 20
	s := openOn(t, cfg)
	found := false
	for _, name := range s.Unverified() {
		found = found || name == "sync_interval"
	}
	if !found {
		t.Errorf("unverified: %v, want sync_interval among them", s.Unverified())
	}
	cfg.Password = "wrong"
	if _, err := Open(ctxFor(t), cfg); err == nil {
		t.Error("a wrong password was let in")
	}
	cfg.User, cfg.Password = "", ""
	if _, err := Open(ctxFor(t), cfg); err == nil {
		t.Error("a client without credentials was let in")
	}
}

func TestServerRestartKeepsMessagesAndEpoch(t *testing.T) {
	dir := t.TempDir()
	srv, err := StartServer(ServerConfig{StoreDir: dir, InProcessOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	if url := srv.ClientURL(); url != "" {
		t.Errorf("listens on no port, yet has the address %s", url)
	}
	s, err := Open(ctxFor(t), Config{Server: srv, ManageStream: true})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, s.Publisher(), events(1, 50))
	epoch := s.Epoch()
	s.Close()
	srv.Close()

	// A smaller store than the stream was made for must not lose the stream.
	srv = startServer(t, ServerConfig{StoreDir: dir, InProcessOnly: true, MaxFileBytes: 1 << 20})
	s = openOn(t, Config{Server: srv, ManageStream: true, ExpectEpoch: epoch, MinLastSequence: 50})
	got, err := s.Read(ctxFor(t), 1, 1000)
	if err != nil {
		t.Fatal(err)
	}
	wantMessages(t, got, 1, 50)
	// The duplicate window outlives the restart.
	ack, err := s.Publisher().Publish(ctxFor(t), event(50))
	if err != nil || !ack.Duplicate {
		t.Errorf("ack %+v, %v, want a duplicate", ack, err)
	}
}

func TestStartServerSaysWhatIsWrong(t *testing.T) {
	if _, err := StartServer(ServerConfig{}); err == nil {
		t.Error("started without a directory")
	}
	file := t.TempDir() + "/file"
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := StartServer(ServerConfig{StoreDir: file}); err == nil {
		t.Error("started in a file")
	}
	for _, u := range []User{
		{}, {Name: "a"}, {Password: "b"}, {Name: "a b", Password: "c"}, {Name: "a", Password: "x\"y"},
		{Name: "a", Password: "b", NKey: "UABC"}, {NKey: `U" }`},
		{Name: "a", Password: "b", Permissions: Permissions{Publish: []string{`x"`}}},
	} {
		if s, err := StartServer(ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true, Users: []User{u}}); err == nil {
			s.Close()
			t.Errorf("started with user %+v", u)
		}
	}
}
