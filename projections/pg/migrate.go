package pg

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

// Migrate brings the archive of base up to this program's version: it makes the
// roles and the schema if absent, and applies those of the migrations in files
// that weren't applied yet. Several programs may do so at once. files holds
// goose's NNNN_name.sql at its top; their SQL names no schema, for it runs with
// base alone as search path. The read models have no migrations: a rebuild makes
// them anew.
func Migrate(ctx context.Context, url, base string, files fs.FS) error {
	if err := migrate(ctx, url, base, files); err != nil {
		return fmt.Errorf("migrate %s: %w", base, err)
	}
	return nil
}

func migrate(ctx context.Context, url, base string, files fs.FS) error {
	if err := checkBase(base); err != nil {
		return err
	}
	cfg, err := pgx.ParseConfig(url)
	if err != nil {
		return fmt.Errorf("read the database address: %w", err)
	}
	// Not as Connect has it: new tables would land among the read models, which
	// come first there.
	applySettings(cfg, base)
	if err := prepare(ctx, cfg, base); err != nil {
		return err
	}
	db := stdlib.OpenDB(*cfg)
	defer db.Close()
	// The wait is in seconds: one between two tries, five minutes in all.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockID(lockID("migrate "+base)), lock.WithLockTimeout(1, 300))
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, db, files,
		goose.WithSessionLocker(locker), goose.WithDisableGlobalRegistry(true), goose.WithLogger(goose.NopLogger()))
	if err != nil {
		return err
	}
	_, err = provider.Up(ctx)
	var partial *goose.PartialError
	if errors.As(err, &partial) && partial.Failed != nil && partial.Failed.Source != nil {
		return fmt.Errorf("%s: %w", partial.Failed.Source.Path, err)
	}
	return err
}

// prepare makes the roles and the schema.
func prepare(ctx context.Context, cfg *pgx.ConnConfig, base string) error {
	conn, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return fmt.Errorf("connect to Postgres: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if err := ensureRoles(ctx, conn); err != nil {
		return fmt.Errorf("roles: %w", err)
	}
	if err := ensureSchema(ctx, conn, base); err != nil {
		return fmt.Errorf("schema: %w", err)
	}
	return nil
}

// lockID makes an advisory lock of a name. Names with one number would only wait
// for each other.
func lockID(name string) int64 {
	h := fnv.New64a()
	h.Write([]byte("lensledger " + name))
	return int64(h.Sum64())
}

// ensureSchema makes the archive's schema and the table that the swap of the read
// models is locked by.
func ensureSchema(ctx context.Context, conn *pgx.Conn, base string) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		// IF NOT EXISTS alone fails when two do it at the same moment.
		if _, err := tx.Exec(ctx, "SELECT pg_advisory_xact_lock($1)", lockID("schema "+base)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, fmt.Sprintf(`CREATE SCHEMA IF NOT EXISTS %[1]s;
GRANT USAGE ON SCHEMA %[1]s TO %[3]s, %[4]s;
CREATE TABLE IF NOT EXISTS %[1]s.%[2]s ();
GRANT SELECT ON %[1]s.%[2]s TO %[3]s;
GRANT SELECT, UPDATE ON %[1]s.%[2]s TO %[4]s`, base, swapTable, RoleReader, RoleWriter))
		return err
	})
}

// createRoles makes the roles and lets the current user become them. Roles belong
// to the whole cluster, beyond the reach of any lock of this database, so another
// database's migration may be making them at the same moment.
const createRoles = `
DO $$ BEGIN
	CREATE ROLE ` + RoleReader + ` NOLOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE;
EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL;
END $$;
DO $$ BEGIN
	CREATE ROLE ` + RoleWriter + ` NOLOGIN NOSUPERUSER BYPASSRLS NOCREATEDB NOCREATEROLE;
EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL;
END $$;`

const grantRoles = `GRANT ` + RoleReader + `, ` + RoleWriter + ` TO CURRENT_USER`

// roleState says of both roles what row level security rests on.
const roleState = `SELECT
	COALESCE(bool_or(rolname = '` + RoleReader + `' AND NOT (rolsuper OR rolbypassrls OR rolcanlogin)), false),
	COALESCE(bool_or(rolname = '` + RoleWriter + `' AND rolbypassrls AND NOT rolsuper AND NOT rolcanlogin), false),
	count(*),
	COALESCE(bool_and(pg_has_role(current_user, oid, 'MEMBER')), false)
FROM pg_roles WHERE rolname IN ('` + RoleReader + `', '` + RoleWriter + `')`

func ensureRoles(ctx context.Context, conn *pgx.Conn) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "SELECT pg_advisory_xact_lock($1)", lockID("roles")); err != nil {
			return err
		}
		var reader, writer, member bool
		var count int
		state := func() error {
			return tx.QueryRow(ctx, roleState).Scan(&reader, &writer, &count, &member)
		}
		if err := state(); err != nil {
			return err
		}
		if count < 2 {
			if _, err := tx.Exec(ctx, createRoles); err != nil {
				return forAdministrator(err)
			}
		}
		if count < 2 || !member {
			if _, err := tx.Exec(ctx, grantRoles); err != nil {
				return forAdministrator(err)
			}
		}
		if err := state(); err != nil {
			return err
		}
		switch {
		case !reader:
			return fmt.Errorf("role %s must be NOLOGIN NOSUPERUSER NOBYPASSRLS: row level security wouldn't hold for it", RoleReader)
		case !writer:
			return fmt.Errorf("role %s must be NOLOGIN NOSUPERUSER BYPASSRLS: the projector wouldn't see every row", RoleWriter)
		}
		return nil
	})
}

// forAdministrator adds what an administrator has to run where this user may not.
func forAdministrator(err error) error {
	var pgErr *pgconn.PgError
	if errors.As(err, &pgErr) && pgErr.Code == "42501" {
		return fmt.Errorf("%w; let an administrator run once: CREATE ROLE %s NOLOGIN; CREATE ROLE %s NOLOGIN BYPASSRLS; GRANT %[2]s, %[3]s TO <this user>", err, RoleReader, RoleWriter)
	}
	return err
}
