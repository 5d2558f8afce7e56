package projector

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/projections/pg"
)

// Watcher knows how far the read models have come, wherever the projector runs:
// it listens to what each transaction announces.
type Watcher struct {
	pool *pgxpool.Pool
	base string

	mu       sync.Mutex
	position uint64
	moved    chan struct{} // closed when the position moves
}

// NewWatcher makes a watcher; Run keeps it up to date.
func NewWatcher(pool *pgxpool.Pool, base string) *Watcher {
	return &Watcher{pool: pool, base: base, moved: make(chan struct{})}
}

// Run listens until ctx ends. When the connection is lost it is made anew, and
// the position read again.
func (w *Watcher) Run(ctx context.Context) error {
	for {
		err := w.listen(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if !pg.Unavailable(err) && !missing(err) {
			return fmt.Errorf("watch the position: %w", err)
		}
		select {
		case <-time.After(200 * time.Millisecond):
		case <-ctx.Done():
			return nil
		}
	}
}

// missing says that there are no read models: a projector that was just started
// is about to make the first ones.
func missing(err error) bool {
	var pgErr *pgconn.PgError
	return errors.As(err, &pgErr) && pgErr.Code == "42P01"
}

func (w *Watcher) listen(ctx context.Context) error {
	conn, err := w.pool.Acquire(ctx)
	if err != nil {
		return err
	}
	// The connection carries a LISTEN: it isn't for anybody else afterwards.
	raw := conn.Hijack()
	defer raw.Close(context.WithoutCancel(ctx))
	if _, err := raw.Exec(ctx, "LISTEN "+quote(NotifyPrefix+pg.ModelSchema(w.base))); err != nil {
		return err
	}
	var position int64
	if err := raw.QueryRow(ctx, "SELECT position FROM checkpoint").Scan(&position); err != nil {
		return err
	}
	w.set(uint64(position))
	for {
		n, err := raw.WaitForNotification(ctx)
		if err != nil {
			return err
		}
		if p, err := strconv.ParseUint(n.Payload, 10, 64); err == nil {
			w.set(p)
		}
	}
}

func (w *Watcher) set(position uint64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if position > w.position {
		w.position = position
		close(w.moved)
		w.moved = make(chan struct{})
	}
}

// Wait returns once the read models have come to a position.
func (w *Watcher) Wait(ctx context.Context, position uint64) error {
	for {
		w.mu.Lock()
		at, moved := w.position, w.moved
		w.mu.Unlock()
		if at >= position {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return fmt.Errorf("wait for position %d, at %d: %w", position, at, ctx.Err())
		}
	}
}

// Projected waits until the rows of some positions are committed and gives what
// became of each. When ctx ends before, it gives those it knows, and an error.
func (w *Watcher) Projected(ctx context.Context, sequences []uint64) (map[uint64]string, error) {
	var last uint64
	asked := make([]int64, len(sequences))
	for i, s := range sequences {
		last, asked[i] = max(last, s), int64(s)
	}
	waited := w.Wait(ctx, last)
	read, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	out := make(map[uint64]string, len(sequences))
	rows, err := w.pool.Query(read, "SELECT sequence, disposition FROM arrival WHERE sequence = ANY ($1)", asked)
	if err != nil {
		return nil, fmt.Errorf("read dispositions: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var sequence int64
		var disposition string
		if err := rows.Scan(&sequence, &disposition); err != nil {
			return nil, fmt.Errorf("read dispositions: %w", err)
		}
		out[uint64(sequence)] = disposition
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read dispositions: %w", err)
	}
	return out, waited
}
