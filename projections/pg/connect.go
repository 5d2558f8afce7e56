package pg

import (
	"context"
	"fmt"
	"regexp"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// baseName is what the schema of an archive may be called. It is written into SQL
// where no parameter can stand.
var baseName = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)

func checkBase(base string) error {
	if !baseName.MatchString(base) {
		return fmt.Errorf("schema %q: a name is a lower-case letter and up to 39 of [a-z0-9_]", base)
	}
	return nil
}

// ModelSchema is the schema of the live read models that belong to an archive.
func ModelSchema(base string) string { return base + "_model" }

// sessionSettings hold for every connection.
var sessionSettings = map[string]string{
	"application_name": "lensledger",
	"timezone":         "UTC",
	// A transaction that a program forgot must not hold up the swap of the read
	// models, nor keep dead rows alive.
	"idle_in_transaction_session_timeout": "30s",
	"lock_timeout":                        "30s",
	// Queries here are short; compiling one costs more than it saves.
	"jit": "off",
}

// Connect opens a pool of at most max connections, and makes sure that the server
// answers. The connections look first in the live read models and then in the
// archive of base.
func Connect(ctx context.Context, url, base string, max int) (*pgxpool.Pool, error) {
	if err := checkBase(base); err != nil {
		return nil, err
	}
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("read the database address: %w", err)
	}
	if max > 0 {
		cfg.MaxConns = int32(max)
	}
	applySettings(cfg.ConnConfig, ModelSchema(base)+", "+base)
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("connect to Postgres: %w", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("connect to Postgres: %w", err)
	}
	return pool, nil
}

// baseOf is the archive that a pool of Connect looks in.
func baseOf(pool *pgxpool.Pool) (string, error) {
	_, base, _ := strings.Cut(pool.Config().ConnConfig.RuntimeParams["search_path"], ", ")
	if err := checkBase(base); err != nil {
		return "", fmt.Errorf("the pool isn't from Connect: %w", err)
	}
	return base, nil
}

func applySettings(cfg *pgx.ConnConfig, searchPath string) {
	for name, value := range sessionSettings {
		cfg.RuntimeParams[name] = value
	}
	cfg.RuntimeParams["search_path"] = searchPath
	cfg.ConnectTimeout = 10 * time.Second
}
