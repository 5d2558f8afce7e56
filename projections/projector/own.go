package projector

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// errRebuiltElsewhere says that the copy which this projector was filling has gone:
// another one makes a copy of its own under the same name, or has made it.
var errRebuiltElsewhere = errors.New("another process rebuilds the read models")

// own remembers a copy of the read models that was just made, by its checkpoint's
// number in the catalogue: the name alone would be that of another's copy too.
func (p *Projector) own(ctx context.Context, tx pgx.Tx, schema string) error {
	var number uint32
	if err := tx.QueryRow(ctx, checkpointNumberSQL, quote(schema)+".checkpoint").Scan(&number); err != nil {
		return fmt.Errorf("make %s: %w", schema, err)
	}
	p.made.Store(schema, number)
	return nil
}

const checkpointNumberSQL = "SELECT coalesce(to_regclass($1)::oid, 0::oid)"

// checkOwn makes sure that a copy is the one this projector made, and keeps it in
// place until tx ends: nobody drops what is locked. One that was asleep while
// another rebuilt neither fills the other's copy nor swaps it in.
func (p *Projector) checkOwn(ctx context.Context, tx pgx.Tx, schema string) error {
	number, ok := p.made.Load(schema)
	if !ok {
		return nil
	}
	_, err := tx.Exec(ctx, "LOCK TABLE "+quote(schema)+".checkpoint IN ACCESS SHARE MODE")
	var pgErr *pgconn.PgError
	if missing(err) || errors.As(err, &pgErr) && pgErr.Code == "3F000" { // its table or its schema has gone
		return fmt.Errorf("fill %s: %w", schema, errRebuiltElsewhere)
	}
	if err != nil {
		return fmt.Errorf("fill %s: %w", schema, err)
	}
	var now uint32
	if err := tx.QueryRow(ctx, checkpointNumberSQL, quote(schema)+".checkpoint").Scan(&now); err != nil {
		return fmt.Errorf("fill %s: %w", schema, err)
	}
	if now != number.(uint32) {
		return fmt.Errorf("fill %s: %w", schema, errRebuiltElsewhere)
	}
	return nil
}
