package pg_test

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/pg"
	"lensledger/projections/pg/migrations"
)

// An owner who isn't a superuser dumps every row, past the policies that hold for it,
// and restores them with their policies; a dump that breaks off changes nothing.
func TestDumpByAnOwnerWithoutRights(t *testing.T) {
	s, err := pg.StartServer(ctxFor(t), pg.ServerConfig{})
	needServer(t, err)
	defer s.Close()
	run(t, s.URL(), "CREATE ROLE clerk LOGIN")
	run(t, s.URL(), "CREATE DATABASE registry OWNER clerk")
	run(t, s.URL(), "CREATE ROLE lensledger_reader NOLOGIN; CREATE ROLE lensledger_writer NOLOGIN BYPASSRLS; GRANT lensledger_reader, lensledger_writer TO clerk")
	clerk := strings.Replace(strings.Replace(s.URL(), "user=postgres", "user=clerk", 1), "/postgres?", "/registry?", 1)
	if err := pg.Migrate(ctxFor(t), clerk, "registry", migrations.FS); err != nil {
		t.Fatal(err)
	}
	pool, err := pg.Connect(ctxFor(t), clerk, "registry", 2)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	if err := pg.AsWriter(ctxFor(t), pool, func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `INSERT INTO quarantine (sequence, recorded_at, subject, source, department, reason, problems, body)
			SELECT n, now(), 's', 'ehr', 'HARBOUR', 'time', '[]', 'x' FROM generate_series(1, 3) n`)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	var dump bytes.Buffer
	looked := 0
	d, err := pg.Dump(ctxFor(t), clerk, "registry", &dump, func(tx pgx.Tx) error {
		looked++
		return nil
	})
	if err != nil || looked != 1 || d.Server == "" || !strings.Contains(d.Program, "pg_dump") {
		t.Fatal(d, looked, err)
	}
	if err := pg.RestoreDump(ctxFor(t), clerk, "registry", bytes.NewReader(dump.Bytes()), false); !errors.Is(err, pg.ErrArchiveExists) {
		t.Errorf("restored over an archive: %v", err)
	}
	run(t, clerk, "CREATE SCHEMA registry_model; CREATE TABLE registry_model.operation ()")
	half := bytes.NewReader(dump.Bytes()[:dump.Len()/2])
	if err := pg.RestoreDump(ctxFor(t), clerk, "registry", half, true); err == nil {
		t.Error("half a dump was restored")
	}
	count := "SELECT count(*)::int FROM registry.quarantine"
	if n := one[int](t, strings.Replace(clerk, "user=clerk", "user=postgres", 1), count); n != 3 {
		t.Errorf("half a dump left %d rows of 3", n)
	}
	if err := pg.RestoreDump(ctxFor(t), clerk, "registry", bytes.NewReader(dump.Bytes()), true); err != nil {
		t.Fatal(err)
	}
	if n := one[int](t, strings.Replace(clerk, "user=clerk", "user=postgres", 1), count); n != 3 {
		t.Errorf("%d rows of 3 were restored", n)
	}
	if n := one[int](t, clerk, count); n != 0 {
		t.Errorf("the owner sees %d restored rows past the policies", n)
	}
	if left := one[string](t, clerk, "SELECT coalesce(string_agg(nspname, ' ' ORDER BY nspname), '') FROM pg_namespace WHERE nspname LIKE 'registry%'"); left != "registry" {
		t.Errorf("schemas left: %s", left)
	}
	if err := pg.Migrate(ctxFor(t), clerk, "registry", migrations.FS); err != nil {
		t.Errorf("a restored archive can't be migrated: %v", err)
	}
}
