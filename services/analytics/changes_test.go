package analytics

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"lensledger/services/web"
)

// heard is one event as a client hears it, and when.
type heard struct {
	id, name, data string
	at             time.Time
}

// listener is a client of GET /v1/changes.
type listener struct {
	response *http.Response
	events   chan heard // closed when the stream ends
}

// listen asks for changes and reads in the background until the test ends.
func (r *registry) listen(t *testing.T, who string, headers ...string) *listener {
	t.Helper()
	return r.listenAt(t, r.url, who, headers...)
}

func (r *registry) listenAt(t *testing.T, url, who string, headers ...string) *listener {
	t.Helper()
	request := r.request(t, who, "GET", "/v1/changes", "", headers...)
	request.URL.Host = strings.TrimPrefix(url, "http://")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { response.Body.Close() })
	if response.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(response.Body)
		t.Fatalf("%s: %d %s", who, response.StatusCode, text)
	}
	l := &listener{response: response, events: make(chan heard, 1000)}
	go l.read()
	return l
}

func (l *listener) read() {
	defer close(l.events)
	var e heard
	for lines := bufio.NewScanner(l.response.Body); lines.Scan(); {
		name, value, _ := strings.Cut(lines.Text(), ": ")
		switch {
		case lines.Text() == "" && e != heard{}:
			e.at = time.Now()
			l.events <- e
			e = heard{}
		case name == "id":
			e.id = value
		case name == "event":
			e.name = value
		case name == "data":
			e.data = value
		}
	}
}

// next gives the next event.
func (l *listener) next(t *testing.T) heard {
	t.Helper()
	select {
	case e, ok := <-l.events:
		if !ok {
			t.Fatal("the stream ended")
		}
		return e
	case <-time.After(10 * time.Second):
		t.Fatal("no event in 10 seconds")
	}
	return heard{}
}

// until reads events up to the one of a position.
func (l *listener) until(t *testing.T, position uint64) (e heard, events int) {
	t.Helper()
	for e.id != whole(position) {
		e = l.next(t)
		events++
	}
	return e, events
}

// move commits one event and gives its position and when it was committed.
func (r *registry) move(t *testing.T, n int) (uint64, time.Time) {
	t.Helper()
	r.publish(t, operation("HARBOUR", fmt.Sprintf("CH-%03d", n), "S-014", day(1+n, 9, 0), false)[0])
	return r.last(t), time.Now()
}

func TestChanges(t *testing.T) {
	r := newRegistry(t)
	first, _ := r.move(t, 0)

	// Whoever has heard nothing is told where the record stands.
	fresh := r.listen(t, "trainee")
	if e := fresh.next(t); e.id != whole(first) || e.name != "changed" || e.data != fmt.Sprintf(`{"position":%d}`, first) {
		t.Fatalf("%+v", e)
	}
	for name, want := range map[string]string{"Content-Type": "text/event-stream", "Cache-Control": "no-store"} {
		if got := fresh.response.Header.Get(name); got != want {
			t.Errorf("%s: %q", name, got)
		}
	}
	// Whoever has heard that already is told nothing until something changes.
	up := r.listen(t, "auditor", "Last-Event-ID", whole(first))
	second, committed := r.move(t, 1)
	for _, l := range []*listener{fresh, up} {
		if e := l.next(t); e.id != whole(second) || e.at.Sub(committed) > time.Second {
			t.Errorf("%+v, want %d within a second, came after %s", e, second, e.at.Sub(committed))
		}
	}
	// Whoever comes back is told at once what was missed; an id that can't be
	// read is none.
	for _, held := range []string{whole(first), "0", "x", ""} {
		begun := time.Now()
		back := r.listen(t, "quality", "Last-Event-ID", held)
		if e := back.next(t); e.id != whole(second) || e.at.Sub(begun) > time.Second {
			t.Errorf("Last-Event-ID %q: %+v after %s", held, e, e.at.Sub(begun))
		}
	}

	// What comes close together comes as few events, the last of it included.
	begun := time.Now()
	var last uint64
	for n := range 20 {
		last, _ = r.move(t, 2+n)
	}
	end, events := fresh.until(t, last)
	if most := int(end.at.Sub(begun)/tellEvery) + 1; events > most {
		t.Errorf("%d events in %s, allowed %d", events, end.at.Sub(begun), most)
	}
	r.call(t, "quality", "GET", "/v1/changes?since=3", "").problem(t, 400, "invalid")
	r.call(t, "", "GET", "/v1/changes", "").problem(t, 401, "unauthenticated")
	if head, err := http.DefaultClient.Do(r.request(t, "quality", "HEAD", "/v1/changes", "")); err != nil || head.StatusCode != 200 {
		t.Errorf("%v %v", head, err)
	} else {
		head.Body.Close()
	}
}

// Many listen, some of them without ever reading: all others hear at once, by one
// connection that listens to the database.
func TestChangesForMany(t *testing.T) {
	r := newRegistry(t)
	r.move(t, 0)
	for range 5 {
		r.deaf(t)
	}
	var all []*listener
	for i := range 200 {
		l := r.listen(t, []string{"trainee", "quality", "auditor", "integrator", "administrator"}[i%5])
		l.next(t)
		all = append(all, l)
	}
	if n := r.service.changes.listeners(); n != 205 {
		t.Errorf("%v listen", n)
	}
	position, committed := r.move(t, 1)
	slowest := time.Duration(0)
	for _, l := range all {
		e, _ := l.until(t, position)
		slowest = max(slowest, e.at.Sub(committed))
	}
	t.Logf("the last of 200 heard after %s", slowest)
	if slowest > 2*time.Second {
		t.Errorf("the last of 200 heard after %s", slowest)
	}
	var listening int
	err := r.db.Pool.QueryRow(t.Context(), "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND (query LIKE 'LISTEN%' OR query LIKE 'SELECT position FROM checkpoint%')").Scan(&listening)
	if err != nil || listening != 1 {
		t.Errorf("%d connections listen: %v", listening, err)
	}
	// When all have left, nothing goes on.
	for _, l := range all {
		l.response.Body.Close()
	}
	r.closeDeaf()
	for begun := time.Now(); r.service.changes.listeners() > 0; time.Sleep(time.Millisecond) {
		if time.Since(begun) > 10*time.Second {
			t.Fatalf("%v still listen", r.service.changes.listeners())
		}
	}
	r.service.changes.mu.Lock()
	defer r.service.changes.mu.Unlock()
	if c := r.service.changes; c.stop != nil || c.known || len(c.listening) != 0 {
		t.Errorf("left behind: %+v", c.listening)
	}
}

// deaf is a client that asks for changes and never reads.
func (r *registry) deaf(t *testing.T) {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(r.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	r.deafs = append(r.deafs, conn)
	t.Cleanup(func() { conn.Close() })
	if err := r.request(t, "trainer", "GET", "/v1/changes", "").Write(conn); err != nil {
		t.Fatal(err)
	}
	want := float64(len(r.deafs))
	for begun := time.Now(); r.service.changes.listeners() < want; time.Sleep(time.Millisecond) {
		if time.Since(begun) > 10*time.Second {
			t.Fatal("it doesn't listen")
		}
	}
}

func (r *registry) closeDeaf() {
	for _, c := range r.deafs {
		c.Close()
	}
}

// So many may listen and no more, and no one person may take all the places.
func TestChangesAreBounded(t *testing.T) {
	r := newRegistry(t, func(c *Config) { c.Listeners = 5 })
	r.move(t, 0)
	var mine []*listener
	for range 4 {
		mine = append(mine, r.listen(t, "trainee"))
	}
	refused := func(who, word string) {
		t.Helper()
		got := r.call(t, who, "GET", "/v1/changes", "")
		if p := got.problem(t, 503, "unavailable"); got.header.Get("Retry-After") == "" || !strings.Contains(p.Detail, word) {
			t.Errorf("%s: %v %s", who, got.header, got.body)
		}
	}
	refused("trainee", "too many times over")
	r.listen(t, "quality")
	refused("auditor", "Too many clients")
	mine[0].response.Body.Close()
	for begun := time.Now(); r.service.changes.listeners() > 4; time.Sleep(time.Millisecond) {
		if time.Since(begun) > 10*time.Second {
			t.Fatal("one who left still counts")
		}
	}
	r.listen(t, "auditor")
}

// A server that stops ends the streams, and doesn't wait for them.
func TestChangesEndWithTheServer(t *testing.T) {
	r := newRegistry(t)
	position, _ := r.move(t, 0)
	server, err := web.New(web.Config{Listen: "127.0.0.1:0", Handler: web.Handler(r.router, web.Options{Logger: slog.New(slog.DiscardHandler)})})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- server.Run(ctx) }()
	l := r.listenAt(t, server.Addr(), "quality")
	l.until(t, position)
	begun := time.Now()
	cancel()
	if e, more := <-l.events; more {
		t.Errorf("%+v", e)
	}
	if err := <-ended; err != nil || time.Since(begun) > 10*time.Second {
		t.Errorf("Run: %v after %s", err, time.Since(begun))
	}
}

// Where nothing follows the position, the answer says so.
func TestChangesWithoutPositions(t *testing.T) {
	if err := newChanges(Config{}).join("demo-quality", nil); web.Status(err) != http.StatusServiceUnavailable {
		t.Error(err)
	}
}

// stepping is a position that a test moves.
type stepping struct{ moved chan uint64 }

func (s stepping) Wait(ctx context.Context, _ uint64) error {
	select {
	case <-s.moved:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// The database goes away and comes back: those who listen hear of it by what has
// changed, and the log once.
func TestChangesThroughAnOutage(t *testing.T) {
	var log strings.Builder
	answers := make(chan error)
	position := standing{position: 7}
	c := newChanges(Config{Positions: stepping{make(chan uint64)}, Logger: slog.New(slog.NewTextHandler(&log, nil))})
	c.read = func(ctx context.Context, _ []string) (standing, error) {
		select {
		case err := <-answers:
			return position, err
		case <-ctx.Done():
			return standing{}, ctx.Err()
		}
	}
	if err := c.join("demo-quality", nil); err != nil {
		t.Fatal(err)
	}
	answers <- errors.New("connection refused")
	answers <- errors.New("connection refused")
	answers <- nil
	at, moved, err := c.first(t.Context())
	if err != nil || at.position != 7 {
		t.Fatalf("%+v %v", at, err)
	}
	select {
	case <-moved:
		t.Error("moved before anything did")
	default:
	}
	c.leave("demo-quality", nil)
	if n := strings.Count(log.String(), "position not known"); n != 1 {
		t.Errorf("logged %d times: %s", n, log.String())
	}
}
