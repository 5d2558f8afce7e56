package projector

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/read_attempt.sql
	readAttemptSQL string
	//go:embed sql/note_start.sql
	noteStartSQL string
	//go:embed sql/note_try.sql
	noteTrySQL string
	//go:embed sql/take_back_attempt.sql
	takeBackAttemptSQL string
)

// An event can end the process: by exhausting memory, or by an error that Go's
// runtime lets nobody recover from. Nothing written in its transaction survives
// that, so attempts are noted in transactions of their own, before handling. The
// usual path pays once for each start, not for each batch: a start is noted when
// its first batch is about to be handled. After two that came no further than
// where they began, events are handled alone, each noted before.
const (
	startsBeforeAlone = 2 // starts without progress; then events are handled alone
	triesBeforePoison = 3 // ends of the process while an event was handled alone
)

// attempts is what this projector knows of the ones before it.
type attempts struct {
	aloneUpTo uint64 // events up to here are handled alone
	noted     bool   // the start is on record
}

// readAttempts looks whether projectors before this one ended where it begins.
func (p *Projector) readAttempts(ctx context.Context, tx pgx.Tx, position uint64) error {
	var from, alone int64
	var starts, tries int
	if err := tx.QueryRow(ctx, readAttemptSQL).Scan(&from, &starts, &alone, &tries); err != nil {
		return fmt.Errorf("read attempts: %w", err)
	}
	p.attempts = attempts{}
	endedHere := uint64(from) == position && starts >= startsBeforeAlone
	endedAlone := uint64(alone) == position+1 && tries > 0
	if endedHere || endedAlone {
		p.attempts.aloneUpTo = position + uint64(p.max)
		p.log.Warn("projectors ended here before; events are handled alone", "position", position, "up_to", p.attempts.aloneUpTo)
	}
	return nil
}

// attempt handles a batch, having noted that it is about to. A failure that this
// process lives to see is no end of it, and is taken off the record.
func (p *Projector) attempt(ctx context.Context, batch []stream.Message) error {
	for len(batch) > 0 && batch[0].Sequence <= p.attempts.aloneUpTo {
		if err := p.attemptAlone(ctx, batch[0]); err != nil {
			return err
		}
		batch = batch[1:]
	}
	if len(batch) == 0 {
		return nil
	}
	first := !p.attempts.noted
	if first {
		if _, err := p.note(ctx, noteStartSQL); err != nil {
			return err
		}
		p.attempts.noted = true
	}
	err := p.applyPatiently(ctx, batch, nil)
	if err != nil && first {
		p.takeBack(ctx)
	}
	return err
}

// attemptAlone handles one event that may be what ended the process before. When
// it has done so often enough it goes to quarantine unhandled.
func (p *Projector) attemptAlone(ctx context.Context, m stream.Message) error {
	tries, err := p.note(ctx, noteTrySQL, int64(m.Sequence))
	if err != nil {
		return err
	}
	one := []stream.Message{m}
	if tries > triesBeforePoison {
		ended := fmt.Errorf("the program ended %d times while it handled this event", triesBeforePoison)
		p.log.Error("an event ends the program; it goes to quarantine", "sequence", m.Sequence, "error", ended)
		return p.applyPatiently(ctx, one, map[uint64]error{m.Sequence: ended})
	}
	if err := p.applyPatiently(ctx, one, nil); err != nil {
		p.takeBack(ctx)
		return err
	}
	return nil
}

// note commits that something is about to be handled, and gives how often that
// was noted for the same place.
func (p *Projector) note(ctx context.Context, sql string, args ...any) (times int, err error) {
	err = p.patiently(ctx, func() error {
		return pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) error {
			err := tx.QueryRow(ctx, sql, append([]any{p.fence}, args...)...).Scan(&times)
			if errors.Is(err, pgx.ErrNoRows) {
				return ErrFenced
			}
			return err
		})
	})
	if err != nil {
		return 0, fmt.Errorf("note an attempt: %w", err)
	}
	return times, nil
}

// takeBack takes the last attempt off the record. Where that fails, it stands: one
// end of the process too many is counted, which alone sets nothing aside.
func (p *Projector) takeBack(ctx context.Context) {
	within, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	p.attempts.noted = false
	if _, err := p.pool.Exec(within, takeBackAttemptSQL, p.fence); err != nil {
		p.log.Warn("an attempt stays on record", "error", err)
	}
}
