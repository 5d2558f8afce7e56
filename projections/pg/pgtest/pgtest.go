// Package pgtest gives each test a registry of its own in a real Postgres.
package pgtest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/projections/pg"
	"lensledger/projections/pg/migrations"
)

// DB is a registry's archive schema, migrated and empty.
type DB struct {
	URL  string
	Base string
	Pool *pgxpool.Pool
}

var shared struct {
	sync.Mutex
	inMain bool
	server *pg.Server
	err    error
}

// Main runs a package's tests and stops the server they shared. Call it from
// TestMain; it exits the program. On Linux the server ends even when the test
// program is killed.
func Main(m *testing.M) {
	shared.inMain = true
	code := m.Run()
	shared.Lock()
	if shared.server != nil {
		if err := shared.server.Close(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// URL gives the address of a real Postgres: DATABASE_URL, or a private server
// that the tests of a package share. Where there is no PostgreSQL the test fails;
// with -short it is skipped.
func URL(t testing.TB) string {
	t.Helper()
	if url := os.Getenv("DATABASE_URL"); url != "" {
		return url
	}
	if !shared.inMain {
		t.Fatal("no TestMain calls pgtest.Main, which stops the server at the end")
	}
	shared.Lock()
	defer shared.Unlock()
	if shared.server == nil && shared.err == nil {
		shared.server, shared.err = pg.StartServer(context.Background(), pg.ServerConfig{})
	}
	if errors.Is(shared.err, pg.ErrNoPostgres) && testing.Short() {
		t.Skip(shared.err)
	}
	if shared.err != nil {
		t.Fatal(shared.err)
	}
	return shared.server.URL()
}

// NewBase makes up the name of a registry and drops its schemas, all those that
// begin with the name, at the end of the test.
func NewBase(t testing.TB, url string) string {
	t.Helper()
	base := "t" + strings.ToLower(rand.Text()[:12])
	t.Cleanup(func() {
		ctx := context.Background()
		conn, err := pgx.Connect(ctx, url)
		if err != nil {
			t.Error(err)
			return
		}
		defer conn.Close(ctx)
		rows, _ := conn.Query(ctx, "SELECT nspname FROM pg_namespace WHERE starts_with(nspname, $1)", base)
		schemas, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			t.Error(err)
		}
		for _, schema := range schemas {
			if _, err := conn.Exec(ctx, "DROP SCHEMA IF EXISTS "+pgx.Identifier{schema}.Sanitize()+" CASCADE"); err != nil {
				t.Error(err)
			}
		}
	})
	return base
}

// New makes a registry for one test and drops it afterwards.
func New(t testing.TB) *DB {
	t.Helper()
	url := URL(t)
	db := &DB{URL: url, Base: NewBase(t, url)}
	ctx := context.Background()
	if err := pg.Migrate(ctx, db.URL, db.Base, migrations.FS); err != nil {
		t.Fatal(err)
	}
	var err error
	if db.Pool, err = pg.Connect(ctx, db.URL, db.Base, 8); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Pool.Close) // before the schemas are dropped
	return db
}
