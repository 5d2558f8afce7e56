package projector

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/event_before.sql
	eventBeforeSQL string
	//go:embed sql/find_erasure.sql
	findErasureSQL string
)

// Refilled says what a refill did.
type Refilled struct {
	From  uint64 `json:"from"`  // first sequence given back; 0 where none was missing
	To    uint64 `json:"to"`    // last sequence of the stream now
	Stood uint64 `json:"stood"` // duplicates whose own event isn't known any more: another stands for each
}

// refillStep is how many messages are given back between two looks at the archive.
const refillStep = 500

// Refill gives a stream that lost its end, up to all of it, the missing messages back
// from the archive, each under its old sequence: of accepted and conflicting events
// the archived bytes, of what waits in quarantine its bytes, for a duplicate the event
// that it repeated. Recorded times are those of the refill in the stream; the archive
// keeps the first ones. Nobody may publish meanwhile; a *stream.TakenError says that
// somebody did.
//
// A duplicate that was taken before its event was noted is stood for by the archived
// event right before it: a replay takes either as a duplicate.
func (p *Projector) Refill(ctx context.Context) (Refilled, error) {
	done, err := p.refill(ctx)
	if err != nil {
		return done, fmt.Errorf("refill the stream: %w", err)
	}
	return done, nil
}

func (p *Projector) refill(ctx context.Context) (Refilled, error) {
	var done Refilled
	var position int64
	var epoch string
	if err := p.pool.QueryRow(ctx, "SELECT position, epoch FROM stream_state").Scan(&position, &epoch); err != nil {
		return done, err
	}
	if p.stream.Epoch() != epoch {
		return done, &stream.EpochError{Got: p.stream.Epoch(), Want: epoch}
	}
	info, err := p.stream.Info(ctx)
	if err != nil {
		return done, err
	}
	done.To = info.Last
	if info.Last >= uint64(position) {
		return done, nil
	}
	if err := p.sameBefore(ctx, info.Last); err != nil {
		return done, err
	}
	done.From = info.Last + 1
	for next := info.Last + 1; next <= uint64(position); {
		to := min(uint64(position), next+refillStep-1)
		var batch []stream.Outgoing
		err := pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) (err error) {
			batch, err = outgoing(ctx, tx, next, to, &done.Stood)
			return err
		})
		if err != nil {
			return done, err
		}
		if err := p.stream.Refill(ctx, next, batch); err != nil {
			return done, err
		}
		done.To, next = to, to+1
	}
	if info, err = p.stream.Info(ctx); err == nil && info.Last != uint64(position) {
		err = fmt.Errorf("the stream ends at sequence %d, the archive at %d: something else was published meanwhile", info.Last, position)
	}
	return done, err
}

// errOther means that the stream's end holds other events than the archive.
var errOther = errors.New("the stream's last messages aren't those of the archive: new events have taken old sequences, so nothing is written; restore the stream from a backup first")

// sameBefore looks whether the last messages of the stream are the archive's.
func (p *Projector) sameBefore(ctx context.Context, last uint64) error {
	if last == 0 {
		return nil
	}
	from := uint64(1)
	if last > refillStep {
		from = last - refillStep + 1
	}
	messages, err := p.stream.Read(ctx, from, refillStep)
	if err != nil {
		return err
	}
	found := Copies{}
	w := &walk{Projector: p, found: &found}
	if err := w.compare(ctx, from, from+uint64(len(messages))-1, messages); err != nil {
		return err
	}
	if !found.Equal() {
		d := found.Differences[0]
		return fmt.Errorf("%w (sequence %d: %s)", errOther, d.Sequence, d.Detail)
	}
	return nil
}

// outgoing makes the messages of some positions anew, in their order.
func outgoing(ctx context.Context, tx pgx.Tx, from, to uint64, stood *uint64) ([]stream.Outgoing, error) {
	var rows []*copyRow
	if err := eachCopy(ctx, tx, from, to, func(r *copyRow) error {
		rows = append(rows, r)
		return nil
	}); err != nil {
		return nil, err
	}
	out := make([]stream.Outgoing, 0, len(rows))
	for i, r := range rows {
		sequence := from + uint64(i)
		if uint64(r.sequence) != sequence || r.disposition == nil {
			return nil, fmt.Errorf("the archive has nothing of sequence %d: it can't be given back", sequence)
		}
		if d, wrong := (&walk{}).differ(r, nil); wrong {
			return nil, fmt.Errorf("sequence %d in the archive: %s: it can't be given back", sequence, d.Detail)
		}
		var o stream.Outgoing
		var err error
		switch {
		case r.archived():
			o, err = outgoingEvent(r.headers, r.body)
		case r.setAside():
			o = stream.Outgoing{Subject: *r.subject, Header: r.setAsideHeaders, Data: r.setAsideBody}
		case *r.disposition == Duplicate:
			o, err = repeated(ctx, tx, r, stood)
		default:
			o, err = erasureAt(ctx, tx, r, stood)
		}
		if err != nil {
			return nil, fmt.Errorf("make the message of sequence %d: %w", sequence, err)
		}
		out = append(out, o)
	}
	if len(out) != int(to-from+1) {
		return nil, fmt.Errorf("the archive has nothing of sequence %d: it can't be given back", from+uint64(len(out)))
	}
	return out, nil
}

func outgoingEvent(headers events.Header, body []byte) (stream.Outgoing, error) {
	e, problems := events.Decode(headers, body)
	if len(problems) > 0 {
		return stream.Outgoing{}, fmt.Errorf("decode: %s %s", problems[0].Pointer, problems[0].Detail)
	}
	return stream.Outgoing{Subject: SubjectOf(e), Header: headers, Data: body}, nil
}

// repeated is the event that a duplicate repeats.
func repeated(ctx context.Context, tx pgx.Tx, r *copyRow, stood *uint64) (stream.Outgoing, error) {
	if r.duplicateOf == nil {
		*stood++
	}
	var headers events.Header
	var body []byte
	if err := tx.QueryRow(ctx, eventBeforeSQL, r.duplicateOf, r.sequence).Scan(&headers, &body); err != nil {
		return stream.Outgoing{}, fmt.Errorf("find the event that it repeats: %w", err)
	}
	return outgoingEvent(headers, body)
}

// erasureAt is the message at a position of which the archive has no row: that of an
// erasure, which stood there itself. For an event that is gone without one another
// stands, as for a duplicate.
func erasureAt(ctx context.Context, tx pgx.Tx, r *copyRow, stood *uint64) (stream.Outgoing, error) {
	var e stream.Erasure
	var position int64
	var recorded *time.Time
	var headers events.Header
	err := tx.QueryRow(ctx, findErasureSQL, r.sequence).Scan(&position, &e.Source, &e.ID, &e.Reason, &recorded, &headers, &e.Data)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return repeated(ctx, tx, r, stood)
	case err != nil:
		return stream.Outgoing{}, err
	}
	e.Position, e.Header = uint64(position), headers
	if recorded != nil {
		e.Recorded = *recorded
	}
	if e.Data != nil {
		kept, err := outgoingEvent(headers, e.Data)
		if err != nil {
			return stream.Outgoing{}, err
		}
		e.Kept, e.Subject = true, kept.Subject
	}
	return stream.ErasureToRefill(e)
}
