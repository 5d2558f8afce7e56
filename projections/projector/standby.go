package projector

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events/stream"
)

var (
	//go:embed sql/try_lead.sql
	tryLeadSQL string
	//go:embed sql/end_silent_holders.sql
	endSilentHoldersSQL string
)

// Several projectors may run: one leads and writes, the others stand by. The right
// to lead is an advisory lock of a session in Postgres. It ends with the session:
// at once when the leader dies or its connection breaks, and after the lease when
// the leader is silent, since its session asks Postgres to end it when idle for
// so long. The lease decides who tries; that a stale leader can't write is the
// fence's doing.

// defaultLease is how long a leader may be silent before another takes over.
const defaultLease = 10 * time.Second

// errLeaseLost says that this projector may lead no longer.
var errLeaseLost = errors.New("the lease was lost")

// What a projector does.
const (
	StandsBy = "stands by" // another leads; this one takes over when that one is gone
	Leads    = "leads"
)

// Standing says whether the projector leads or stands by.
func (p *Projector) Standing() string {
	if p.leading.Load() {
		return Leads
	}
	return StandsBy
}

// Run stands by until it may lead, takes over the position and follows the stream,
// until ctx ends or one of package stream's errors says that the log is wrong.
// When it loses the lease, or another took over without one, it stands by again.
func (p *Projector) Run(ctx context.Context) error {
	watch, stop := context.WithCancel(ctx)
	defer stop()
	go p.watchLag(watch)
	for {
		session, err := p.standBy(ctx)
		if err != nil {
			return err
		}
		err = p.lead(ctx, session)
		endSession(ctx, session)
		fenced := errors.Is(err, ErrFenced)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case !fenced && !errors.Is(err, errLeaseLost):
			return err
		}
		p.log.Warn("projector leads no longer; it stands by", "because", err)
		if !fenced {
			continue
		}
		// Somebody writes without a lease, such as an older version of this program:
		// taking over from each other at once would leave neither time to work.
		select {
		case <-time.After(p.lease):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// standBy waits until this projector may lead, for ever, and gives the session
// that holds the lease.
func (p *Projector) standBy(ctx context.Context) (session *pgx.Conn, err error) {
	defer func() {
		if err != nil {
			endSession(ctx, session)
			session = nil
		}
	}()
	for told := false; ; told = true {
		var leads bool
		if err := p.patiently(ctx, func() (err error) {
			session, leads, err = p.askToLead(ctx, session)
			return err
		}); err != nil {
			return session, err
		}
		if leads {
			return session, nil
		}
		if !told {
			p.log.Info("projector stands by: another leads")
		}
		select {
		case <-time.After(p.lease / 10):
		case <-ctx.Done():
			return session, ctx.Err()
		}
	}
}

// askToLead asks for the lease on a session of its own, which is made if need be.
func (p *Projector) askToLead(ctx context.Context, session *pgx.Conn) (*pgx.Conn, bool, error) {
	if session == nil || session.IsClosed() {
		cfg := p.pool.Config().ConnConfig.Copy()
		cfg.RuntimeParams["idle_session_timeout"] = strconv.FormatInt(p.lease.Milliseconds(), 10)
		var err error
		if session, err = pgx.ConnectConfig(ctx, cfg); err != nil {
			return nil, false, fmt.Errorf("ask to lead: %w", err)
		}
	}
	within, cancel := context.WithTimeout(ctx, p.lease/2)
	defer cancel()
	var leads bool
	if err := session.QueryRow(within, tryLeadSQL, p.base).Scan(&leads); err != nil {
		return session, false, fmt.Errorf("ask to lead: %w", err)
	}
	return session, leads, nil
}

// lead takes over the position and follows the stream as long as the lease holds.
func (p *Projector) lead(ctx context.Context, session *pgx.Conn) error {
	leading, end := context.WithCancelCause(ctx)
	var keeper sync.WaitGroup
	keeper.Go(func() { p.keepLease(leading, session, end) })
	p.leading.Store(true)
	err := p.followStream(leading)
	p.leading.Store(false)
	lost := errors.Is(context.Cause(leading), errLeaseLost)
	end(nil)
	keeper.Wait()
	// What a lost lease brings about may come before it is noticed.
	if err != nil && ctx.Err() == nil && (lost || p.renew(ctx, session) != nil) {
		return fmt.Errorf("%w: %w", errLeaseLost, err)
	}
	return err
}

// keepLease renews the lease until ctx ends, and ends it when that fails: sooner
// than Postgres gives the lease to another, as long as this process runs.
func (p *Projector) keepLease(ctx context.Context, session *pgx.Conn, end context.CancelCauseFunc) {
	tick := time.NewTicker(p.lease / 4)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		if err := p.renew(ctx, session); err != nil {
			end(fmt.Errorf("%w: %w", errLeaseLost, err))
			return
		}
	}
}

// renew makes use of the session, so that it isn't idle.
func (p *Projector) renew(ctx context.Context, session *pgx.Conn) error {
	within, cancel := context.WithTimeout(context.WithoutCancel(ctx), p.lease/2)
	defer cancel()
	_, err := session.Exec(within, "SELECT")
	return err
}

// endSession gives the lease back.
func endSession(ctx context.Context, session *pgx.Conn) {
	if session == nil {
		return
	}
	within, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	_ = session.Close(within) // Postgres ends it otherwise, after the lease
}

// followStream takes over the position and follows the stream.
func (p *Projector) followStream(ctx context.Context) error {
	// However many ask questions, its batches don't wait for a connection, and the
	// one they use has its statements prepared.
	alone := p.pool.Config()
	alone.MaxConns, alone.MinConns, alone.MinIdleConns = 1, 0, 0
	own, err := pgxpool.NewWithConfig(ctx, alone)
	if err != nil {
		return fmt.Errorf("a connection of the projector's own: %w", err)
	}
	p.writer = own
	defer func() {
		p.writer = p.pool
		own.Close()
	}()
	var position uint64
	err = p.patiently(ctx, func() (err error) {
		position, err = p.start(ctx) // from the beginning: each part may be done again
		return err
	})
	if err != nil {
		return err
	}
	p.log.Info("projector follows the stream", "from", position+1)
	return p.stream.Follow(ctx, position+1, stream.BatchConfig{Max: p.max}, p.handle)
}
