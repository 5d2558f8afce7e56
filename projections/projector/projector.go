package projector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"

	"lensledger/events/stream"
	"lensledger/projections/pg"
)

// ErrFenced means that another projector has taken over: this one must stop.
var ErrFenced = errors.New("another projector has taken over")

// Config is what a projector needs.
type Config struct {
	Pool       *pgxpool.Pool
	Base       string // schema of the archive; the read models are in <Base>_model
	Stream     *stream.Stream
	Registerer prometheus.Registerer
	Log        *slog.Logger
	BatchMax   int                  // messages in one transaction; 0 means 500
	OnAlarm    func(codes []string) // called after the commit that first knows them
	Lease      time.Duration        // how long a leader may be silent before another takes over; 0 means 10 s
}

// Projector follows the stream from the position in Postgres and keeps the
// archive and the read models up to it. One writes at a time: others that run
// stand by.
type Projector struct {
	pool    *pgxpool.Pool
	writer  *pgxpool.Pool // the same, but one connection of its own while it leads
	base    string
	stream  *stream.Stream
	log     *slog.Logger
	max     int
	onAlarm func([]string)
	cache   *cache
	metrics *metrics
	fence   int64
	epoch   string

	lease    time.Duration
	leading  atomic.Bool
	attempts attempts
	handling func([]stream.Message) // tests: called right before a batch is applied
	progress progress
	made     sync.Map // by schema: the oid of its checkpoint, of copies that this projector made

	archiveOnly bool // while a long backlog goes through the bulk path
}

// New makes a projector. It doesn't touch any server yet.
func New(cfg Config) *Projector {
	if cfg.BatchMax == 0 {
		cfg.BatchMax = 500
	}
	if cfg.Lease == 0 {
		cfg.Lease = defaultLease
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	return &Projector{pool: cfg.Pool, writer: cfg.Pool, base: cfg.Base, stream: cfg.Stream, log: cfg.Log, max: cfg.BatchMax,
		onAlarm: cfg.OnAlarm, cache: newCache(), metrics: newMetrics(cfg.Registerer), lease: cfg.Lease}
}

// RunToEnd projects what the stream holds when it is called, and returns.
func (p *Projector) RunToEnd(ctx context.Context) error {
	position, err := p.start(ctx)
	if err != nil {
		return err
	}
	_, err = p.stream.Replay(ctx, position+1, stream.BatchConfig{Max: p.max}, p.handle)
	return err
}

// start makes sure of the read models, takes over the position and takes a long
// backlog through the bulk path.
func (p *Projector) start(ctx context.Context) (uint64, error) {
	if err := p.Prepare(ctx); err != nil {
		return 0, err
	}
	if err := p.ReleaseUnderstood(ctx); err != nil {
		return 0, err
	}
	position, err := p.takeOver(ctx)
	if err != nil {
		return 0, err
	}
	if err := p.checkHistory(ctx); err != nil {
		return 0, err
	}
	return p.catchUp(ctx, position)
}

// takeOver raises the fence and returns the position to go on from.
func (p *Projector) takeOver(ctx context.Context) (uint64, error) {
	if err := p.stream.Verify(ctx); err != nil {
		return 0, err
	}
	var position int64
	if _, err := p.pool.Exec(ctx, endSilentHoldersSQL, (p.lease / 2).Seconds()); err != nil {
		return 0, fmt.Errorf("take over the position: %w", err)
	}
	err := pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) error {
		var epoch string
		var fence int64
		var high time.Time
		// Whoever keeps the position locked may fall silent meanwhile: look again soon.
		if _, err := tx.Exec(ctx, fmt.Sprintf("SET LOCAL lock_timeout = %d", (p.lease/2).Milliseconds())); err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, takePositionSQL).Scan(&position, &fence, &epoch, &high); err != nil {
			return err
		}
		p.epoch = p.stream.Epoch()
		if position > 0 && epoch != p.epoch {
			return &stream.EpochError{Got: p.epoch, Want: epoch}
		}
		if err := p.readAttempts(ctx, tx, uint64(position)); err != nil {
			return err
		}
		return tx.QueryRow(ctx, raiseFenceSQL, p.epoch).Scan(&p.fence)
	})
	if err != nil {
		return 0, fmt.Errorf("take over the position: %w", err)
	}
	p.cache.forget()
	p.metrics.position.Set(float64(position))
	return uint64(position), nil
}

// bulkBacklog is how many messages make the bulk path quicker than the live one:
// archive them, then rebuild the read models as a whole.
const bulkBacklog = 20_000

// catchUp takes a long backlog through the bulk path and returns the position.
func (p *Projector) catchUp(ctx context.Context, position uint64) (uint64, error) {
	info, err := p.stream.Info(ctx)
	if err != nil {
		return 0, fmt.Errorf("look for a backlog: %w", err)
	}
	if info.Last < position+bulkBacklog || p.attempts.aloneUpTo > position {
		return position, nil
	}
	p.log.Info("a long backlog goes through the bulk path", "events", info.Last-position)
	p.archiveOnly = true
	position, err = p.stream.Replay(ctx, position+1, stream.BatchConfig{Max: 4 * p.max}, p.handle)
	p.archiveOnly = false
	if err != nil {
		return 0, fmt.Errorf("archive the backlog: %w", err)
	}
	return position, p.Rebuild(ctx)
}

// handle applies a batch. An event that breaks its transaction is found by
// halving the batch and set aside alone.
func (p *Projector) handle(ctx context.Context, batch []stream.Message) error {
	return p.attempt(ctx, batch)
}

// patiently does something until Postgres and NATS are there for it, for ever: a
// broken dependency is waited for.
func (p *Projector) patiently(ctx context.Context, do func() error) error {
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		err := do()
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case !pg.Unavailable(err) && !stream.Away(err):
			return err
		}
		p.log.Warn("projector waits for Postgres or NATS", "error", err, "wait", wait)
		p.metrics.waits.Inc()
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// applyPatiently applies a batch once, however often Postgres goes away meanwhile.
// A try that failed may have been committed all the same, or a half of it: what
// the position then says is done isn't done again. The fence vouches for it that
// nobody else moved the position.
func (p *Projector) applyPatiently(ctx context.Context, batch []stream.Message, poison map[uint64]error) error {
	tried := false
	return p.patiently(ctx, func() error {
		err := p.applyHalving(ctx, batch, poison)
		var gap *stream.GapError
		if tried && errors.As(err, &gap) && gap.Expected > gap.Got {
			for len(batch) > 0 && batch[0].Sequence < gap.Expected {
				batch = batch[1:]
			}
			if len(batch) == 0 {
				return nil
			}
			err = p.applyHalving(ctx, batch, poison)
		}
		tried = true
		return err
	})
}

func (p *Projector) applyHalving(ctx context.Context, batch []stream.Message, poison map[uint64]error) error {
	if n := leading(batch); n < len(batch) {
		if err := p.applyHalving(ctx, batch[:n], poison); err != nil {
			return err
		}
		return p.applyHalving(ctx, batch[n:], poison)
	}
	if stream.IsErasure(batch[0]) {
		return p.applyErasures(ctx, batch)
	}
	batch, err := p.redoErasures(ctx, batch)
	if err != nil {
		return err
	}
	err = p.applySafely(ctx, batch, poison)
	if err == nil || poison != nil || !isPoison(err) || ctx.Err() != nil {
		return err
	}
	if len(batch) == 1 {
		sequence := batch[0].Sequence
		p.log.Error("an event breaks its transaction; it goes to quarantine", "sequence", sequence, "error", err)
		return p.applySafely(ctx, batch, map[uint64]error{sequence: err})
	}
	half := len(batch) / 2
	if err := p.applyHalving(ctx, batch[:half], nil); err != nil {
		return err
	}
	return p.applyHalving(ctx, batch[half:], nil)
}

// applySafely turns a panic into an error that names it: the event is at fault
// until shown otherwise, and the others go on.
func (p *Projector) applySafely(ctx context.Context, batch []stream.Message, poison map[uint64]error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			p.cache.forget()
			err = fmt.Errorf("apply from seq=%d: %w: %v", batch[0].Sequence, errPanic, r)
		}
	}()
	if p.handling != nil && poison == nil {
		p.handling(batch)
	}
	return p.apply(ctx, batch, poison)
}

var errPanic = errors.New("panic")

// isPoison says whether an error is the data's fault: a value or a constraint that
// Postgres refuses, or a fold that panics. Anything else, a missing table as much
// as a lost fence, is a reason to stop, and no event is set aside for it.
func isPoison(err error) bool {
	var pgErr *pgconn.PgError
	if errors.As(err, &pgErr) {
		switch pgErr.Code[:2] {
		case "22", "23", "54": // data, constraint, program limit
			return true
		}
		return false
	}
	return errors.Is(err, errPanic)
}

// Position is how far the read models have come.
func Position(ctx context.Context, tx pgx.Tx) (uint64, error) {
	var p int64
	if err := tx.QueryRow(ctx, "SELECT position FROM checkpoint").Scan(&p); err != nil {
		return 0, fmt.Errorf("read checkpoint: %w", err)
	}
	return uint64(p), nil
}

func (p *Projector) announce(alarms []string) {
	if len(alarms) == 0 {
		return
	}
	p.metrics.alarms.Add(float64(len(alarms)))
	p.log.Info("charts crossed their line, for review", "alarms", len(alarms))
	if p.onAlarm != nil {
		p.onAlarm(alarms)
	}
}
