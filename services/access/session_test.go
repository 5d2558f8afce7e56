package access

import (
	"bytes"
	"context"
	"encoding/hex"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/services/web"
)

// testSessions are sessions in a real Postgres of their own.
func testSessions(t *testing.T, change func(*SessionConfig)) *Sessions {
	t.Helper()
	cfg := SessionConfig{Pool: pgtest.New(t).Pool}
	if change != nil {
		change(&cfg)
	}
	s, err := NewSessions(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// request asks with some cookies.
func request(t *testing.T, cookies ...*http.Cookie) *http.Request {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
	for _, c := range cookies {
		r.AddCookie(&http.Cookie{Name: c.Name, Value: c.Value})
	}
	return r
}

// begin signs somebody in and gives the session's id.
func begin(t *testing.T, s *Sessions, a Actor, had ...*http.Cookie) string {
	t.Helper()
	rec := httptest.NewRecorder()
	if err := s.Begin(rec, request(t, had...), a, time.Time{}, false); err != nil {
		t.Fatal(err)
	}
	return rec.Result().Cookies()[0].Value
}

func (s *Sessions) named(id string) *http.Cookie {
	return &http.Cookie{Name: cookieName(SessionCookie, s.cfg.Secure), Value: id}
}

// status is what Of's error means, 200 without one.
func (s *Sessions) status(t *testing.T, id string) int {
	t.Helper()
	if _, err := s.Of(request(t, s.named(id))); err != nil {
		return web.Status(err)
	}
	return http.StatusOK
}

func TestSessionIsTheActorUntilItEnds(t *testing.T) {
	s := testSessions(t, nil)
	for _, a := range people {
		got, err := s.Of(request(t, s.named(begin(t, s, a))))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(a, got.Actor); diff != "" {
			t.Errorf("%s: %s", a.Role, diff)
		}
	}
	// Another process, or this one after a restart, knows it too.
	id := begin(t, s, people[2])
	again, err := NewSessions(s.cfg)
	if err != nil {
		t.Fatal(err)
	}
	if got := again.status(t, id); got != 200 {
		t.Errorf("after a restart: %d", got)
	}
	rec := httptest.NewRecorder()
	if _, err := s.End(rec, request(t, s.named(id))); err != nil {
		t.Fatal(err)
	}
	if got := again.status(t, id); got != 401 {
		t.Errorf("signed out: %d", got)
	}
	if _, err := s.End(rec, request(t, s.named(id))); err != nil {
		t.Errorf("signed out twice: %v", err)
	}
}

// Signing in makes a new id whatever the browser brings, and ends what it had.
func TestNoFixation(t *testing.T) {
	s := testSessions(t, nil)
	planted := strings.Repeat("B", 26)
	first := begin(t, s, people[3], s.named(planted))
	if first == planted || s.status(t, planted) != 401 {
		t.Error("an id from outside became a session")
	}
	second := begin(t, s, people[2], s.named(first))
	if second == first || s.status(t, first) != 401 || s.status(t, second) != 200 {
		t.Error("the session before lives on")
	}
}

// What a cookie holds is looked for only if it can be an id of ours.
func TestCookiesThatAreNoID(t *testing.T) {
	s := testSessions(t, nil)
	id := begin(t, s, people[2])
	s.cfg.Pool.Close()
	for _, cookies := range [][]*http.Cookie{nil, {s.named("")}, {s.named(id[:25])}, {s.named(strings.ToLower(id))}, {s.named(id + "A")},
		{s.named(id), s.named(id)}, {{Name: "__Host-" + SessionCookie, Value: id}}} {
		if _, err := s.Of(request(t, cookies...)); web.Status(err) != 401 {
			t.Errorf("%v: %v", cookies, err)
		}
	}
	// While Postgres is away it isn't known whether somebody is signed in.
	if _, err := s.Of(request(t, s.named(id))); web.Status(err) != 503 {
		t.Errorf("without a database: %v", err)
	}
}

func TestSessionLimits(t *testing.T) {
	now := time.Date(2026, 3, 12, 9, 0, 0, 0, time.UTC)
	s := testSessions(t, func(c *SessionConfig) {
		c.Idle, c.Limit, c.Now = 30*time.Minute, 2*time.Hour, func() time.Time { return now }
	})
	began := now
	at := func(after time.Duration) { now = began.Add(after) }

	idle := begin(t, s, people[2])
	at(29 * time.Minute)
	if got := s.status(t, idle); got != 200 {
		t.Errorf("used after 29 minutes: %d", got)
	}
	at(58 * time.Minute) // 29 after the last use
	if got := s.status(t, idle); got != 200 {
		t.Errorf("used again after 29 minutes: %d", got)
	}
	at(88 * time.Minute)
	if got := s.status(t, idle); got != 401 {
		t.Errorf("not used for 30 minutes: %d", got)
	}
	at(0)
	busy := begin(t, s, people[2])
	for after := 20 * time.Minute; after < 2*time.Hour; after += 20 * time.Minute {
		at(after)
		if got := s.status(t, busy); got != 200 {
			t.Errorf("after %s: %d", after, got)
		}
	}
	at(2 * time.Hour)
	if got := s.status(t, busy); got != 401 {
		t.Errorf("after the limit, in use: %d", got)
	}
	// A session by a token ends with the token.
	at(0)
	rec := httptest.NewRecorder()
	if err := s.Begin(rec, request(t), people[2], began.Add(10*time.Minute), false); err != nil {
		t.Fatal(err)
	}
	short := rec.Result().Cookies()[0].Value
	if got, err := s.Of(request(t, s.named(short))); err != nil || !got.Ends.Equal(began.Add(10*time.Minute)) {
		t.Errorf("ends %s, %v", got.Ends, err)
	}
	at(10 * time.Minute)
	if got := s.status(t, short); got != 401 {
		t.Errorf("after the token's end: %d", got)
	}
	// Ended ones are removed, the others not.
	at(0)
	live := begin(t, s, people[2])
	at(29 * time.Minute)
	if err := s.removeEnded(t.Context()); err != nil {
		t.Fatal(err)
	}
	var left int
	if err := s.cfg.Pool.QueryRow(t.Context(), "SELECT count(*) FROM session").Scan(&left); err != nil || left != 3 || s.status(t, live) != 200 {
		t.Errorf("%d rows left, %v", left, err) // live, and the two whose last use was later than now
	}
	for _, wrong := range []SessionConfig{{}, {Pool: s.cfg.Pool, Idle: time.Minute}, {Pool: s.cfg.Pool, Idle: time.Hour, Limit: 30 * time.Minute}} {
		if _, err := NewSessions(wrong); err == nil {
			t.Errorf("%+v is taken", wrong)
		}
	}
}

// counting counts the statements of a pool.
type counting struct{ statements []string }

func (c *counting) TraceQueryStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceQueryStartData) context.Context {
	c.statements = append(c.statements, d.SQL)
	return ctx
}

func (c *counting) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// A request costs one read by the primary key, and one write in a minute.
func TestWhatASessionCosts(t *testing.T) {
	db := pgtest.New(t)
	cfg := db.Pool.Config()
	var count counting
	cfg.ConnConfig.Tracer = &count
	pool := poolOf(t, cfg)
	now := time.Date(2026, 3, 12, 9, 0, 0, 0, time.UTC)
	s := testSessions(t, func(c *SessionConfig) { c.Pool, c.Now = pool, func() time.Time { return now } })
	id := begin(t, s, people[2])
	want := map[time.Duration][]string{0: {readSessionSQL}, 59 * time.Second: {readSessionSQL}, 60 * time.Second: {readSessionSQL, useSessionSQL}, 61 * time.Second: {readSessionSQL}}
	for _, after := range []time.Duration{0, 59 * time.Second, 60 * time.Second, 61 * time.Second} {
		now = time.Date(2026, 3, 12, 9, 0, 0, 0, time.UTC).Add(after)
		count.statements = nil
		if got := s.status(t, id); got != 200 || !slices.Equal(count.statements, want[after]) {
			t.Errorf("after %s: %d, %q", after, got, count.statements)
		}
	}
	var plan string
	rows, err := pool.Query(t.Context(), "EXPLAIN "+strings.Replace(readSessionSQL, "$1", `'\x00'`, 1))
	if err != nil {
		t.Fatal(err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if plan = strings.Join(lines, "\n"); err != nil || !strings.Contains(plan, "session_pkey") {
		t.Errorf("plan: %s %v", plan, err)
	}
}

// The table is the program's alone, holds no id, and of claims only what makes an
// actor; nothing of it gets into the log.
func TestWhatTheTableHolds(t *testing.T) {
	var log bytes.Buffer
	s := testSessions(t, func(c *SessionConfig) {
		c.Logger = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	id := begin(t, s, people[1])
	var row string
	if err := s.cfg.Pool.QueryRow(t.Context(), "SELECT s::text FROM session s").Scan(&row); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"id": id, "its bytes": hex.EncodeToString([]byte(id))} {
		if strings.Contains(row, text) {
			t.Errorf("the table holds the %s: %s", name, row)
		}
	}
	// printf %s <id> | sha256sum is what stands there.
	if !strings.Contains(row, hex.EncodeToString(hashOf(id))) || !strings.Contains(row, "demo-trainer") {
		t.Errorf("row: %s", row)
	}
	for _, a := range people {
		err := pg.AsActor(t.Context(), s.cfg.Pool, pg.Actor{Role: string(a.Role), Surgeons: a.Surgeons(), Departments: a.Departments, Source: a.Source}, func(tx pgx.Tx) error {
			_, err := tx.Exec(t.Context(), "SELECT 1 FROM session")
			return err
		})
		if err == nil || !strings.Contains(err.Error(), "42501") { // insufficient_privilege
			t.Errorf("%s reads sessions: %v", a.Role, err)
		}
	}
	// A role that this program doesn't know any more signs nobody in.
	if _, err := s.cfg.Pool.Exec(t.Context(), `UPDATE session SET claims = '{"sub":"x","role":"surgeon-general"}'`); err != nil {
		t.Fatal(err)
	}
	if got := s.status(t, id); got != 401 {
		t.Errorf("an unknown role: %d", got)
	}
	s.cfg.Pool.Close()
	s.status(t, id)
	if !strings.Contains(log.String(), "session not read") || !strings.Contains(log.String(), "session not accepted") || strings.Contains(log.String(), id) || strings.Contains(log.String(), hex.EncodeToString(hashOf(id))) {
		t.Errorf("log: %s", log.String())
	}
}

// __Host- takes Secure, Path=/ and no Domain (RFC 6265bis, 4.1.3.2).
func TestCookieOfASession(t *testing.T) {
	plain := testSessions(t, nil)
	over := testSessions(t, func(c *SessionConfig) { c.Pool, c.Secure = plain.cfg.Pool, true })
	for s, want := range map[*Sessions][2]string{
		plain: {"lensledger_session=ID; Path=/; HttpOnly; SameSite=Lax", "lensledger_session=; Path=/; Max-Age=0; HttpOnly; SameSite=Lax"},
		over:  {"__Host-lensledger_session=ID; Path=/; HttpOnly; Secure; SameSite=Lax", "__Host-lensledger_session=; Path=/; Max-Age=0; HttpOnly; Secure; SameSite=Lax"},
	} {
		rec := httptest.NewRecorder()
		if err := s.Begin(rec, request(t), people[2], time.Time{}, false); err != nil {
			t.Fatal(err)
		}
		id := rec.Result().Cookies()[0].Value
		if _, err := s.End(rec, request(t)); err != nil {
			t.Fatal(err)
		}
		got := rec.Header().Values("Set-Cookie")
		if len(got) != 2 || strings.Replace(got[0], id, "ID", 1) != want[0] || got[1] != want[1] {
			t.Errorf("cookies %q, want %q", got, want)
		}
	}
}

func TestLocalPath(t *testing.T) {
	for to, want := range map[string]string{
		"/": "/", "/my/charts?surgeon=S-014": "/my/charts?surgeon=S-014", "/alarms?recorded=a%2Fb#x": "/alarms?recorded=a%2Fb", "/cases/HB-001": "/cases/HB-001",
		"": "/", "alarms": "/", "//attacker.example": "/", "///attacker.example": "/", "/\\attacker.example": "/", "\\\\attacker.example": "/",
		"https://attacker.example/": "/", "https:/alarms": "/", "javascript:alert(1)": "/", "/\t/attacker.example": "/", "/%09/attacker.example": "/%09/attacker.example",
		"/%2f/attacker.example": "/", "/%5cattacker.example": "/", "/a\nSet-Cookie: x": "/", " //attacker.example": "/", "/sign-out": "/", "/sign-in?to=/": "/", "/sign-in/answer?code=x": "/",
		"/" + strings.Repeat("a", maxLocalPath): "/", "//user@attacker.example": "/", "/alarms?to=//x": "/alarms?to=//x",
	} {
		if got := LocalPath(to); got != want {
			t.Errorf("%q: %q, want %q", to, got, want)
		}
	}
}

func poolOf(t *testing.T, cfg *pgxpool.Config) *pgxpool.Pool {
	t.Helper()
	pool, err := pgxpool.NewWithConfig(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}
