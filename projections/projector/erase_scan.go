package projector

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/find_dispositions.sql
	findDispositionsSQL string
	//go:embed sql/find_target.sql
	findTargetSQL string
)

// erasing is one run of an Eraser.
type erasing struct {
	*Eraser
	reason    string
	pseudonym events.Pseudonym
	taken     []uint64 // messages that name the person and are replaced
}

// named is a message that names the person, and what it becomes.
type named struct {
	message stream.Message
	instead stream.Erasure // Position and Subject are those of the event, which a message may only stand for
}

// errPassed ends a pass.
var errPassed = errors.New("the pass is over")

// pass looks at the messages of a range, all of which are projected, and stores what
// comes in the place of those that name the person. Of these it holds the sequences,
// and else a batch at a time.
func (r *erasing) pass(ctx context.Context, from, to uint64, report *ErasureReport) error {
	if from > to {
		return nil
	}
	_, err := r.Stream.Replay(ctx, from, stream.BatchConfig{}, func(ctx context.Context, batch []stream.Message) error {
		all, err := r.naming(ctx, batch, to)
		if err != nil {
			return err
		}
		was, err := r.dispositions(ctx, all)
		if err != nil {
			return err
		}
		for _, n := range all {
			if err := r.take(ctx, n, was[n.message.Sequence], report); err != nil {
				return err
			}
		}
		if batch[len(batch)-1].Sequence >= to {
			return errPassed
		}
		return nil
	})
	if err != nil && !errors.Is(err, errPassed) {
		return fmt.Errorf("erase: %w", err)
	}
	return nil
}

// naming lists the messages up to a position that name the person, what stands in
// the place of erased ones included: that is left out where it was read, for it is
// a message of its own further on.
func (r *erasing) naming(ctx context.Context, batch []stream.Message, to uint64) ([]named, error) {
	var out []named
	for _, m := range batch {
		if m.Sequence > to || m.Replacement != nil {
			continue
		}
		content := m
		inner, standsFor := stream.ErasureOf(m)
		if standsFor {
			if !inner.Kept {
				continue
			}
			content = inner.Message()
		}
		instead, names, err := r.rewrite(ctx, content)
		if err != nil {
			return nil, fmt.Errorf("seq=%d: %w", m.Sequence, err)
		}
		if names {
			out = append(out, named{m, instead})
		}
	}
	return out, nil
}

// rewrite gives what stands in the place of a message that names the person.
func (r *erasing) rewrite(ctx context.Context, m stream.Message) (stream.Erasure, bool, error) {
	var failed error
	p := r.pseudonym
	p.Corrected = func(target events.Identity, subject string) events.About {
		about, err := r.corrected(ctx, target, subject)
		failed = errors.Join(failed, err)
		return about
	}
	header := eventHeaders(m.Header)
	e, problems := events.Decode(header, m.Data)
	out := stream.Erasure{Position: m.Sequence, Subject: m.Subject, Recorded: m.Time, Source: e.Source, ID: e.ID, Reason: r.reason, Kept: true}
	var names bool
	if len(problems) > 0 {
		out.Header, out.Data, names = p.ApplyBytes(header, m.Data)
		return out, names, nil
	}
	changed, names, err := p.Apply(e)
	if err := errors.Join(err, failed); err != nil || !names {
		return out, names, err
	}
	out.Header, out.Data = events.Header{"content-type": {events.ContentTypeEvent}}, changed.Encode()
	return out, true, nil
}

// corrected says what a correction is about: what its target is about, or the target
// of that one, a correction too; where no target is archived, whatever bears the
// subject.
func (r *erasing) corrected(ctx context.Context, target events.Identity, subject string) (events.About, error) {
	about := events.AboutChart // unless it is something else
	err := pg.AsWriter(ctx, r.Pool, func(tx pgx.Tx) error {
		for range 4 { // a correction is only retracted, and a retraction once more
			var (
				found   string
				headers events.Header
				body    []byte
			)
			err := tx.QueryRow(ctx, findTargetSQL, target.Source, target.ID).Scan(&found, &headers, &body)
			if errors.Is(err, pgx.ErrNoRows) {
				break
			}
			if err != nil {
				return err
			}
			if about = events.About(found); about != events.AboutCorrection {
				return nil
			}
			e, _ := events.Decode(headers, body)
			switch d := e.Data.(type) {
			case *events.EventAmended:
				target = events.Identity{Source: string(d.TargetSource), ID: string(d.TargetID)}
			case *events.EventRetracted:
				target = events.Identity{Source: string(d.TargetSource), ID: string(d.TargetID)}
			}
		}
		var isCase bool
		if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT 1 FROM event_log WHERE subject = $1 AND about = 'case')", subject).Scan(&isCase); err != nil {
			return err
		}
		switch {
		case isCase:
			about = events.AboutCase
		case subject == r.pseudonym.Code:
			about = events.AboutSurgeon
		default:
			about = events.AboutChart
		}
		return nil
	})
	if err != nil {
		return "", fmt.Errorf("find what a correction is about: %w", err)
	}
	return about, nil
}

// dispositions gives what the projector made of some messages.
func (r *erasing) dispositions(ctx context.Context, all []named) (map[uint64]string, error) {
	out := make(map[uint64]string, len(all))
	if len(all) == 0 {
		return out, nil
	}
	sequences := make([]int64, len(all))
	for i, n := range all {
		sequences[i] = int64(n.message.Sequence)
	}
	err := pg.AsWriter(ctx, r.Pool, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, findDispositionsSQL, sequences)
		if err != nil {
			return err
		}
		var sequence int64
		var disposition string
		_, err = pgx.ForEachRow(rows, []any{&sequence, &disposition}, func() error {
			out[uint64(sequence)] = disposition
			return nil
		})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read dispositions: %w", err)
	}
	return out, nil
}

// take stores what comes in the place of one message, unless it is stored already.
func (r *erasing) take(ctx context.Context, n named, disposition string, report *ErasureReport) error {
	sequence := n.message.Sequence
	inner, standsFor := stream.ErasureOf(n.message)
	if standsFor {
		// What stands in the place of an event is replaced by another such message,
		// and in its own place a mark is left.
		latest, err := r.Stream.Replacement(ctx, inner.Position)
		if err != nil && !errors.Is(err, stream.ErrNotFound) {
			return err
		}
		if err != nil || latest.Sequence == sequence {
			if err := r.replace(ctx, n.instead); err != nil {
				return err
			}
		}
		n.instead = stream.Erasure{Position: sequence, Subject: n.message.Subject, Recorded: n.message.Time,
			Source: inner.Source, ID: inner.ID, Reason: inner.Reason}
	}
	if disposition == Erased && !standsFor {
		// Sent again after its erasure: the event stands where it was, nothing here.
		n.instead.Kept, n.instead.Header, n.instead.Data = false, nil, nil
	}
	_, err := r.Stream.Replacement(ctx, sequence)
	if errors.Is(err, stream.ErrNotFound) {
		err = r.replace(ctx, n.instead)
	}
	if err != nil {
		return err
	}
	r.taken = append(r.taken, sequence)
	report.add(n, r.pseudonym.Code)
	return nil
}

// replace stores what stands in a message's place. Bytes that can't be read anyway
// are cut where a longer code makes them too many.
func (r *erasing) replace(ctx context.Context, e stream.Erasure) error {
	for {
		_, err := r.Stream.Replace(ctx, e)
		var large *stream.TooLargeError
		if errors.As(err, &large) && len(e.Data) >= large.Bytes-large.Limit {
			e.Data = e.Data[:len(e.Data)-(large.Bytes-large.Limit)]
			continue
		}
		if err != nil {
			return err
		}
		return r.step("replaced")
	}
}

func (report *ErasureReport) add(n named, code string) {
	report.Events++
	if sequence := n.message.Sequence; report.First == 0 || sequence < report.First {
		report.First = sequence
	}
	report.Last = max(report.Last, n.message.Sequence)
	if strings.Contains(n.instead.ID, code) {
		report.InIDs++
	}
	if e, problems := events.Decode(n.instead.Header, n.instead.Data); len(problems) == 0 && strings.Contains(e.Subject, code) {
		report.InCaseCodes++
	}
}
