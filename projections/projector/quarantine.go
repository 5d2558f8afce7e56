package projector

import (
	"context"
	_ "embed"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/list_waiting.sql
	listWaitingSQL string
	//go:embed sql/read_quarantined.sql
	readQuarantinedSQL string
	//go:embed sql/set_released.sql
	setReleasedSQL string
)

// Errors of a release.
var (
	ErrNotQuarantined = errors.New("no event waits in quarantine at this position")
	ErrReleased       = errors.New("this event was released before")
)

// StillRefused means that the event can't be read yet: its problems stand.
type StillRefused struct{ Problems []events.Problem }

func (e *StillRefused) Error() string {
	return "the event is still refused: " + e.Problems[0].Pointer + " " + e.Problems[0].Detail
}

type quarantined struct {
	sequence int64
	subject  string
	headers  events.Header
	body     []byte
	released *int64
}

// ReleaseUnderstood sends again what waited for a program that knows its type or
// version. The position is never moved back: the event takes a new one.
func (p *Projector) ReleaseUnderstood(ctx context.Context) error {
	rows, err := p.pool.Query(ctx, listWaitingSQL, []string{events.CodeUnknownType, events.CodeNewerVersion})
	if err != nil {
		return fmt.Errorf("list quarantine: %w", err)
	}
	waiting, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	if err != nil {
		return fmt.Errorf("list quarantine: %w", err)
	}
	released := 0
	for _, sequence := range waiting {
		_, err := p.Release(ctx, uint64(sequence), nil)
		var refused *StillRefused
		switch {
		case err == nil:
			released++
		case !errors.As(err, &refused):
			return err
		}
	}
	if released > 0 {
		p.log.Info("events released from quarantine", "events", released)
	}
	return nil
}

// Release sends a quarantined event again when it can be read now, as it was
// received or with some of its words exchanged, and returns its new position.
func (p *Projector) Release(ctx context.Context, sequence uint64, with *archive.Exchange) (uint64, error) {
	var q quarantined
	err := p.pool.QueryRow(ctx, readQuarantinedSQL, int64(sequence)).Scan(&q.sequence, &q.subject, &q.headers, &q.body, &q.released)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return 0, fmt.Errorf("release seq=%d: %w", sequence, ErrNotQuarantined)
	case err != nil:
		return 0, fmt.Errorf("release seq=%d: %w", sequence, err)
	case q.released != nil:
		return 0, fmt.Errorf("release seq=%d: %w, as %d", sequence, ErrReleased, *q.released)
	}
	var problems []events.Problem
	if with != nil {
		if q.body, problems = events.Remap(q.headers, q.body, with.Mappings); len(problems) > 0 {
			return 0, fmt.Errorf("release seq=%d: %w", sequence, &StillRefused{problems})
		}
	}
	e, problems := events.Decode(q.headers, q.body)
	if len(problems) == 0 {
		problems = differs(q.subject, e)
	}
	if len(problems) > 0 {
		return 0, fmt.Errorf("release seq=%d: %w", sequence, &StillRefused{problems})
	}
	ack, err := p.stream.Publisher().Publish(ctx, stream.Outgoing{Subject: q.subject, Header: q.headers, Data: q.body,
		MessageID: fmt.Sprintf("release/%d/%s", sequence, e.Hash().String()[:16])})
	if err != nil {
		return 0, fmt.Errorf("release seq=%d: %w", sequence, err)
	}
	err = pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, setReleasedSQL, int64(sequence), int64(ack.Sequence), with)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("release seq=%d: %w", sequence, err)
	}
	return ack.Sequence, nil
}
