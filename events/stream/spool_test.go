package stream

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// broker is a server that can be stopped and started on the same port and log.
type broker struct {
	cfg ServerConfig
	srv *Server
	log *Stream // over a connection of its own, to look what is stored
}

func newBroker(t testing.TB, users ...User) *broker {
	t.Helper()
	b := &broker{cfg: ServerConfig{StoreDir: t.TempDir(), AdminPassword: "only-for-this-test", Users: users}}
	b.start(t)
	b.cfg.Port = portOf(t, b.srv)
	b.log = openOn(t, Config{URL: b.srv.ClientURL(), User: adminName, Password: b.cfg.AdminPassword, ManageStream: true, MaxBytes: 64 << 20})
	t.Cleanup(func() { b.srv.Close() })
	return b
}

func (b *broker) start(t testing.TB) {
	t.Helper()
	var err error
	if b.srv, err = StartServer(b.cfg); err != nil {
		t.Fatal(err)
	}
}

// publisher connects on its own, also while the server is away.
func (b *broker) publisher(t testing.TB, change func(*Config)) *Publisher {
	t.Helper()
	cfg := Config{URL: fmt.Sprintf("nats://127.0.0.1:%d", b.cfg.Port), User: adminName, Password: b.cfg.AdminPassword, ConnectLater: true}
	if change != nil {
		change(&cfg)
	}
	p, err := OpenPublisher(ctxFor(t), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

// content is all of an event but its message id's suffix, as one word.
func content(id, subject string, header map[string][]string, data []byte) string {
	words := []string{id, subject}
	for _, name := range slices.Sorted(maps.Keys(header)) {
		if !strings.HasPrefix(name, "Nats-") {
			words = append(words, name, strings.Join(header[name], ","))
		}
	}
	return strings.Join(words, "\x00") + "\x00" + string(data)
}

// stored is the set of what the log holds, each with how often it is there.
func (b *broker) stored(t testing.TB) map[string]int {
	t.Helper()
	out := map[string]int{}
	info, err := b.log.Info(ctxFor(t))
	for begun := time.Now(); err != nil; info, err = b.log.Info(ctxFor(t)) { // after a restart
		if time.Since(begun) > 20*time.Second {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Millisecond)
	}
	for seq := uint64(1); seq <= info.Last; seq++ {
		m, err := b.log.Get(ctxFor(t), seq)
		if errors.Is(err, ErrNotFound) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		id := strings.Join(strings.Split(m.Header[hdrMessageID][0], "/")[:3], "/") // without a suffix
		out[content(id, m.Subject, m.Header, m.Data)]++
	}
	return out
}

func setOf(batch []Outgoing) map[string]int {
	out := map[string]int{}
	for _, o := range batch {
		out[content(o.MessageID, o.Subject, o.Header, o.Data)] = 1
	}
	return out
}

// sameSet compares sets; how often an event is in the log doesn't matter.
func sameSet(t testing.TB, what string, got, want map[string]int) {
	t.Helper()
	for e := range want {
		if got[e] == 0 {
			t.Errorf("%s: missing %q", what, e)
		}
	}
	for e := range got {
		if want[e] == 0 {
			t.Errorf("%s: nobody handed over %.120q", what, e)
		}
	}
}

func openSpool(t testing.TB, cfg SpoolConfig) *Spool {
	t.Helper()
	s, err := OpenSpool(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func keep(t testing.TB, s *Spool, batch []Outgoing) {
	t.Helper()
	if err := s.Keep(ctxFor(t), batch); err != nil {
		t.Fatal(err)
	}
}

// run delivers until nothing waits, then stops.
func run(t testing.TB, s *Spool) {
	t.Helper()
	ctx, cancel := context.WithCancel(ctxFor(t))
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	for {
		state, err := s.State()
		if err != nil {
			t.Fatal(err)
		}
		if state.Waiting == 0 && !s.used.Load() {
			break
		}
		select {
		case err := <-ended:
			t.Fatalf("Run ended: %v, %+v", err, state)
		case <-time.After(5 * time.Millisecond):
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}

// held is the set of what waits in a spool's file.
func held(t testing.TB, s *Spool) map[string]int {
	t.Helper()
	out := map[string]int{}
	for after := []byte(nil); ; {
		group, err := s.next(after)
		if err != nil {
			t.Fatal(err)
		}
		if len(group) == 0 {
			return out
		}
		for _, e := range group {
			out[content(e.MessageID, e.Subject, e.Header, e.Data)]++
		}
		after = group[len(group)-1].key
	}
}

// odd events have bytes and headers that a careless file would change.
func oddEvents() []Outgoing {
	batch := events(9001, 9003)
	batch[0].Data = []byte("\x00\xff\xfe not UTF-8 \r\n")
	batch[1].Data, batch[1].Header = nil, nil
	batch[2].Header = map[string][]string{"ce-id": {"b%2D1"}, "a": {"1", "2"}, "UPPER": {"\xe9"}}
	return batch
}

func TestSpoolDeliversWhatItKept(t *testing.T) {
	b := newBroker(t)
	dir := filepath.Join(t.TempDir(), "spool")
	b.srv.Close()
	ledger := append(events(1, 700), oddEvents()...)
	s := openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil)})
	keep(t, s, ledger[:400])
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil), Now: func() time.Time { return time.Unix(1e9, 0) }})
	keep(t, s, ledger[400:])
	sameSet(t, "kept", held(t, s), setOf(ledger))
	if state, err := s.State(); err != nil || state.Waiting != len(ledger) || state.Oldest.IsZero() || state.Refused != 0 {
		t.Errorf("%+v %v", state, err)
	}
	b.start(t)
	run(t, s)
	sameSet(t, "log", b.stored(t), setOf(ledger))
	if state, err := s.State(); err != nil || state != (SpoolState{}) {
		t.Errorf("delivered: %+v %v", state, err)
	}
}

// Of half of what is kept the acknowledgement was lost, and the server has
// forgotten the message ids since: the same bytes under the same id are stored
// twice, and nothing is missing.
func TestSpoolOutlastsTheDuplicateWindow(t *testing.T) {
	b := newBroker(t)
	s := openSpool(t, SpoolConfig{Dir: t.TempDir(), Publisher: b.publisher(t, nil)})
	ledger := events(1, 60)
	keep(t, s, ledger)
	publish(t, b.log.Publisher(), ledger[:30])
	handle, err := b.log.js.Stream(ctxFor(t), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	cfg := handle.CachedInfo().Config
	cfg.Duplicates = 100 * time.Millisecond
	if _, err := b.log.js.UpdateStream(ctxFor(t), cfg); err != nil {
		t.Fatal(err)
	}
	b.srv.Close()
	time.Sleep(200 * time.Millisecond) // the window itself
	b.start(t)
	run(t, s)
	got := b.stored(t)
	sameSet(t, "log", got, setOf(ledger))
	twice := 0
	for _, n := range got {
		twice += n - 1
	}
	if twice != 30 {
		t.Errorf("%d events are there twice, so the window wasn't over", twice)
	}
}

func TestPublishBatchKeepsWhileTheLogIsAway(t *testing.T) {
	b := newBroker(t)
	s := openSpool(t, SpoolConfig{Dir: t.TempDir(), Publisher: b.publisher(t, nil), DirectWithin: 100 * time.Millisecond})
	batch := events(1, 20)
	batch[7].Data = make([]byte, MaxMessageBytes)
	large := func(r Result) bool { var e *TooLargeError; return errors.As(r.Err, &e) }
	for i, r := range s.PublishBatch(ctxFor(t), batch) {
		if i == 7 && !large(r) || i != 7 && (r.Err != nil || r.Kept || r.Sequence == 0) {
			t.Errorf("%d: %+v", i, r)
		}
	}
	b.srv.Close()
	ledger := setOf(slices.Concat(batch[:7], batch[8:]))
	for from := 21; from < 41; from += 10 { // once it finds out, once it knows
		batch := events(from, from+9)
		for i, r := range s.PublishBatch(ctxFor(t), batch) {
			if !r.Kept || r.Err != nil || r.Sequence != 0 {
				t.Errorf("away, %d: %+v", i, r)
			}
		}
		maps.Copy(ledger, setOf(batch))
	}
	b.start(t)
	run(t, s)
	sameSet(t, "log", b.stored(t), ledger)
	if r := s.PublishBatch(ctxFor(t), events(50, 50))[0]; r.Kept || r.Err != nil {
		t.Errorf("the log is back: %+v", r)
	}
}

func TestAFullSpoolSaysSo(t *testing.T) {
	b := newBroker(t)
	b.srv.Close()
	s := openSpool(t, SpoolConfig{Dir: t.TempDir(), Publisher: b.publisher(t, nil), MaxBytes: 20000})
	ledger := map[string]int{}
	var mu sync.Mutex
	var all sync.WaitGroup
	refused := 0
	for n := range 40 {
		all.Go(func() {
			batch := events(10*n+1, 10*n+10)
			err := s.Keep(ctxFor(t), batch)
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				maps.Copy(ledger, setOf(batch))
			} else if refused++; !errors.Is(err, ErrSpoolFull) {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if refused == 0 || len(ledger) == 0 {
		t.Errorf("%d refused, %d kept", refused, len(ledger))
	}
	sameSet(t, "kept", held(t, s), ledger)
	if r := s.PublishBatch(ctxFor(t), events(1000, 1200))[0]; r.Kept || !errors.Is(r.Err, ErrSpoolFull) {
		t.Errorf("%+v", r)
	}
}

func TestASpoolIsHeldByOne(t *testing.T) {
	b := newBroker(t)
	dir := t.TempDir()
	s := openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil)})
	keep(t, s, events(1, 3))
	if _, err := OpenSpool(SpoolConfig{Dir: dir, Publisher: s.cfg.Publisher}); !errors.Is(err, ErrSpoolHeld) {
		t.Errorf("a second one: %v", err)
	}
	run(t, s) // replaces the file
	if _, err := OpenSpool(SpoolConfig{Dir: dir, Publisher: s.cfg.Publisher}); !errors.Is(err, ErrSpoolHeld) {
		t.Errorf("a second one on the new file: %v", err)
	}
}

// A file that was cut or changed anywhere is named, or holds everything still.
func TestADamagedSpoolFileIsNamed(t *testing.T) {
	dir := t.TempDir()
	s := openSpool(t, SpoolConfig{Dir: dir})
	ledger := events(1, 120)
	for i := range ledger {
		ledger[i].Data = bytes.Repeat([]byte{byte(i)}, 300)
		keep(t, s, ledger[i:i+1])
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(s.path())
	if err != nil {
		t.Fatal(err)
	}
	named, untouched := 0, 0
	try := func(what string, text []byte) {
		t.Helper()
		if err := os.WriteFile(s.path(), text, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := OpenSpool(SpoolConfig{Dir: dir})
		var damaged *SpoolDamagedError
		if errors.As(err, &damaged) {
			named++
			return
		}
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		untouched++
		sameSet(t, what, held(t, s), setOf(ledger))
		s.Close()
	}
	for _, n := range []int{0, 1, 100, 4095, 4096, 8192, 8200, len(whole) / 2, len(whole) - 4096, len(whole) - 1} {
		try(fmt.Sprint("cut to ", n), whole[:n])
	}
	if named < 8 {
		t.Errorf("only %d cut files were named", named)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	for range 300 {
		flipped := slices.Clone(whole)
		at := random.IntN(len(flipped))
		if random.IntN(3) == 0 {
			at = random.IntN(3 * 4096) // the head of the file
		}
		flipped[at] ^= 1 << random.IntN(8)
		try(fmt.Sprint("bit at ", at), flipped)
	}
	t.Logf("%d named, %d hold everything", named, untouched)
	try("whole", whole)
	if untouched == 0 {
		t.Error("the whole file isn't taken")
	}
}

// The disk of the spool is full: what was promised is there, what wasn't isn't,
// and it goes on once there is room.
func TestSpoolOnAFullDisk(t *testing.T) {
	dir := t.TempDir()
	mount := func(options string) error {
		out, err := exec.Command("mount", "-t", "tmpfs", "-o", options, "tmpfs", dir).CombinedOutput()
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	if os.Geteuid() != 0 {
		t.Skip("LEFT OUT: the spool on a full disk is tested only as root, which may mount a small tmpfs")
	}
	if err := mount("size=512k"); err != nil {
		t.Skipf("LEFT OUT: the spool on a full disk, since no tmpfs can be mounted here: %v", err)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("%v %s", err, out)
		}
	})
	b := newBroker(t)
	b.srv.Close()
	s := openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil)})
	ledger := map[string]int{}
	fill := func(from, to int) (full int) {
		for n := from; n < to; n++ {
			one := event(n)
			one.Data = bytes.Repeat([]byte("x"), 2000)
			one.Data = fmt.Append(one.Data, n)
			switch err := s.Keep(ctxFor(t), []Outgoing{one}); {
			case err == nil:
				maps.Copy(ledger, setOf([]Outgoing{one}))
			case errors.Is(err, ErrSpoolDisk):
				full++
			default:
				t.Fatal(err)
			}
		}
		return full
	}
	if full := fill(0, 400); full == 0 || len(ledger) == 0 {
		t.Fatalf("%d kept, %d refused for the disk", len(ledger), full)
	}
	sameSet(t, "full", held(t, s), ledger)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil)})
	sameSet(t, "full, opened again", held(t, s), ledger)
	if err := mount("remount,size=4m"); err != nil {
		t.Fatal(err)
	}
	if full := fill(1000, 1050); full != 0 {
		t.Errorf("%d refused though there is room", full)
	}
	b.start(t)
	run(t, s)
	sameSet(t, "log", b.stored(t), ledger)
}

// What a kill doesn't show: the page cache outlives the process, not a power cut.
func TestTheSpoolSyncsEveryWrite(t *testing.T) {
	b := newBroker(t)
	dir := t.TempDir()
	s := openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil)})
	made := s.db
	run(t, s) // replaces the file
	renewed := s.db
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openSpool(t, SpoolConfig{Dir: dir})
	if made == renewed || made.NoSync || renewed.NoSync || s.db.NoSync || s.db.NoGrowSync {
		t.Error("a file of the spool is written without being synced")
	}
}
