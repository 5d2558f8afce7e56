package main

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
)

// Everything as in production, each part in a process of its own, and kill -9 of one
// after another under load, each started again at once: what was acknowledged is in
// the log and in the archive, counted once, and the read models follow from it.
func TestKilledProcessesLoseNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a PostgreSQL server")
	}
	chance := streamtest.Random(t)
	kills := streamtest.Rounds(t, 6, 1)
	pauseMillis := 100
	if streamtest.IsLong() {
		pauseMillis = 500
	}
	w := newWhole(t)
	w.until("the programs are ready", func() bool { return w.ready() && w.leader() != nil })

	loaded, unload := context.WithCancel(w.ctx)
	defer unload()
	var publishers sync.WaitGroup
	for i := range 4 {
		own := rand.New(rand.NewPCG(chance.Uint64(), uint64(i)))
		publishers.Go(func() { w.publish(loaded, i, own) })
	}
	killed := map[string]int{}
	var victims []string
	for range kills {
		if len(victims) == 0 { // each as often as the others
			for _, i := range chance.Perm(len(allVictims)) {
				victims = append(victims, allVictims[i])
			}
		}
		// The moment is what is tested, nothing is waited for.
		time.Sleep(time.Duration(pauseMillis+chance.IntN(3*pauseMillis)) * time.Millisecond)
		w.until("there is a "+victims[0]+" to kill", func() bool { return w.kill(victims[0], chance) })
		killed[victims[0]]++
		victims = victims[1:]
	}
	unload()
	publishers.Wait()
	w.restarts.Wait()
	w.until("the programs are ready again", w.ready)
	w.until("the spool is empty", func() bool { return strings.Contains(w.serve.readiness(), `"0 events wait for the log"`) })
	w.check(t, killed)
}

// Victims of the test.
const (
	natsServer   = "nats-server"
	leadingOne   = "leading projector"
	standbyOne   = "projector that stands by"
	serveProgram = "serve"
	postmaster   = "postmaster"
	backend      = "backend of Postgres"
)

var allVictims = []string{natsServer, leadingOne, standbyOne, serveProgram, postmaster, backend}

// whole is the system: two servers, two projectors and one that serves.
type whole struct {
	ctx    context.Context // ends with the test, or with what is wrong
	fail   context.CancelCauseFunc
	t      *testing.T
	dir    string
	base   string
	url    string // of Postgres
	spec   streamtest.Spec
	token  string
	env    []string
	serve  *program
	others []*program // projectors

	restarts sync.WaitGroup // of servers under way

	mu       sync.Mutex
	log      *streamtest.Server // nil while it is away
	database *pg.Server         // nil while it is away
	outages  []*outage
	ledger   map[string]string // hash of each event that was acknowledged, by id
	at       map[uint64]string // id that an acknowledgement named at a sequence
	kept     int               // answers that an event is kept in the spool
	again    int               // events sent again after they were acknowledged
	retried  int               // batches that weren't acknowledged in full at the first try
}

func newWhole(t *testing.T) *whole {
	t.Helper()
	dir, err := os.MkdirTemp("", "lensledger-torture-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil { // Postgres runs as a user of its own
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	w := &whole{t: t, dir: dir, base: "torture", ledger: map[string]string{}, at: map[uint64]string{}}
	w.ctx, w.fail = context.WithCancelCause(t.Context())
	if w.database, err = w.startDatabase(); err != nil {
		t.Fatal(err)
	}
	w.url = w.database.URL()
	w.spec = streamtest.Spec{StoreDir: filepath.Join(dir, "log"), Port: streamtest.FreePort(), MaxFileBytes: 4 << 30}
	if w.log, err = streamtest.Launch(w.spec); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		w.restarts.Wait()
		if w.log != nil {
			w.log.Kill()
		}
		if w.database != nil {
			if err := w.database.Close(); err != nil {
				t.Error(err)
			}
		}
	})
	issuer := w.issue(t)
	w.env = append(slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "LENSLEDGER_") || strings.HasPrefix(v, "NATS_") }),
		childVariable+"=1", "DATABASE_URL="+w.url, "LENSLEDGER_SCHEMA="+w.base, "LENSLEDGER_STREAM_MAX_BYTES=2147483648",
		"LENSLEDGER_ISSUERS="+issuer, "NATS_URL="+w.natsURL())
	w.serve = w.supervise(t, "serve", "serve", "--spool", filepath.Join(dir, "spool"), "--listen")
	for i := range 2 {
		w.others = append(w.others, w.supervise(t, fmt.Sprintf("project-%d", i+1), "project", "--listen"))
	}
	return w
}

func (w *whole) natsURL() string {
	return fmt.Sprintf("nats://%s:%s@127.0.0.1:%d", streamtest.User, streamtest.Password, w.spec.Port)
}

func (w *whole) startDatabase() (*pg.Server, error) {
	return pg.StartServer(context.WithoutCancel(w.ctx), pg.ServerConfig{DataDir: filepath.Join(w.dir, "pg"), Durable: true})
}

// issue makes the token of the publishers, and gives who issued it as serve wants it.
func (w *whole) issue(t *testing.T) string {
	t.Helper()
	public, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	encode := base64.RawURLEncoding.EncodeToString
	keys := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, _ *http.Request) {
		_, _ = fmt.Fprintf(out, `{"keys":[{"kty":"OKP","crv":"Ed25519","use":"sig","alg":"EdDSA","kid":"torture","x":%q}]}`, encode(public))
	}))
	t.Cleanup(keys.Close)
	const issuer, audience = "https://issuer.example", "lensledger-test"
	now := time.Now().Unix()
	signed := encode([]byte(`{"alg":"EdDSA","typ":"JWT","kid":"torture"}`)) + "." + encode(fmt.Appendf(nil,
		`{"iss":%q,"aud":%q,"sub":"test-publisher","role":"integrator","source":"ehr-harbour","departments":["HARBOUR"],"iat":%d,"exp":%d}`,
		issuer, audience, now, now+7*24*3600))
	w.token = signed + "." + encode(ed25519.Sign(private, []byte(signed)))
	return issuer + "|" + audience + "|" + keys.URL
}

// until waits for something, and ends the test where anything else goes wrong first.
func (w *whole) until(what string, so func() bool) {
	w.t.Helper()
	for began := time.Now(); !so(); time.Sleep(20 * time.Millisecond) {
		if w.ctx.Err() != nil {
			w.t.Fatalf("while waiting until %s: %v", what, context.Cause(w.ctx))
		}
		if time.Since(began) > 4*time.Minute {
			w.t.Fatalf("not within 4 minutes: %s", what)
		}
	}
}

// ready says whether both servers are there and every program answers.
func (w *whole) ready() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.log != nil && w.database != nil && !slices.ContainsFunc(append(w.others, w.serve), func(p *program) bool { return !p.answers.Load() })
}

// leader is the projector that says that it leads; nil if none does.
func (w *whole) leader() *program {
	for _, p := range w.others {
		if strings.Contains(p.readiness(), `"`+projector.Leads+`"`) {
			return p
		}
	}
	return nil
}

func (w *whole) command(args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = slices.Clone(w.env)
	return cmd
}

// publish sends batches until ctx ends, each until every event of it is acknowledged,
// and some once more.
func (w *whole) publish(ctx context.Context, publisher int, chance *rand.Rand) {
	var sent [][]fact
	for n := 0; ctx.Err() == nil; n++ {
		code := fmt.Sprintf("TORTURE-%d-%06d", publisher, n)
		operator := fmt.Sprintf("S-%d", chance.IntN(40))
		batch := []fact{harbour(code+"-booked", "case.booked", code, rightEye),
			harbour(code+"-started", "case.started", code, `{"first_operator":"`+operator+`"}`)}
		for i := range chance.IntN(6) {
			batch = append(batch, harbour(fmt.Sprintf("%s-step-%d", code, i), "step.started", code, `{"step":"draping","operator":"`+operator+`"}`))
		}
		batch = append(batch, harbour(code+"-finished", "case.finished", code, `{}`))
		if chance.IntN(8) == 0 {
			batch = append(batch, batch[0])
		}
		w.acknowledge(batch)
		sent = append(sent, batch)
		if chance.IntN(4) == 0 {
			old := sent[chance.IntN(len(sent))]
			w.acknowledge(old)
			w.mu.Lock()
			w.again += len(old)
			w.mu.Unlock()
		}
		time.Sleep(time.Duration(10+chance.IntN(40)) * time.Millisecond) // the load is bounded
	}
}

// acknowledge sends events, the same again and again, until each is acknowledged.
func (w *whole) acknowledge(batch []fact) {
	for tries := 0; len(batch) > 0 && w.ctx.Err() == nil; tries++ {
		if tries > 0 {
			time.Sleep(20 * time.Millisecond)
		}
		settled := w.post(batch)
		batch = slices.DeleteFunc(slices.Clone(batch), func(f fact) bool { return settled[f.id] })
		if tries == 0 && len(batch) > 0 {
			w.mu.Lock()
			w.retried++
			w.mu.Unlock()
		}
	}
}

// post sends events once and gives the ids of those that are acknowledged.
func (w *whole) post(batch []fact) map[string]bool {
	var body strings.Builder
	hashes := map[string]string{}
	for _, f := range batch {
		body.WriteString(f.json() + "\n")
		hashes[f.id] = streamtest.Hash([]byte(f.json()))
	}
	ctx, cancel := context.WithTimeout(w.ctx, 30*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+w.serve.address+"/v1/events", strings.NewReader(body.String()))
	if err != nil {
		w.fail(err)
		return nil
	}
	request.Header.Set("Authorization", "Bearer "+w.token)
	request.Header.Set("Content-Type", lines)
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil // it is away
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil // it was killed while it answered
	}
	var r receipt
	if err := json.Unmarshal(text, &r); err != nil || answer.StatusCode != http.StatusAccepted && answer.StatusCode != http.StatusServiceUnavailable {
		w.fail(fmt.Errorf("POST /v1/events: %d %.500s", answer.StatusCode, text))
		return nil
	}
	settled := map[string]bool{}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, one := range r.Results {
		switch one.Status {
		case "stored", "duplicate":
			if other, ok := w.at[one.Sequence]; ok && other != one.ID || one.Sequence == 0 {
				w.fail(fmt.Errorf("%s and %s were acknowledged at sequence %d", other, one.ID, one.Sequence))
			}
			w.at[one.Sequence] = one.ID
		case "kept":
			w.kept++
		case "not-stored":
			continue
		default:
			w.fail(fmt.Errorf("%s is %s: %.500s", one.ID, one.Status, text))
		}
		settled[one.ID] = true
		w.ledger[one.ID] = hashes[one.ID]
	}
	return settled
}

// check compares what was acknowledged with both copies, as sets, and has the program
// verify itself.
func (w *whole) check(t *testing.T, killed map[string]int) {
	t.Helper()
	log, err := stream.Open(w.ctx, stream.Config{URL: w.natsURL()})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	pool, err := pg.Connect(w.ctx, w.url, w.base, 4)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	inStream := copies{name: "the stream", found: map[string]int{}, ledger: w.ledger}
	last, err := log.Replay(w.ctx, 1, stream.BatchConfig{}, func(_ context.Context, batch []stream.Message) error {
		for _, m := range batch {
			var e struct{ ID string }
			if err := json.Unmarshal(m.Data, &e); err != nil {
				return err
			}
			inStream.add(t, e.ID, m.Data)
			if id, ok := w.at[m.Sequence]; ok && id != e.ID {
				t.Errorf("sequence %d was acknowledged for %s and holds %s", m.Sequence, id, e.ID)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	w.until("the projection has come to the end of the stream", func() bool {
		var position uint64
		return pool.QueryRow(w.ctx, "SELECT position FROM stream_state").Scan(&position) == nil && position >= last
	})
	inArchive := copies{name: "the archive", found: map[string]int{}, ledger: w.ledger}
	rows, _ := pool.Query(w.ctx, "SELECT id, body FROM event_log")
	var id string
	var body []byte
	if _, err := pgx.ForEachRow(rows, []any{&id, &body}, func() error { inArchive.add(t, id, body); return nil }); err != nil {
		t.Fatal(err)
	}
	lostStream, lostArchive := inStream.compare(t), inArchive.compare(t)
	if n := inArchive.double(); n > 0 {
		t.Errorf("%d events are in the archive twice", n)
	}
	var accepted, duplicate, others, quarantined int
	if err := pool.QueryRow(w.ctx, `SELECT count(*) FILTER (WHERE disposition = 'accepted'), count(*) FILTER (WHERE disposition = 'duplicate'),
		count(*) FILTER (WHERE disposition NOT IN ('accepted', 'duplicate')), (SELECT count(*) FROM quarantine) FROM arrival`).
		Scan(&accepted, &duplicate, &others, &quarantined); err != nil {
		t.Fatal(err)
	}
	if uint64(accepted+duplicate+others) != last || accepted != len(w.ledger) || duplicate != inStream.double() || others != 0 || quarantined != 0 {
		t.Errorf("the books don't add up: last sequence %d, %d acknowledged, %d accepted, %d duplicate, %d in the stream again, %d others, %d in quarantine",
			last, len(w.ledger), accepted, duplicate, inStream.double(), others, quarantined)
	}
	var v verification
	w.output(t, &v, "verify")
	if !v.Copies.StreamRead || !v.Copies.Equal() || v.Copies.Compared != last || v.Models == nil || !v.Models.Equal() {
		t.Errorf("verified %+v, want %d positions alike", v, last)
	}
	vain := 0
	for _, p := range append(w.others, w.serve) {
		p.stop()
		vain += p.vain
	}
	if w.ctx.Err() != nil {
		t.Error(context.Cause(w.ctx))
	}
	var spooled spoolContent
	w.output(t, &spooled, "spool", filepath.Join(w.dir, "spool"))
	if spooled.Waiting != 0 || len(spooled.Refused) != 0 {
		t.Errorf("the spool isn't empty: %+v", spooled)
	}
	kills := 0
	for _, n := range killed {
		kills += n
	}
	t.Logf("%d kills %v; %d starts in vain while a server was away; %d events acknowledged (%d answers said kept, %d sent again, %d batches retried), "+
		"last sequence %d: %d lost from the stream, %d from the archive, %d in the archive twice, %d stored again in the stream and counted once",
		kills, killed, vain, len(w.ledger), w.kept, w.again, w.retried, last, lostStream, lostArchive, inArchive.double(), inStream.double())
	if len(w.ledger) < kills || killed[natsServer] > 3 && w.kept == 0 {
		t.Errorf("too little at stake: %d events for %d kills, %d of them kept in the spool", len(w.ledger), kills, w.kept)
	}
}

// output runs the program to its end and reads what it prints.
func (w *whole) output(t *testing.T, answer any, args ...string) {
	t.Helper()
	out, said, err := output(w.command(args...))
	if err == nil {
		err = json.Unmarshal(out, answer)
	}
	if err != nil {
		t.Errorf("%v: %v\n%s", args, err, said)
	}
}

// copies counts the events of one copy of the record.
type copies struct {
	name   string
	found  map[string]int
	ledger map[string]string
}

func (c copies) add(t *testing.T, id string, data []byte) {
	t.Helper()
	c.found[id]++
	if hash, ok := c.ledger[id]; ok && hash != streamtest.Hash(data) {
		t.Errorf("%s has other bytes of %s than were acknowledged", c.name, id)
	}
}

// compare wants each acknowledged event and no other, and gives how many are lost.
func (c copies) compare(t *testing.T) (lost int) {
	t.Helper()
	for id := range c.ledger {
		if c.found[id] == 0 {
			if lost++; lost <= 10 {
				t.Errorf("%s was acknowledged and isn't in %s", id, c.name)
			}
		}
	}
	for id := range c.found {
		if _, ok := c.ledger[id]; !ok {
			t.Errorf("%s is in %s and was never acknowledged", id, c.name)
		}
	}
	return lost
}

// double is how many are there more often than once.
func (c copies) double() (n int) {
	for _, times := range c.found {
		n += times - 1
	}
	return n
}
