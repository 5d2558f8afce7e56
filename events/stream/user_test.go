package stream

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// guarded is a server with real credentials, its stream holding ten events of
// two publishers.
type guarded struct {
	srv   *Server
	admin *Stream
}

func startGuarded(t *testing.T, more ...User) guarded {
	t.Helper()
	users := []User{
		{Name: "harbour", Password: "harbour-only-here", Permissions: PublisherPermissions("harbour", "ehr-harbour")},
		{Name: "valley", Password: "valley-only-here", Permissions: PublisherPermissions("valley", "ehr-valley")},
		{Name: "projector", Password: "projector-only-here", Permissions: ProjectorPermissions("projector")},
	}
	srv := startServer(t, ServerConfig{Users: append(users, more...)})
	admin := openOn(t, Config{Server: srv, ManageStream: true})
	publish(t, admin.Publisher(), events(1, 10))
	return guarded{srv, admin}
}

func (g guarded) as(name string) Config {
	return Config{URL: g.srv.ClientURL(), User: name, Password: name + "-only-here", InboxPrefix: InboxPrefix(name)}
}

// unchanged checks that the stream is still the ten events and nothing else.
func (g guarded) unchanged(t *testing.T) {
	t.Helper()
	got, err := g.admin.Read(ctxFor(t), 1, 100)
	if err != nil {
		t.Fatal(err)
	}
	wantMessages(t, got, 1, 10)
	again, err := Open(ctxFor(t), Config{Server: g.srv, ExpectEpoch: g.admin.Epoch()})
	if err != nil {
		t.Fatalf("the stream was changed: %v", err)
	}
	again.Close()
}

func TestAPublisherSpeaksForItselfOnly(t *testing.T) {
	g := startGuarded(t)
	p, err := OpenPublisher(ctxFor(t), g.as("harbour"))
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if ack, err := p.Publish(ctxFor(t), event(11)); err != nil || ack.Sequence != 11 {
		t.Fatalf("own subject: %+v, %v", ack, err)
	}
	other := event(12)
	other.Subject = Subject("ehr-valley", "HARBOUR", "case", "booked")
	begun := time.Now()
	var denied *DeniedError
	results := p.PublishBatch(ctxFor(t), []Outgoing{other, event(13)})
	if !errors.As(results[0].Err, &denied) || denied.Subject != other.Subject {
		t.Errorf("another's subject: %v", results[0].Err)
	}
	if results[1].Err != nil || results[1].Sequence != 12 {
		t.Errorf("own event behind a denied one: %+v", results[1])
	}
	if took := time.Since(begun); took > ackTimeout {
		t.Errorf("took %s to say that it is denied", took)
	}
	if _, err := Open(ctxFor(t), g.as("harbour")); !errors.As(err, &denied) {
		t.Errorf("a publisher opened the stream for reading: %v", err)
	}
}

// hostile publishes raw, as a publisher that doesn't use this package would.
func hostile(t *testing.T, g guarded, name string) *nats.Conn {
	t.Helper()
	cfg := g.as(name)
	conn, err := nats.Connect(cfg.URL, nats.UserInfo(cfg.User, cfg.Password), nats.CustomInboxPrefix(cfg.InboxPrefix),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	return conn
}

func TestAHostilePublisherIsDeniedEverythingElse(t *testing.T) {
	g := startGuarded(t)
	conn := hostile(t, g, "harbour")
	// A consumer to aim at.
	ctx, cancel := context.WithCancel(context.Background())
	following := make(chan error)
	go func() {
		following <- g.admin.Follow(ctx, 1, BatchConfig{}, func(context.Context, []Message) error { return nil })
	}()
	defer func() { cancel(); <-following }()

	for _, subject := range []string{
		"$JS.API.INFO", "$JS.API.ACCOUNT.PURGE.REG",
		"$JS.API.STREAM.CREATE.CASES", "$JS.API.STREAM.CREATE.OTHER", "$JS.API.STREAM.UPDATE.CASES", "$JS.API.STREAM.DELETE.CASES",
		"$JS.API.STREAM.PURGE.CASES", "$JS.API.STREAM.MSG.DELETE.CASES", "$JS.API.STREAM.MSG.GET.CASES", "$JS.API.STREAM.INFO.CASES",
		"$JS.API.STREAM.NAMES", "$JS.API.STREAM.LIST", "$JS.API.STREAM.SNAPSHOT.CASES", "$JS.API.STREAM.RESTORE.CASES",
		"$JS.API.STREAM.LEADER.STEPDOWN.CASES", "$JS.API.STREAM.PEER.REMOVE.CASES", "$JS.API.META.LEADER.STEPDOWN",
		"$JS.API.CONSUMER.CREATE.CASES", "$JS.API.CONSUMER.CREATE.CASES.mine", "$JS.API.CONSUMER.DURABLE.CREATE.CASES.mine",
		"$JS.API.CONSUMER.DELETE.CASES.mine", "$JS.API.CONSUMER.INFO.CASES.mine", "$JS.API.CONSUMER.LIST.CASES", "$JS.API.CONSUMER.NAMES.CASES",
		"$JS.API.CONSUMER.MSG.NEXT.CASES.mine", "$JS.API.CONSUMER.PAUSE.CASES.mine", "$JS.API.DIRECT.GET.CASES", "$JS.API.DIRECT.GET.CASES.cases.v1.ehr-valley.VALLEY.case.booked",
		"$JS.ACK.CASES.mine.1.1.1.1.0", "$JS.FC.CASES.mine", "$JS.SERVER.MSG",
		"$SYS.REQ.SERVER.PING", "$SYS.REQ.ACCOUNT.REG.INFO", "$SYS.REQ.USER.INFO",
		"cases.v1.ehr-valley.VALLEY.case.booked", "cases.v1.ehr-harbour", "cases.v2.ehr-harbour.HARBOUR.case.booked", "cases.>",
		"_INBOX.anyone", InboxPrefix("valley") + ".answer", InboxPrefix("projector") + ".answer", "x",
	} {
		ctx, cancel := context.WithTimeout(context.Background(), 40*time.Millisecond)
		answer, err := conn.RequestWithContext(ctx, subject, []byte(`{"name":"CASES","stream_name":"CASES","seq":1}`))
		cancel()
		if err == nil {
			t.Errorf("publish on %s was answered: %s", subject, answer.Data)
			continue
		}
		if err := conn.Flush(); err != nil {
			t.Fatal(err)
		}
		if last := conn.LastError(); last == nil || !strings.Contains(last.Error(), `Publish to "`+subject+`"`) {
			t.Errorf("publish on %s wasn't denied: %v", subject, last)
		}
	}
	for _, subject := range []string{">", "cases.>", "cases.v1.ehr-harbour.>", "_INBOX.>", InboxPrefix("valley") + ".>", "_INBOX_*.>", "$JS.>", "$SYS.>", "$JS.EVENT.ADVISORY.>"} {
		sub, err := conn.SubscribeSync(subject)
		if err != nil {
			continue
		}
		if err := conn.Flush(); err != nil {
			t.Fatal(err)
		}
		if last := conn.LastError(); last == nil || !strings.Contains(last.Error(), `Subscription to "`+subject+`"`) {
			t.Errorf("subscription to %s wasn't denied: %v", subject, last)
		}
		_ = sub.Unsubscribe()
	}
	g.unchanged(t)
}

func TestAPublishersHeadersCantAlterHistory(t *testing.T) {
	g := startGuarded(t)
	conn := hostile(t, g, "harbour")
	for _, header := range []nats.Header{
		{"Nats-Rollup": {"sub"}},
		{"Nats-Rollup": {"all"}},
		{"Nats-TTL": {"1s"}},
		{"Nats-Schedule": {"@at 2030-01-01T00:00:00Z"}, "Nats-Schedule-Target": {"cases.v1.ehr-valley.VALLEY.case.booked"}},
		{"Nats-Incr": {"1"}},
		{"Nats-Batch-Id": {"b"}, "Nats-Batch-Sequence": {"1"}, "Nats-Batch-Commit": {"1"}},
		{"Nats-Expected-Last-Sequence": {"3"}},
	} {
		answer, err := conn.RequestMsg(&nats.Msg{Subject: event(1).Subject, Header: header, Data: []byte("{}")}, 2*time.Second)
		if err != nil {
			t.Errorf("header %v: %v", header, err)
			continue
		}
		if !strings.Contains(string(answer.Data), `"error"`) {
			t.Errorf("header %v was taken: %s", header, answer.Data)
		}
	}
	g.unchanged(t)
}

func TestAPublisherCantSuppressAnother(t *testing.T) {
	g := startGuarded(t)
	valley, err := OpenPublisher(ctxFor(t), g.as("valley"))
	if err != nil {
		t.Fatal(err)
	}
	defer valley.Close()
	// The broker's memory of ids spans all publishers. Using another's id ahead
	// makes that one's event look like a duplicate, but the answer gives it away:
	// what is stored at the sequence isn't the event. Ids hold the hash of the
	// content, so it takes knowledge of the content to do even this.
	taken := Outgoing{Subject: Subject("ehr-valley", "VALLEY", "case", "booked"), MessageID: event(11).MessageID, Data: []byte("{}")}
	if _, err := valley.Publish(ctxFor(t), taken); err != nil {
		t.Fatal(err)
	}
	ack, err := g.admin.Publisher().Publish(ctxFor(t), event(11))
	if err != nil || !ack.Duplicate {
		t.Fatalf("%+v, %v", ack, err)
	}
	m, err := g.admin.Get(ctxFor(t), ack.Sequence)
	if err != nil || m.Subject != taken.Subject {
		t.Fatalf("stored: %+v, %v", m, err)
	}
}

func TestAProjectorReadsAndNothingElse(t *testing.T) {
	g := startGuarded(t)
	cfg := g.as("projector")
	cfg.ExpectEpoch, cfg.MinLastSequence = g.admin.Epoch(), 10
	s := openOn(t, cfg)
	got, err := s.Read(ctxFor(t), 1, 100)
	if err != nil {
		t.Fatal(err)
	}
	wantMessages(t, got, 1, 10)
	if m, err := s.Get(ctxFor(t), 4); err != nil || m.Sequence != 4 {
		t.Errorf("get: %+v, %v", m, err)
	}
	var denied *DeniedError
	if _, err := s.Publisher().Publish(ctxFor(t), event(11)); !errors.As(err, &denied) {
		t.Errorf("publish: %v", err)
	}
	short, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	if err := s.js.DeleteStream(short, StreamName); err == nil {
		t.Error("deleted the stream")
	}
	g.unchanged(t)
}

func TestAPublisherByNKey(t *testing.T) {
	pair, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := pair.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	seed, err := pair.Seed()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "seed")
	if err := os.WriteFile(file, seed, 0o600); err != nil {
		t.Fatal(err)
	}
	g := startGuarded(t, User{NKey: public, Permissions: PublisherPermissions("clinic", "ehr-clinic")})
	p, err := OpenPublisher(ctxFor(t), Config{URL: g.srv.ClientURL(), NKeySeedFile: file, InboxPrefix: InboxPrefix("clinic")})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	out := event(11)
	out.Subject = Subject("ehr-clinic", "HARBOUR", "case", "booked")
	if ack, err := p.Publish(ctxFor(t), out); err != nil || ack.Sequence != 11 {
		t.Errorf("own subject: %+v, %v", ack, err)
	}
	var denied *DeniedError
	if _, err := p.Publish(ctxFor(t), event(12)); !errors.As(err, &denied) {
		t.Errorf("another's subject: %v", err)
	}
}
