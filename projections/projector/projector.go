package projector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
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
}

// Projector follows the stream from the position in Postgres and keeps the
// archive and the read models up to it. One writes at a time: starting another
// fences the first.
type Projector struct {
	pool    *pgxpool.Pool
	base    string
	stream  *stream.Stream
	log     *slog.Logger
	max     int
	onAlarm func([]string)
	cache   *cache
	metrics *metrics
	fence   int64
	epoch   string

	archiveOnly bool // while a long backlog goes through the bulk path
}

// New makes a projector. It doesn't touch any server yet.
func New(cfg Config) *Projector {
	if cfg.BatchMax == 0 {
		cfg.BatchMax = 500
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	return &Projector{pool: cfg.Pool, base: cfg.Base, stream: cfg.Stream, log: cfg.Log, max: cfg.BatchMax,
		onAlarm: cfg.OnAlarm, cache: newCache(), metrics: newMetrics(cfg.Registerer)}
}

// Run takes over the position and follows the stream until ctx ends or it may not
// go on: ErrFenced, or one of package stream's errors about the log.
func (p *Projector) Run(ctx context.Context) error {
	var position uint64
	err := p.patiently(ctx, func() (err error) {
		position, err = p.start(ctx) // from the beginning: each part may be done again
		return err
	})
	if err != nil {
		return err
	}
	p.log.Info("projector follows the stream", "from", position+1)
	watch, stop := context.WithCancel(ctx)
	defer stop()
	go p.watchLag(watch)
	return p.stream.Follow(ctx, position+1, stream.BatchConfig{Max: p.max}, p.handle)
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
	return p.catchUp(ctx, position)
}

// takeOver raises the fence and returns the position to go on from.
func (p *Projector) takeOver(ctx context.Context) (uint64, error) {
	var position int64
	err := pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) error {
		var epoch string
		var fence int64
		var high time.Time
		if err := tx.QueryRow(ctx, takePositionSQL).Scan(&position, &fence, &epoch, &high); err != nil {
			return err
		}
		p.epoch = p.stream.Epoch()
		if position > 0 && epoch != p.epoch {
			return &stream.EpochError{Got: p.epoch, Want: epoch}
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
	if info.Last < position+bulkBacklog {
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
	return p.patiently(ctx, func() error { return p.applyHalving(ctx, batch) })
}

// patiently does something until Postgres is there for it, for ever: a broken
// dependency is waited for.
func (p *Projector) patiently(ctx context.Context, do func() error) error {
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		err := do()
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case !pg.Unavailable(err):
			return err
		}
		p.log.Warn("projector waits for Postgres", "error", err, "wait", wait)
		p.metrics.waits.Inc()
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (p *Projector) applyHalving(ctx context.Context, batch []stream.Message) error {
	err := p.applySafely(ctx, batch, nil)
	if err == nil || !isPoison(err) || ctx.Err() != nil {
		return err
	}
	if len(batch) == 1 {
		sequence := batch[0].Sequence
		p.log.Error("an event breaks its transaction; it goes to quarantine", "sequence", sequence, "error", err)
		return p.applySafely(ctx, batch, map[uint64]error{sequence: err})
	}
	half := len(batch) / 2
	if err := p.applyHalving(ctx, batch[:half]); err != nil {
		return err
	}
	return p.applyHalving(ctx, batch[half:])
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
