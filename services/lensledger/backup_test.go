package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// site is a registry whose servers can be lost.
type site struct {
	*pgtest.DB
	server *stream.Server
	store  string
}

func newSite(t testing.TB) *site {
	t.Helper()
	s := &site{DB: pgtest.New(t)}
	s.newStream(t)
	return s
}

// sitePassword is every user's, on a server that lives as long as the test.
const sitePassword = "pass-for-this-test"

// newStream starts a server with an empty store; the one before is gone.
func (s *site) newStream(t testing.TB) {
	t.Helper()
	s.store = quickDir(t)
	var err error
	s.server, err = stream.StartServer(stream.ServerConfig{StoreDir: s.store, MaxFileBytes: 1 << 30, AdminPassword: sitePassword, Users: []stream.User{
		{Name: "backup", Password: sitePassword, Permissions: stream.BackupPermissions("backup")},
		{Name: "restore", Password: sitePassword, Permissions: stream.RestorePermissions("restore")},
		{Name: "projector", Password: sitePassword, Permissions: stream.ProjectorPermissions("projector")},
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.server.Close)
}

func (s *site) loseStream(t testing.TB) {
	t.Helper()
	s.server.Close()
	if err := os.RemoveAll(s.store); err != nil {
		t.Fatal(err)
	}
	s.newStream(t)
}

func (s *site) loseArchive(t testing.TB) {
	t.Helper()
	if _, err := s.Pool.Exec(t.Context(), "DROP SCHEMA "+s.Base+" CASCADE; DROP SCHEMA "+pg.ModelSchema(s.Base)+" CASCADE"); err != nil {
		t.Fatal(err)
	}
}

// command makes the program as an operator runs it: a process of its own, connected
// as one of the server's users.
func (s *site) command(t testing.TB, user string, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0], args...)
	cmd.Env = append(os.Environ(), childVariable+"=1", "DATABASE_URL="+s.URL, "LENSLEDGER_SCHEMA="+s.Base, "LENSLEDGER_STREAM_MAX_BYTES=268435456",
		"NATS_URL="+strings.Replace(s.server.ClientURL(), "nats://", "nats://"+user+":"+sitePassword+"@", 1), "NATS_INBOX_PREFIX="+stream.InboxPrefix(user))
	return cmd
}

// run runs the program to its end and reads what it prints into answer.
func (s *site) run(t testing.TB, user string, answer any, args ...string) {
	t.Helper()
	out, said, err := output(s.command(t, user, args...))
	if err != nil {
		t.Fatalf("%v: %v\n%s", args, err, said)
	}
	if err := json.Unmarshal(out, answer); err != nil {
		t.Fatalf("%v printed %q: %v", args, out, err)
	}
}

// refused runs the program, which must fail with some words.
func (s *site) refused(t testing.TB, user, words string, args ...string) {
	t.Helper()
	_, said, err := output(s.command(t, user, args...))
	if err == nil || !strings.Contains(said, words) {
		t.Errorf("%v: %v, without the words %q: %s", args, err, words, said)
	}
}

func output(cmd *exec.Cmd) (out []byte, said string, err error) {
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err = cmd.Output()
	return out, stderr.String(), err
}

func (s *site) open(t testing.TB) *stream.Stream {
	t.Helper()
	opened, err := servers{Schema: s.Base, Replicas: 1}.stream(t.Context(), s.Pool, s.server, "test")
	if err != nil {
		t.Fatal(err)
	}
	return opened
}

func (s *site) publish(t testing.TB, seed uint64, cases int) {
	t.Helper()
	opened := s.open(t)
	defer opened.Close()
	if _, err := publish(t.Context(), opened.Publisher(), scenarioOf(seed, cases)); err != nil {
		t.Fatal(err)
	}
}

// figures projects to the end and gives the figures as `demo --once` prints them.
func (s *site) figures(t testing.TB) string {
	t.Helper()
	opened := s.open(t)
	defer opened.Close()
	return figuresOf(t, s.DB, opened)
}

func figuresOf(t testing.TB, db *pgtest.DB, opened *stream.Stream) string {
	t.Helper()
	if err := projector.New(projector.Config{Pool: db.Pool, Base: db.Base, Stream: opened}).RunToEnd(t.Context()); err != nil {
		t.Fatal(err)
	}
	var text bytes.Buffer
	if err := printFigures(t.Context(), &text, db.Pool); err != nil {
		t.Fatal(err)
	}
	return text.String()
}

// log is the set of archived events: each with its position, hash and recorded time.
func (s *site) log(t testing.TB) []string {
	t.Helper()
	rows, err := s.Pool.Query(t.Context(), "SELECT concat_ws(' ', sequence, source, id, encode(hash, 'hex'), encode(wire_hash, 'hex'), recorded_at) FROM event_log ORDER BY sequence")
	if err != nil {
		t.Fatal(err)
	}
	all, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(all) == 0 {
		t.Fatal(len(all), err)
	}
	return all
}

func (s *site) verified(t testing.TB, positions uint64) {
	t.Helper()
	var v verification
	s.run(t, "projector", &v, "verify")
	if !v.Copies.StreamRead || !v.Copies.Equal() || v.Copies.Compared != positions || v.Models == nil || !v.Models.Equal() {
		t.Errorf("verified %+v, want %d positions alike", v, positions)
	}
}

// withoutRecorded leaves out when the last event was recorded.
func withoutRecorded(figures string) string {
	lines := strings.Split(figures, "\n")
	return strings.Join(slices.DeleteFunc(lines, func(l string) bool { return strings.Contains(l, `"recorded_at"`) }), "\n")
}

// The drill: a backup brings a lost registry back, byte for byte, whichever of its two
// parts is lost and whichever is the older.
func TestBackupDrill(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a PostgreSQL server")
	}
	s := newSite(t)
	s.publish(t, 5, 24)
	first, firstLog := s.figures(t), s.log(t)
	dir := filepath.Join(t.TempDir(), "backup")
	var m manifest
	s.run(t, "backup", &m, "backup", "--to", dir)
	if m.Position == 0 || m.LastSequence != m.Position || len(m.Files) != 3 || m.Postgres.Server == "" || m.Postgres.Program == "" {
		t.Errorf("manifest %+v", m)
	}
	s.refused(t, "backup", "isn't empty", "backup", "--to", dir)
	s.refused(t, "restore", "--overwrite", "restore", "--from", dir)
	s.refused(t, "restore", "--overwrite", "restore", "--from", dir, "--only", "stream")
	s.publish(t, 6, 6)
	second, secondLog := s.figures(t), s.log(t)
	if first == second {
		t.Fatal("the later events change no figure")
	}
	last := uint64(len(secondLog))

	s.loseArchive(t)
	var r restored
	s.run(t, "restore", &r, "restore", "--from", dir, "--only", "archive")
	if r.Position != m.Position || r.LastSequence != last || !strings.Contains(r.Next, "lensledger project") {
		t.Errorf("the archive alone was restored: %+v", r)
	}
	if got := s.figures(t); got != second || !slices.Equal(s.log(t), secondLog) {
		t.Errorf("after an older archive has caught up, the figures or the log differ:\n%s", firstLine(got, second))
	}
	s.verified(t, last)

	s.loseStream(t)
	s.run(t, "restore", &r, "restore", "--from", dir, "--only", "stream")
	if r.Position != last || r.LastSequence != m.LastSequence || !strings.Contains(r.Next, "--stream-from-archive") {
		t.Errorf("the stream alone was restored: %+v", r)
	}
	var behind *stream.BehindError
	if _, err := (servers{Schema: s.Base, Replicas: 1}).stream(t.Context(), s.Pool, s.server, "test"); !errors.As(err, &behind) {
		t.Errorf("a stream that ends before the archive was opened: %v", err)
	}
	s.refused(t, "projector", "runbook backup.md, Copies differ", "verify")
	var refilled projector.Refilled
	s.run(t, "restore", &refilled, "restore", "--stream-from-archive")
	if refilled != (projector.Refilled{From: m.LastSequence + 1, To: last}) {
		t.Errorf("refilled %+v", refilled)
	}
	if got := s.figures(t); got != second || !slices.Equal(s.log(t), secondLog) {
		t.Errorf("after an older stream was filled up, the figures or the log differ:\n%s", firstLine(got, second))
	}
	s.verified(t, last)
	s.replayed(t, second)

	s.loseStream(t)
	s.run(t, "restore", &refilled, "restore", "--stream-from-archive")
	if refilled != (projector.Refilled{From: 1, To: last}) {
		t.Errorf("refilled %+v", refilled)
	}
	s.replayed(t, second)

	s.loseStream(t)
	s.loseArchive(t)
	s.run(t, "restore", &r, "restore", "--from", dir)
	if r.Position != m.Position || r.LastSequence != m.LastSequence || r.Epoch != m.Epoch {
		t.Errorf("both were restored: %+v", r)
	}
	if got := s.figures(t); got != first || !slices.Equal(s.log(t), firstLog) {
		t.Errorf("after both were lost and restored, the figures or the log differ:\n%s", firstLine(got, first))
	}
	s.verified(t, m.Position)

	s.publish(t, 6, 6)
	s.figures(t)
	s.run(t, "restore", &r, "restore", "--from", dir, "--overwrite")
	if got := s.figures(t); got != first || !slices.Equal(s.log(t), firstLog) {
		t.Errorf("after an overwriting restore, the figures or the log differ:\n%s", firstLine(got, first))
	}
	s.verified(t, m.Position)
}

// replayed takes the stream into an empty archive, which must give the same figures.
func (s *site) replayed(t testing.TB, figures string) {
	t.Helper()
	opened, err := stream.Open(t.Context(), stream.Config{Server: s.server})
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	if got := withoutRecorded(figuresOf(t, pgtest.New(t), opened)); got != withoutRecorded(figures) {
		t.Errorf("a replay of the stream gives other figures:\n%s", firstLine(got, withoutRecorded(figures)))
	}
}

// firstLine gives the first line that differs.
func firstLine(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return "got  " + g[i] + "\nwant " + w[i]
		}
	}
	return "one ends before the other"
}

// A backup with anything wrong is refused by the name of the file, before anything is
// touched.
func TestDamagedBackupIsRefused(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a PostgreSQL server")
	}
	s := newSite(t)
	s.publish(t, 5, 3)
	s.figures(t)
	dir := filepath.Join(t.TempDir(), "backup")
	var m manifest
	s.run(t, "backup", &m, "backup", "--to", dir)
	if _, err := readManifest(dir); err != nil {
		t.Fatal(err)
	}
	damages := map[string]func([]byte) []byte{
		"flipped":   func(b []byte) []byte { b = slices.Clone(b); b[len(b)/2] ^= 1; return b },
		"truncated": func(b []byte) []byte { return b[:len(b)-1] },
		"longer":    func(b []byte) []byte { return append(slices.Clone(b), 0) },
		"gone":      nil,
	}
	for _, f := range m.Files {
		for name, damage := range damages {
			path := filepath.Join(dir, f.Name)
			whole := mustRead(t, path)
			var err error
			if damage == nil {
				err = os.Remove(path)
			} else {
				err = os.WriteFile(path, damage(whole), 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
			if _, err := readManifest(dir); err == nil || !strings.Contains(err.Error(), f.Name) {
				t.Errorf("%s %s: %v", f.Name, name, err)
			}
			if f.Name == streamFile && name == "flipped" {
				s.refused(t, "restore", f.Name, "restore", "--from", dir, "--overwrite")
			}
			if err := os.WriteFile(path, whole, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	s.verified(t, m.Position) // nothing was touched
	if err := os.Remove(filepath.Join(dir, manifestFile)); err != nil {
		t.Fatal(err)
	}
	s.refused(t, "restore", manifestFile, "restore", "--from", dir, "--overwrite")
}

// A backup that was killed is none, and says so.
func TestKilledBackupIsRefused(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a PostgreSQL server")
	}
	s := newSite(t)
	s.publish(t, 5, 3)
	s.figures(t)
	// The dump waits for this lock, so the kill comes in its midst.
	tx, err := s.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(t.Context())) }()
	if _, err := tx.Exec(t.Context(), "LOCK TABLE event_log IN ACCESS EXCLUSIVE MODE"); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "backup")
	cmd := s.command(t, "backup", "backup", "--to", dir)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	waiting := "SELECT count(*) FROM pg_locks l JOIN pg_class c ON c.oid = l.relation JOIN pg_namespace n ON n.oid = c.relnamespace WHERE NOT l.granted AND n.nspname = $1"
	for n := 0; n == 0; {
		if err := s.Pool.QueryRow(t.Context(), waiting, s.Base).Scan(&n); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond) // between two looks at the locks
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	if err := tx.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, archiveFile)); err != nil {
		t.Error("the backup hadn't begun", err)
	}
	s.refused(t, "restore", manifestFile, "restore", "--from", dir, "--overwrite")
	s.refused(t, "backup", "isn't empty", "backup", "--to", dir)
}
