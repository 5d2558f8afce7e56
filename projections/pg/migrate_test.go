package pg_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/pg"
	"lensledger/projections/pg/migrations"
	"lensledger/projections/pg/pgtest"
)

func script(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }

// operations is a registry of its own: one table with a policy, as the archive's
// tables have.
var operations = fstest.MapFS{
	"0001_operation.sql": script(`-- +goose Up
CREATE TABLE operation (code text COLLATE "C" PRIMARY KEY, surgeon text NOT NULL, department text NOT NULL);
ALTER TABLE operation ENABLE ROW LEVEL SECURITY;
ALTER TABLE operation FORCE ROW LEVEL SECURITY;
CREATE POLICY operation_read ON operation FOR SELECT TO lensledger_reader USING (
	CASE current_setting('app.role', true)
		WHEN 'trainee' THEN surgeon = ANY (string_to_array(current_setting('app.surgeons', true), ','))
		WHEN 'quality' THEN department = ANY (string_to_array(current_setting('app.departments', true), ','))
		ELSE false
	END);
GRANT SELECT ON operation TO lensledger_reader;
GRANT SELECT, INSERT, UPDATE, DELETE ON operation TO lensledger_writer;
`),
}

func TestMigrateAppliesEachOnceInTheArchivesSchema(t *testing.T) {
	url := pgtest.URL(t)
	base := pgtest.NewBase(t, url)
	// A read model's schema is there already, as after a rebuild: nothing of the
	// archive may land in it.
	run(t, url, "CREATE SCHEMA "+pg.ModelSchema(base))
	if err := pg.Migrate(ctxFor(t), url, base, operations); err != nil {
		t.Fatal(err)
	}
	more := fstest.MapFS{
		"0001_operation.sql": script("-- +goose Up\nSELECT this_would_fail;"),
		"0002_more.sql":      script("-- +goose Up\nALTER TABLE operation ADD eye text;"),
	}
	for range 2 {
		if err := pg.Migrate(ctxFor(t), url, base, more); err != nil {
			t.Fatal(err)
		}
	}
	tables := one[string](t, url, fmt.Sprintf(`SELECT string_agg(schemaname || '.' || tablename, ' ' ORDER BY tablename)
		FROM pg_tables WHERE starts_with(schemaname, '%s')`, base))
	want := fmt.Sprintf("%[1]s.goose_db_version %[1]s.operation %[1]s.read_model_swap", base)
	if tables != want {
		t.Errorf("tables %s, want %s", tables, want)
	}
}

func TestMigrateByManyAtOnce(t *testing.T) {
	url := pgtest.URL(t)
	base := pgtest.NewBase(t, url)
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			if err := pg.Migrate(ctxFor(t), url, base, operations); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if n := one[int](t, url, "SELECT count(*)::int FROM "+base+".goose_db_version WHERE version_id = 1"); n != 1 {
		t.Errorf("applied %d times", n)
	}
}

func TestAFailedMigrationLeavesNothingAndIsNamed(t *testing.T) {
	url := pgtest.URL(t)
	base := pgtest.NewBase(t, url)
	broken := fstest.MapFS{"0001_broken.sql": script("-- +goose Up\nCREATE TABLE half (n int);\nCREATE TABLE half (n int);")}
	err := pg.Migrate(ctxFor(t), url, base, broken)
	if err == nil || !strings.Contains(err.Error(), "0001_broken.sql") || !strings.Contains(err.Error(), base) {
		t.Errorf("error %v", err)
	}
	if exists := one[bool](t, url, "SELECT to_regclass('"+base+".half') IS NOT NULL"); exists {
		t.Error("half of the migration is there")
	}
}

func TestABadNameIsRefused(t *testing.T) {
	for _, base := range []string{"", "A", "1a", "a-b", `a"; DROP SCHEMA public; --`, strings.Repeat("a", 41)} {
		if err := pg.Migrate(ctxFor(t), "postgres:///?host=/nowhere", base, operations); err == nil || !strings.Contains(err.Error(), "lower-case") {
			t.Errorf("%q: %v", base, err)
		}
		if _, err := pg.Connect(ctxFor(t), "postgres:///?host=/nowhere", base, 1); err == nil || !strings.Contains(err.Error(), "lower-case") {
			t.Errorf("%q: %v", base, err)
		}
	}
}

func TestTheRolesAreWhatRowSecurityNeeds(t *testing.T) {
	db := pgtest.New(t)
	got := one[string](t, db.URL, `SELECT string_agg(concat_ws(' ', rolname, rolcanlogin, rolsuper, rolbypassrls, rolcreaterole, rolcreatedb), ', ' ORDER BY rolname)
		FROM pg_roles WHERE rolname LIKE 'lensledger%'`)
	if got != "lensledger_reader f f f f f, lensledger_writer f f t f f" {
		t.Errorf("roles: %s", got)
	}
}

func TestUsersWithoutRightsAreToldWhatToRun(t *testing.T) {
	s, err := pg.StartServer(ctxFor(t), pg.ServerConfig{})
	needServer(t, err)
	defer s.Close()
	run(t, s.URL(), "CREATE ROLE clerk LOGIN")
	run(t, s.URL(), "CREATE DATABASE registry OWNER clerk")
	asClerk := strings.Replace(strings.Replace(s.URL(), "user=postgres", "user=clerk", 1), "/postgres?", "/registry?", 1)
	err = pg.Migrate(ctxFor(t), asClerk, "registry", migrations.FS)
	if err == nil || !strings.Contains(err.Error(), "CREATE ROLE lensledger_writer NOLOGIN BYPASSRLS") {
		t.Fatalf("error %v", err)
	}
	// The administrator does as told, and then it works, as an owner who isn't a
	// superuser; and the owner itself is subject to the policies.
	run(t, s.URL(), "CREATE ROLE lensledger_reader NOLOGIN; CREATE ROLE lensledger_writer NOLOGIN BYPASSRLS; GRANT lensledger_reader, lensledger_writer TO clerk")
	if err := pg.Migrate(ctxFor(t), asClerk, "registry", operations); err != nil {
		t.Fatal(err)
	}
	pool, err := pg.Connect(ctxFor(t), asClerk, "registry", 2)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	if err := pg.AsWriter(ctxFor(t), pool, func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), "INSERT INTO operation VALUES ('HB-1', 'S-014', 'HARBOUR')")
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if n := one[int](t, asClerk, "SELECT count(*)::int FROM registry.operation"); n != 0 {
		t.Errorf("the owner sees %d rows past the policies", n)
	}
	// A role that row security doesn't hold for is refused.
	run(t, s.URL(), "ALTER ROLE lensledger_reader BYPASSRLS")
	if err := pg.Migrate(ctxFor(t), s.URL(), "other", operations); err == nil || !strings.Contains(err.Error(), "NOBYPASSRLS") {
		t.Errorf("reader that bypasses row security: %v", err)
	}
}
