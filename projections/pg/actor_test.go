package pg_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
)

// registry is three operations of two surgeons in two departments, and a pool.
func registry(t *testing.T, connections int) (base string, pool *pgxpool.Pool) {
	t.Helper()
	url := pgtest.URL(t)
	base = pgtest.NewBase(t, url)
	if err := pg.Migrate(ctxFor(t), url, base, operations); err != nil {
		t.Fatal(err)
	}
	pool, err := pg.Connect(ctxFor(t), url, base, connections)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	err = pg.AsWriter(ctxFor(t), pool, func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `INSERT INTO operation VALUES
			('HB-1', 'S-014', 'HARBOUR'), ('HB-2', 'S-015', 'HARBOUR'), ('VA-1', 'S-015', 'VALLEY')`)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return base, pool
}

func codes(ctx context.Context, tx pgx.Tx) (string, error) {
	var s string
	err := tx.QueryRow(ctx, "SELECT COALESCE(string_agg(code, ' ' ORDER BY code), '') FROM operation").Scan(&s)
	return s, err
}

var seen = []struct {
	actor pg.Actor
	codes string
}{
	{pg.Actor{Role: "trainee", Surgeons: []string{"S-014"}}, "HB-1"},
	{pg.Actor{Role: "trainee", Surgeons: []string{"S-015"}}, "HB-2 VA-1"},
	{pg.Actor{Role: "trainee", Surgeons: []string{"S-014", "S-015"}}, "HB-1 HB-2 VA-1"},
	{pg.Actor{Role: "trainee"}, ""},
	{pg.Actor{Role: "trainee", Departments: []string{"HARBOUR"}}, ""},
	{pg.Actor{Role: "quality", Departments: []string{"HARBOUR"}}, "HB-1 HB-2"},
	{pg.Actor{Role: "quality", Departments: []string{"VALLEY"}, Surgeons: []string{"S-014"}}, "VA-1"},
	{pg.Actor{Role: "integrator", Source: "ehr-harbour", Departments: []string{"HARBOUR"}}, ""},
}

func TestAnActorSeesItsOwnRows(t *testing.T) {
	_, pool := registry(t, 2)
	for _, c := range seen {
		err := pg.AsActor(ctxFor(t), pool, c.actor, func(tx pgx.Tx) error {
			got, err := codes(context.Background(), tx)
			if err == nil && got != c.codes {
				t.Errorf("%+v sees %q, want %q", c.actor, got, c.codes)
			}
			var settings string
			if err := tx.QueryRow(context.Background(), "SELECT concat_ws('|', current_user, current_setting('app.role'), current_setting('app.surgeons'), current_setting('app.departments'), current_setting('app.source'), current_setting('transaction_isolation'))").Scan(&settings); err != nil {
				return err
			}
			want := strings.Join([]string{pg.RoleReader, c.actor.Role, strings.Join(c.actor.Surgeons, ","), strings.Join(c.actor.Departments, ","), c.actor.Source, "repeatable read"}, "|")
			if settings != want {
				t.Errorf("settings %s, want %s", settings, want)
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
}

func TestWithoutAnActorNothingIsSeen(t *testing.T) {
	_, pool := registry(t, 1)
	// The role alone, as if somebody had gone past AsActor; before any actor was
	// set on the connection and after, when the settings exist but are empty.
	for range 2 {
		err := pgx.BeginFunc(ctxFor(t), pool, func(tx pgx.Tx) error {
			if _, err := tx.Exec(context.Background(), "SET LOCAL ROLE lensledger_reader"); err != nil {
				return err
			}
			got, err := codes(context.Background(), tx)
			if got != "" {
				t.Errorf("sees %q", got)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := pg.AsActor(ctxFor(t), pool, seen[0].actor, func(pgx.Tx) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAnActorThatCantBeWrittenIsRefused(t *testing.T) {
	_, pool := registry(t, 1)
	for _, actor := range []pg.Actor{
		{},
		{Surgeons: []string{"S-014"}},
		{Role: "trainee", Surgeons: []string{"S-014,S-015"}},
		{Role: "trainee", Surgeons: []string{"S-014", ""}},
		{Role: "quality", Departments: []string{"HARBOUR VALLEY"}},
		{Role: "quality", Departments: []string{"É"}},
		{Role: "integrator", Source: "a'b"},
		{Role: "trainee\n"},
	} {
		err := pg.AsActor(ctxFor(t), pool, actor, func(pgx.Tx) error { t.Errorf("%+v was let in", actor); return nil })
		if err == nil {
			t.Errorf("%+v: no error", actor)
		}
	}
}

func TestAReaderWritesNothing(t *testing.T) {
	_, pool := registry(t, 1)
	for _, sql := range []string{
		"INSERT INTO operation VALUES ('X', 'S-014', 'HARBOUR')", "DELETE FROM operation", "CREATE TABLE mine (n int)",
		"ALTER TABLE operation DISABLE ROW LEVEL SECURITY", "CREATE TEMP TABLE mine (n int)",
	} {
		err := pg.AsActor(ctxFor(t), pool, seen[0].actor, func(tx pgx.Tx) error {
			_, err := tx.Exec(context.Background(), sql)
			return err
		})
		var pgErr *pgconn.PgError
		if !errors.As(err, &pgErr) {
			t.Errorf("%s: %v", sql, err)
		}
	}
}

var errFailed = errors.New("the read failed")

// TestActorsDontLeakThroughTheConnection lets eight actors share one connection
// and ends their transactions in every way there is.
func TestActorsDontLeakThroughTheConnection(t *testing.T) {
	_, pool := registry(t, 1)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	ctx := ctxFor(t)
	var all sync.WaitGroup
	for i, c := range seen {
		all.Go(func() {
			rng := rand.New(rand.NewPCG(seed, uint64(i)))
			for range 60 {
				read(ctx, t, pool, c.actor, c.codes, rng.IntN(6))
				// Between the actors, the bare connection.
				var role, actor string
				if err := pool.QueryRow(ctx, "SELECT current_user, concat(current_setting('app.role', true), current_setting('app.surgeons', true), current_setting('app.departments', true), current_setting('app.source', true))").Scan(&role, &actor); err != nil {
					t.Error(err)
				}
				if role == pg.RoleReader || actor != "" {
					t.Errorf("the connection came back as %s with %q", role, actor)
				}
			}
		})
	}
	all.Wait()
	if n := pool.Stat().AcquiredConns(); n != 0 {
		t.Errorf("%d connections were not given back", n)
	}
}

// read reads as an actor, checks what it sees, and ends in one of six ways.
func read(ctx context.Context, t *testing.T, pool *pgxpool.Pool, actor pg.Actor, want string, end int) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer func() {
		if r := recover(); r != nil && r != errFailed {
			panic(r)
		}
	}()
	err := pg.AsActor(ctx, pool, actor, func(tx pgx.Tx) error {
		got, err := codes(ctx, tx)
		if err != nil {
			return err
		}
		if got != want {
			t.Errorf("%+v sees %q, want %q", actor, got, want)
		}
		switch end {
		case 0:
			return errFailed
		case 1:
			panic(errFailed)
		case 2:
			cancel() // before the commit
		case 3:
			cancel() // and another statement on it
			_, err := codes(ctx, tx)
			return err
		case 4:
			_, err := tx.Exec(ctx, "SELECT 1/0")
			return err
		}
		return nil
	})
	if (err != nil) != (end != 5) {
		t.Errorf("way %d ended with %v", end, err)
	}
}

func TestARolledBackWriteIsGone(t *testing.T) {
	_, pool := registry(t, 1)
	insert := func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), "INSERT INTO operation VALUES ('HB-9', 'S-014', 'HARBOUR')")
		return err
	}
	err := pg.AsWriter(ctxFor(t), pool, func(tx pgx.Tx) error { return errors.Join(insert(tx), errFailed) })
	if !errors.Is(err, errFailed) {
		t.Fatal(err)
	}
	count := func() (n int) {
		if err := pg.AsWriter(ctxFor(t), pool, func(tx pgx.Tx) error {
			return tx.QueryRow(context.Background(), "SELECT count(*) FROM operation").Scan(&n)
		}); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := count(); n != 3 {
		t.Errorf("%d operations after a failure, want 3", n)
	}
	if err := pg.AsWriter(ctxFor(t), pool, insert); err != nil {
		t.Fatal(err)
	}
	if n := count(); n != 4 {
		t.Errorf("%d operations after a success, want 4", n)
	}
}

// build makes a read model whose two tables both hold the number n.
func build(t *testing.T, tx pgx.Tx, schema string, n int) {
	t.Helper()
	_, err := tx.Exec(context.Background(), fmt.Sprintf(`CREATE SCHEMA %[1]s; GRANT USAGE ON SCHEMA %[1]s TO lensledger_reader;
		CREATE TABLE %[1]s.first (n int); CREATE TABLE %[1]s.second (n int);
		GRANT SELECT ON ALL TABLES IN SCHEMA %[1]s TO lensledger_reader;
		INSERT INTO %[1]s.first VALUES (%[2]d); INSERT INTO %[1]s.second VALUES (%[2]d)`, schema, n))
	if err != nil {
		t.Error(err)
	}
}

// TestASwapNeverSplitsARead swaps the read models again and again under readers
// that read two tables of them. Some rows are written in the transaction of the
// swap itself, as when a rebuild catches up at its end.
func TestASwapNeverSplitsARead(t *testing.T) {
	base, pool := registry(t, 8)
	live, next := pg.ModelSchema(base), pg.ModelSchema(base)+"_next"
	swap := func(n int) {
		err := pgx.BeginFunc(ctxFor(t), pool, func(tx pgx.Tx) error {
			build(t, tx, next, n)
			if err := pg.LockSwap(context.Background(), tx, base); err != nil {
				return err
			}
			_, err := tx.Exec(context.Background(), "DROP SCHEMA IF EXISTS "+live+" CASCADE; ALTER SCHEMA "+next+" RENAME TO "+live)
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
	swap(1)
	done := make(chan struct{})
	var readers sync.WaitGroup
	for range 4 {
		readers.Go(func() {
			last := 0
			for {
				select {
				case <-done:
					return
				default:
				}
				err := pg.AsActor(ctxFor(t), pool, seen[0].actor, func(tx pgx.Tx) error {
					var first, second int
					if err := tx.QueryRow(context.Background(), "SELECT n FROM first").Scan(&first); err != nil {
						return err
					}
					if err := tx.QueryRow(context.Background(), "SELECT n FROM second").Scan(&second); err != nil {
						return err
					}
					if first != second || first < last {
						t.Errorf("read %d and %d after %d", first, second, last)
					}
					last = first
					return nil
				})
				if err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	for n := 2; n <= 60; n++ {
		swap(n)
	}
	close(done)
	readers.Wait()
}

func TestConnectionsAreSetUp(t *testing.T) {
	base, pool := registry(t, 3)
	if n := pool.Config().MaxConns; n != 3 {
		t.Errorf("at most %d connections, want 3", n)
	}
	for name, want := range map[string]string{
		"search_path": base + "_model, " + base, "timezone": "UTC", "application_name": "lensledger",
		"idle_in_transaction_session_timeout": "30s", "lock_timeout": "30s", "jit": "off",
	} {
		var got string
		if err := pool.QueryRow(ctxFor(t), "SELECT current_setting($1)", name).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %q, %v, want %q", name, got, err, want)
		}
	}
	if err := pg.AsActor(ctxFor(t), pool, seen[0].actor, func(tx pgx.Tx) error {
		var timeout string
		err := tx.QueryRow(context.Background(), "SHOW statement_timeout").Scan(&timeout)
		if timeout != "30s" {
			t.Errorf("a read may take %s", timeout)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}
