package pg

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// The two roles that the program takes on inside a transaction. Neither can log
// in, so nobody is one of them by accident.
const (
	// RoleReader is what the API becomes: row level security applies to it.
	RoleReader = "lensledger_reader"
	// RoleWriter is what the projector becomes: it sees every row.
	RoleWriter = "lensledger_writer"
)

// Actor is on whose behalf rows are read, in words that the policies on the
// tables compare with the rows' own. The zero Actor may read nothing.
type Actor struct {
	Role        string   // the persona, for example "trainer"; required
	Surgeons    []string // codes of the surgeons whose rows concern the actor
	Departments []string // codes of the departments that the actor works for
	Source      string   // code of the publisher that the actor speaks for
}

// code is what may stand in a list of codes: none of these characters can end an
// entry or the list.
var code = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

// check refuses an actor whose lists the policies would read differently from
// what was meant.
func (a Actor) check() error {
	if !code.MatchString(a.Role) {
		return fmt.Errorf("actor: role %q isn't a word", a.Role)
	}
	if a.Source != "" && !code.MatchString(a.Source) {
		return fmt.Errorf("actor: source %q isn't a code", a.Source)
	}
	for _, list := range [][]string{a.Surgeons, a.Departments} {
		for _, c := range list {
			if !code.MatchString(c) {
				return fmt.Errorf("actor: %q isn't a code", c)
			}
		}
	}
	return nil
}

// beginActor and setActor begin a read. Their order matters.
//
// The lock comes before the first statement that needs a snapshot. LOCK TABLE
// takes none, so the snapshot is younger than the lock, and shows the read models
// that the names mean then. With an advisory lock, which is taken by a SELECT, a
// read could wait through a swap and then see the new tables as they were before
// they were filled.
//
// The lock's table is named with its schema, and the search path is set after it:
// Postgres keeps a search path that it worked out while a swap was being
// committed, and would look for the tables in the schema that was dropped.
const (
	beginActor = `BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY;
SET LOCAL ROLE ` + RoleReader + `;
SET LOCAL statement_timeout = '30s';
SET LOCAL lock_timeout = '10s';
LOCK TABLE %[1]s.` + swapTable + ` IN ACCESS SHARE MODE;
SET LOCAL search_path = %[1]s_model, %[1]s`
	setActor = `SELECT set_config('app.role', $1, true), set_config('app.surgeons', $2, true),
set_config('app.departments', $3, true), set_config('app.source', $4, true)`
	beginWriter = `BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE;
SET LOCAL ROLE ` + RoleWriter
)

// swapTable has no rows. Readers hold it shared and the swap of a rebuild holds
// it alone, so that no read sees both the old and the new read models.
const swapTable = "read_model_swap"

// AsActor runs fn in a read-only transaction that sees the rows of one moment,
// and of those only what the policies let the actor see. It is the only way the
// API reads. Role and actor end with the transaction, however it ends, so the
// next user of the connection starts with neither. pool comes from Connect.
func AsActor(ctx context.Context, pool *pgxpool.Pool, actor Actor, fn func(pgx.Tx) error) error {
	if err := actor.check(); err != nil {
		return err
	}
	base, err := baseOf(pool)
	if err != nil {
		return err
	}
	return within(ctx, pool, fmt.Sprintf(beginActor, base), func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, setActor, actor.Role, strings.Join(actor.Surgeons, ","), strings.Join(actor.Departments, ","), actor.Source)
		if err != nil {
			return fmt.Errorf("set actor: %w", err)
		}
		return fn(tx)
	})
}

// AsWriter runs fn in a transaction that may write every row; for the projector.
func AsWriter(ctx context.Context, pool *pgxpool.Pool, fn func(pgx.Tx) error) error {
	return within(ctx, pool, beginWriter, fn)
}

// LockSwap holds off every reader of a registry until tx ends, and waits for
// those that are reading. It comes right before the swap of the read models.
func LockSwap(ctx context.Context, tx pgx.Tx, base string) error {
	if err := checkBase(base); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, "LOCK TABLE "+base+"."+swapTable+" IN ACCESS EXCLUSIVE MODE"); err != nil {
		return fmt.Errorf("lock the read models of %s: %w", base, err)
	}
	return nil
}

// within runs fn in a transaction and ends it: committed if fn succeeds, rolled
// back if it fails or panics.
func within(ctx context.Context, pool *pgxpool.Pool, begin string, fn func(pgx.Tx) error) (err error) {
	tx, err := pool.BeginTx(ctx, pgx.TxOptions{BeginQuery: begin})
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	// Rolling back must not depend on the caller's context: it is the reason for
	// most rollbacks. A connection that can't even do that is closed by the pool.
	// After a commit this does nothing.
	defer func() {
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		if rollback := tx.Rollback(end); rollback != nil && !errors.Is(rollback, pgx.ErrTxClosed) && err == nil {
			err = fmt.Errorf("roll back: %w", rollback)
		}
	}()
	if err := fn(tx); err != nil {
		return err
	}
	if err := tx.Commit(ctx); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}
