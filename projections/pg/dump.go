package pg

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
)

// ErrNoDump says what a backup needs of this machine.
var ErrNoDump = errors.New("pg_dump and pg_restore of the server's version or a newer one were not found: install PostgreSQL's client programs")

// Dumped says of a dump what made it.
type Dumped struct {
	Server  string // version of the PostgreSQL server
	Program string // of pg_dump
}

// Dump writes the archive of base to w, in pg_dump's custom format: the schema with
// everything in it but who is signed in, and not the read models, which a rebuild
// makes. look reads in the very snapshot that is dumped. It takes no lock that holds a projector up.
func Dump(ctx context.Context, address, base string, w io.Writer, look func(pgx.Tx) error) (Dumped, error) {
	d, err := dump(ctx, address, base, w, look)
	if err != nil {
		return d, fmt.Errorf("dump %s: %w", base, err)
	}
	return d, nil
}

func dump(ctx context.Context, address, base string, w io.Writer, look func(pgx.Tx) error) (Dumped, error) {
	var d Dumped
	conn, err := connectTo(ctx, address, base)
	if err != nil {
		return d, err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	tools, err := dumpTools(ctx, conn, &d)
	if err != nil {
		return d, err
	}
	tx, err := conn.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return d, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }() // it only read
	// pg_dump takes the snapshot over in its own time.
	if _, err := tx.Exec(ctx, "SET LOCAL idle_in_transaction_session_timeout = 0"); err != nil {
		return d, err
	}
	var snapshot string
	if err := tx.QueryRow(ctx, "SELECT pg_export_snapshot()").Scan(&snapshot); err != nil {
		return d, err
	}
	// A restore must not bring back sessions that have ended since.
	args := []string{"--format=custom", "--no-password", "--schema=" + base, "--snapshot=" + snapshot, "--exclude-table-data=" + base + ".session"}
	var all bool
	if err := tx.QueryRow(ctx, "SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user").Scan(&all); err != nil {
		return d, err
	}
	if !all {
		// Row level security holds for the owner too; the writer sees every row.
		args = append(args, "--role="+RoleWriter)
	}
	if err := look(tx); err != nil {
		return d, err
	}
	return d, runTool(ctx, filepath.Join(tools, "pg_dump"), address, nil, w, args...)
}

// ErrArchiveExists means that an archive stands where one is to be restored.
var ErrArchiveExists = errors.New("the archive exists: nothing was changed")

// RestoreDump makes the archive of base anew from a dump, as a whole or not at all.
// It fails with ErrArchiveExists where there is one, unless overwrite is set. What is
// replaced stays under another name until the dump is loaded, its read models with
// it. Nothing else may use the archive meanwhile.
func RestoreDump(ctx context.Context, address, base string, r io.Reader, overwrite bool) error {
	if err := restoreDump(ctx, address, base, r, overwrite); err != nil {
		return fmt.Errorf("restore the archive %s: %w", base, err)
	}
	return nil
}

// replaced is the name of an archive that is being replaced.
func replaced(base string) string { return base + "_replaced" }

func restoreDump(ctx context.Context, address, base string, r io.Reader, overwrite bool) error {
	conn, err := connectTo(ctx, address, base)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	tools, err := dumpTools(ctx, conn, &Dumped{})
	if err != nil {
		return err
	}
	// The dump grants to the roles and doesn't make them.
	if err := ensureRoles(ctx, conn); err != nil {
		return fmt.Errorf("roles: %w", err)
	}
	exists, err := schemaExists(ctx, conn, base)
	if err != nil {
		return err
	}
	if exists && !overwrite {
		return ErrArchiveExists
	}
	left, err := schemaExists(ctx, conn, replaced(base))
	if err != nil {
		return err
	}
	if left {
		return fmt.Errorf("schema %s is left of a restore that was broken off: rename it back to %s, or drop it, and restore again", replaced(base), base)
	}
	if exists {
		if _, err := conn.Exec(ctx, "ALTER SCHEMA "+base+" RENAME TO "+replaced(base)); err != nil {
			return err
		}
	}
	err = runTool(ctx, filepath.Join(tools, "pg_restore"), address, r, io.Discard,
		"--single-transaction", "--exit-on-error", "--no-owner", "--no-password", "--dbname=")
	if err != nil {
		if exists {
			_, back := conn.Exec(context.WithoutCancel(ctx), "ALTER SCHEMA "+replaced(base)+" RENAME TO "+base)
			err = errors.Join(err, back)
		}
		return err
	}
	return dropReplaced(ctx, conn, base)
}

// dropReplaced removes what a restore replaced: the old archive and every copy of
// its read models.
func dropReplaced(ctx context.Context, conn *pgx.Conn, base string) error {
	rows, err := conn.Query(ctx, "SELECT nspname FROM pg_namespace WHERE starts_with(nspname, $1) OR nspname = $2",
		ModelSchema(base), replaced(base))
	if err != nil {
		return err
	}
	old, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	for _, schema := range old {
		if _, err := conn.Exec(ctx, "DROP SCHEMA "+pgx.Identifier{schema}.Sanitize()+" CASCADE"); err != nil {
			return fmt.Errorf("drop what was replaced: %w", err)
		}
	}
	return nil
}

func schemaExists(ctx context.Context, conn *pgx.Conn, name string) (exists bool, err error) {
	err = conn.QueryRow(ctx, "SELECT EXISTS (SELECT 1 FROM pg_namespace WHERE nspname = $1)", name).Scan(&exists)
	return exists, err
}

func connectTo(ctx context.Context, address, base string) (*pgx.Conn, error) {
	if err := checkBase(base); err != nil {
		return nil, err
	}
	cfg, err := pgx.ParseConfig(address)
	if err != nil {
		return nil, fmt.Errorf("read the database address: %w", err)
	}
	applySettings(cfg, base)
	conn, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("connect to Postgres: %w", err)
	}
	return conn, nil
}

// dumpTools gives the folder of pg_dump and pg_restore: of the server's own version
// where it is there, else the oldest newer one, since pg_dump refuses a newer server.
func dumpTools(ctx context.Context, conn *pgx.Conn, d *Dumped) (string, error) {
	var number string
	if err := conn.QueryRow(ctx, "SELECT current_setting('server_version_num'), current_setting('server_version')").Scan(&number, &d.Server); err != nil {
		return "", err
	}
	server, err := strconv.Atoi(number)
	if err != nil {
		return "", fmt.Errorf("version of the server: %w", err)
	}
	server /= 10_000
	found, err := installations(ctx, os.Getenv("PATH"), places, "pg_dump", "pg_restore")
	if err != nil {
		return "", err
	}
	best, oldestNewer := "", 0
	for _, f := range found {
		if f.major >= server && (best == "" || f.major < oldestNewer) {
			best, oldestNewer, d.Program = f.dir, f.major, f.says
		}
	}
	if best == "" {
		return "", fmt.Errorf("%w (the server is %s)", ErrNoDump, d.Server)
	}
	return best, nil
}

// runTool runs pg_dump or pg_restore against an address. An argument --dbname= gets
// the address; without one it comes last.
func runTool(ctx context.Context, program, address string, in io.Reader, out io.Writer, args ...string) error {
	target, password, err := libpqAddress(address)
	if err != nil {
		return err
	}
	if n := len(args) - 1; args[n] == "--dbname=" {
		args[n] += target
	} else {
		args = append(args, "--dbname="+target)
	}
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	if password != "" {
		cmd.Env = append(cmd.Env, "PGPASSWORD="+password)
	}
	cmd.SysProcAttr = childAttributes()
	cmd.Stdin, cmd.Stdout = in, out
	var said bytes.Buffer
	cmd.Stderr = &said
	// The kernel ends the child with the thread that started it.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := cmd.Run(); err != nil {
		if ctx.Err() != nil {
			err = ctx.Err()
		}
		return fmt.Errorf("%s: %w: %s", filepath.Base(program), err, strings.TrimSpace(said.String()))
	}
	return nil
}

// libpqAddress takes out of an address what PostgreSQL's own programs don't know,
// and the password, which other users of the machine could read in the list of
// processes.
func libpqAddress(address string) (target, password string, err error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "postgres" && u.Scheme != "postgresql" {
		return "", "", errors.New("the database address must be of the form postgres://user@host/database")
	}
	if u.User != nil {
		password, _ = u.User.Password()
		u.User = url.User(u.User.Username())
	}
	query := u.Query()
	if p := query.Get("password"); p != "" {
		password = p
		query.Del("password")
	}
	for name := range query {
		if strings.HasPrefix(name, "pool_") || strings.HasPrefix(name, "default_query_exec") || name == "search_path" {
			query.Del(name)
		}
	}
	u.RawQuery = query.Encode()
	return u.String(), password, nil
}
