package projector

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
)

// Schemas of the read models: the live one, the one a rebuild fills, the one that
// verify fills, and the one on its way out.
func (p *Projector) live() string  { return pg.ModelSchema(p.base) }
func (p *Projector) next() string  { return pg.ModelSchema(p.base) + "_next" }
func (p *Projector) check() string { return pg.ModelSchema(p.base) + "_check" }
func (p *Projector) old() string   { return pg.ModelSchema(p.base) + "_old" }

// Prepare makes sure that read models of this program's version exist and stand
// where the archive stands; else it rebuilds them.
func (p *Projector) Prepare(ctx context.Context) error {
	var exists bool
	if err := p.pool.QueryRow(ctx, "SELECT EXISTS (SELECT 1 FROM pg_namespace WHERE nspname = $1)", p.live()).Scan(&exists); err != nil {
		return fmt.Errorf("look for read models: %w", err)
	}
	if exists {
		var version string
		var behind bool
		err := p.pool.QueryRow(ctx, "SELECT c.version, c.position <> s.position FROM checkpoint c, stream_state s").Scan(&version, &behind)
		switch {
		case err == nil && version == ModelVersion && !behind:
			return nil
		case err != nil && pg.Unavailable(err):
			return fmt.Errorf("look at the checkpoint: %w", err)
		}
		p.log.Info("read models are rebuilt", "have", version, "want", ModelVersion, "behind", behind, "error", err)
	}
	return p.Rebuild(ctx)
}

// Rebuild fills new read models from the archive beside the live ones, through
// the same folds and row functions, brings them up to the live position and swaps
// them in. Readers see the old or the new, never a mix. No alarm is announced.
func (p *Projector) Rebuild(ctx context.Context) error {
	return p.untilNoneErased(func() error { return p.rebuild(ctx) })
}

func (p *Projector) rebuild(ctx context.Context) error {
	began := time.Now()
	if err := p.dropSchema(ctx, p.next()); err != nil {
		return err
	}
	position, err := p.fill(ctx, p.next())
	if err != nil {
		return fmt.Errorf("rebuild: %w", err)
	}
	if position, err = p.follow(ctx, p.next(), position); err != nil {
		return fmt.Errorf("rebuild: %w", err)
	}
	err = p.locked(ctx, p.next(), position, func(tx pgx.Tx) error {
		if err := pg.LockSwap(ctx, tx, p.base); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "DROP SCHEMA IF EXISTS "+quote(p.old())+" CASCADE"); err != nil {
			return err
		}
		position, err := Position(ctx, tx)
		if err != nil {
			return err
		}
		if err := renameIfExists(ctx, tx, p.live(), p.old()); err != nil {
			return err
		}
		if err := renameIfExists(ctx, tx, p.next(), p.live()); err != nil {
			return err
		}
		return notify(ctx, tx, p.live(), position)
	})
	if err != nil {
		return fmt.Errorf("rebuild: swap: %w", err)
	}
	if err := p.dropSchema(ctx, p.old()); err != nil {
		return err
	}
	p.cache.forget()
	p.log.Info("read models rebuilt", "position", position, "took", time.Since(began).Round(time.Millisecond))
	return nil
}

// follow brings a copy of the read models closer to the live position without
// holding anything up, until little is left.
func (p *Projector) follow(ctx context.Context, schema string, position uint64) (uint64, error) {
	held := newCache()
	for {
		before := position
		err := p.inSchema(ctx, schema, func(tx pgx.Tx) error {
			var err error
			position, err = advance(ctx, tx, held, position, catchUpBatch)
			return err
		})
		if err != nil || position-before < catchUpBatch {
			return position, err
		}
	}
}

const catchUpBatch = 500

// locked holds the live projector up, brings the copy up to its position, and
// does what needs both to stand still.
func (p *Projector) locked(ctx context.Context, schema string, position uint64, do func(pgx.Tx) error) error {
	return p.inSchema(ctx, schema, func(tx pgx.Tx) error {
		var at, fence int64
		var epoch string
		var high time.Time
		if err := tx.QueryRow(ctx, takePositionSQL).Scan(&at, &fence, &epoch, &high); err != nil {
			return err
		}
		held := newCache()
		for position < uint64(at) {
			var err error
			if position, err = advance(ctx, tx, held, position, catchUpBatch); err != nil {
				return err
			}
		}
		return do(tx)
	})
}

// advance folds up to limit archived positions into the read models on the search
// path and returns the position reached. The cache holds what earlier calls read
// and committed; after a failure it isn't used again.
func advance(ctx context.Context, tx pgx.Tx, held *cache, from uint64, limit int) (uint64, error) {
	var to int64
	if err := tx.QueryRow(ctx, "SELECT least(position, $1) FROM stream_state", int64(from)+int64(limit)).Scan(&to); err != nil {
		return from, err
	}
	if uint64(to) <= from {
		return from, nil
	}
	var erased bool
	if err := tx.QueryRow(ctx, anyErasureSQL, int64(from), to).Scan(&erased); err != nil {
		return from, err
	}
	if erased {
		return from, errErased
	}
	rivals, err := rivalsBetween(ctx, tx, from, uint64(to))
	if err != nil {
		return from, err
	}
	rows, err := tx.Query(ctx, readLogSQL, int64(from), to)
	if err != nil {
		return from, err
	}
	var arrivals []arrival
	var r logRow
	if _, err := pgx.ForEachRow(rows, r.targets(), func() error {
		recorded, err := archive.Decode(uint64(r.sequence), r.hash, r.headers, r.body)
		if err == nil {
			arrivals = append(arrivals, arrival{Message: stream.Message{Sequence: recorded.Sequence}, Event: recorded.Event,
				Hash: recorded.Hash, Disposition: Accepted, Rivals: rivals[recorded.Sequence]})
		}
		r.headers = nil // or the next row's would be read into the same map
		return err
	}); err != nil {
		return from, fmt.Errorf("read the archive after seq=%d: %w", from, err)
	}
	if len(arrivals) > 0 {
		work := held.begin()
		if err := project(ctx, tx, work, arrivals); err != nil {
			return from, err
		}
		held.commit(work)
	}
	_, err = tx.Exec(ctx, setCheckpointSQL, to)
	return uint64(to), err
}

// rivalsBetween lists, for the events after one position up to another, the earlier
// ones with the same identity and other content.
func rivalsBetween(ctx context.Context, tx pgx.Tx, from, to uint64) (map[uint64][]version, error) {
	rows, err := tx.Query(ctx, listRivalsSQL, int64(from), int64(to))
	if err != nil {
		return nil, err
	}
	out := map[uint64][]version{}
	var sequence, with int64
	var subject string
	_, err = pgx.ForEachRow(rows, []any{&sequence, &with, &subject}, func() error {
		out[uint64(sequence)] = append(out[uint64(sequence)], version{sequence: uint64(with), subject: subject})
		return nil
	})
	return out, err
}

// logRow is one archived event as the database gives it.
type logRow struct {
	sequence int64
	hash     []byte
	subject  string
	headers  events.Header
	body     []byte

	conflictAt uint64 // as fold.Recorded has it; not read with the row
}

func (r *logRow) targets() []any {
	return []any{&r.sequence, &r.hash, &r.subject, &r.headers, &r.body}
}

// inSchema runs a transaction as the owner with the given copy of the read models
// on the search path.
func (p *Projector) inSchema(ctx context.Context, schema string, do func(pgx.Tx) error) error {
	return pgx.BeginFunc(ctx, p.pool, func(tx pgx.Tx) error {
		if err := p.checkOwn(ctx, tx, schema); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "SET LOCAL search_path = "+quote(schema)+", "+quote(p.base)); err != nil {
			return err
		}
		return do(tx)
	})
}

func (p *Projector) dropSchema(ctx context.Context, schema string) error {
	if _, err := p.pool.Exec(ctx, "DROP SCHEMA IF EXISTS "+quote(schema)+" CASCADE"); err != nil {
		return fmt.Errorf("drop %s: %w", schema, err)
	}
	return nil
}

func renameIfExists(ctx context.Context, tx pgx.Tx, from, to string) error {
	var one int
	err := tx.QueryRow(ctx, "SELECT 1 FROM pg_namespace WHERE nspname = $1", from).Scan(&one)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, "ALTER SCHEMA "+quote(from)+" RENAME TO "+quote(to))
	return err
}

func quote(name string) string { return pgx.Identifier{name}.Sanitize() }
