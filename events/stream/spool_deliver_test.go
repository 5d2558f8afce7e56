package stream

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The log claims to have an event and has another one, or none: ours is stored
// all the same.
func TestFalseClaimsArePublishedAgain(t *testing.T) {
	b := newBroker(t)
	ledger := events(1, 6)
	// Somebody else used our ids: with other bytes, on another subject, with other
	// headers; or what is claimed was deleted.
	others := slices.Clone(ledger[:4])
	others[0].Data = []byte("something else")
	others[1].Subject = Subject("ehr-hill", "HILL", "case", "booked")
	others[2].Header = map[string][]string{"Content-Type": {"text/plain"}}
	publish(t, b.log.Publisher(), others)
	publish(t, b.log.Publisher(), ledger[4:5]) // ours, its acknowledgement lost
	handle, err := openOn(t, Config{Server: b.srv, Erasing: true}).js.Stream(ctxFor(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	if err := handle.SecureDeleteMsg(ctxFor(t), 4); err != nil {
		t.Fatal(err)
	}
	s := openSpool(t, SpoolConfig{Dir: t.TempDir(), Publisher: b.publisher(t, nil)})
	keep(t, s, ledger)
	run(t, s)
	want := setOf(ledger)
	for e := range setOf(others[:3]) {
		want[e] = 1
	}
	got := b.stored(t)
	sameSet(t, "log", got, want)
	for e, n := range got {
		if n != 1 {
			t.Errorf("%d times: %q", n, e)
		}
	}
	if state, _ := s.State(); state.Trusted != 0 {
		t.Errorf("%d claims were taken on trust", state.Trusted)
	}
	// Without a detour through the file as well.
	publish(t, b.log.Publisher(), []Outgoing{{Subject: others[1].Subject, MessageID: "ehr-harbour/7/0123456789abcdef"}})
	direct := s.PublishBatch(ctxFor(t), slices.Concat(ledger[4:5], events(7, 8)))
	if !direct[0].Duplicate || direct[0].Kept || !direct[1].Kept || direct[2].Kept || direct[2].Err != nil {
		t.Errorf("%+v", direct)
	}
	run(t, s)
	if got := b.stored(t); got[content(event(7).MessageID, event(7).Subject, event(7).Header, event(7).Data)] != 1 {
		t.Error("the event whose id was taken isn't stored")
	}
}

// A credential that can only publish can't check a claim. It is taken and counted.
func TestAPublishOnlySpoolSaysThatItTrusts(t *testing.T) {
	user := User{Name: "ehr", Password: "only-for-this-test", Permissions: PublisherPermissions("ehr", "ehr-harbour")}
	b := newBroker(t, user)
	p := b.publisher(t, func(c *Config) { c.User, c.Password, c.InboxPrefix = user.Name, user.Password, InboxPrefix("ehr") })
	s := openSpool(t, SpoolConfig{Dir: t.TempDir(), Publisher: p})
	ledger := events(1, 5)
	publish(t, b.log.Publisher(), ledger[:3])
	keep(t, s, ledger)
	run(t, s)
	sameSet(t, "log", b.stored(t), setOf(ledger))
	if state, err := s.State(); err != nil || state.Trusted != 3 {
		t.Errorf("%+v %v", state, err)
	}
}

// What the log refuses for good is set aside with its reason, holds up nothing,
// outlives everything, and is sent again on request.
func TestRefusedEventsAreSetAside(t *testing.T) {
	user := User{Name: "ehr", Password: "only-for-this-test", Permissions: PublisherPermissions("ehr", "ehr-harbour")}
	b := newBroker(t, user)
	dir := t.TempDir()
	connect := func() *Publisher {
		return b.publisher(t, func(c *Config) { c.User, c.Password, c.InboxPrefix = user.Name, user.Password, InboxPrefix("ehr") })
	}
	s := openSpool(t, SpoolConfig{Dir: dir, Publisher: connect()})
	ledger := events(1, 300)
	ledger[0].Subject = Subject("ehr-hill", "HILL", "case", "booked") // denied
	ledger[1].Data = make([]byte, MaxMessageBytes+1)
	ledger[2].Subject = "cases.v1.nonsense"
	keep(t, s, ledger)
	run(t, s)
	sameSet(t, "log", b.stored(t), setOf(ledger[3:]))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b.srv.Close()
	b.cfg.Users[0].Permissions = PublisherPermissions("ehr", "*")
	b.start(t)
	s = openSpool(t, SpoolConfig{Dir: dir, Publisher: connect()})
	run(t, s)
	refused, err := s.Refused(10)
	if err != nil || len(refused) != 3 {
		t.Fatalf("%d refused, %v", len(refused), err)
	}
	var set []Outgoing
	for i, why := range []string{"not permitted", "at most", "malformed"} {
		set = append(set, refused[i].Outgoing)
		if !strings.Contains(refused[i].Reason, why) || refused[i].KeptAt.IsZero() {
			t.Errorf("reason %q, want %q", refused[i].Reason, why)
		}
	}
	sameSet(t, "refused", setOf(set), setOf(ledger[:3]))
	// A new event must not take the key of one that was set aside.
	keep(t, s, events(301, 303))
	if n, err := s.Retry(); n != 3 || err != nil {
		t.Errorf("%d %v", n, err)
	}
	run(t, s)
	sameSet(t, "log", b.stored(t), setOf(slices.Concat(ledger[:1], ledger[3:], events(301, 303))))
	if state, err := s.State(); err != nil || state.Refused != 2 || state.Waiting != 0 {
		t.Errorf("%+v %v", state, err)
	}
}

// Once delivered, nothing of an event is left in the spool's files.
func TestNothingDeliveredRemainsInTheFile(t *testing.T) {
	b := newBroker(t)
	dir := t.TempDir()
	s := openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil)})
	found := func(what string) bool {
		t.Helper()
		files, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			text, err := os.ReadFile(filepath.Join(dir, f.Name()))
			if err != nil {
				t.Fatal(err)
			}
			if bytes.Contains(text, []byte(what)) {
				return true
			}
		}
		return false
	}
	batch := events(1, 50)
	for i := range batch {
		batch[i].Data = []byte("canary of a delivered one")
	}
	batch[49].Subject, batch[49].Data = "nonsense", []byte("canary of a refused one")
	keep(t, s, batch)
	if !found("canary of a delivered one") {
		t.Fatal("it isn't in the file to begin with")
	}
	run(t, s)
	if found("canary of a delivered one") || !found("canary of a refused one") {
		t.Error("a delivered event is left in the file, or a refused one isn't")
	}
}

// A log that takes nothing since it is full is waited for.
func TestAFullLogIsWaitedFor(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	log := openOn(t, Config{Server: srv, ManageStream: true, MaxBytes: 64 << 10})
	s := openSpool(t, SpoolConfig{Dir: t.TempDir(), Publisher: log.Publisher()})
	ledger := events(1, 20)
	for i := range ledger {
		ledger[i].Data = bytes.Repeat([]byte{'a' + byte(i)}, 8<<10)
	}
	kept := 0
	for _, r := range s.PublishBatch(ctxFor(t), ledger) {
		if r.Err != nil {
			t.Error(r.Err)
		}
		if r.Kept {
			kept++
		}
	}
	ctx, cancel := context.WithCancel(ctxFor(t))
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	if state, err := s.State(); kept == 0 || err != nil || state.Waiting != kept || state.Refused != 0 {
		t.Errorf("%d kept, %+v %v", kept, state, err)
	}
	handle, err := log.js.Stream(ctxFor(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	cfg := handle.CachedInfo().Config
	cfg.MaxBytes = 64 << 20
	if _, err := log.js.UpdateStream(ctxFor(t), cfg); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	run(t, s)
	sameSet(t, "log", (&broker{log: log}).stored(t), setOf(ledger))
}
