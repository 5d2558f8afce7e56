package projector

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

// apply is the projector's one transaction, for a batch of messages: archive it,
// fold what it touches, write the difference of the rows, redraw the
// charts it moves, set the position. All of it commits, or none.
func (p *Projector) apply(ctx context.Context, batch []stream.Message, poison map[uint64]error) error {
	began := time.Now()
	arrivals, readIn := readAll(batch)
	work := p.cache.begin()
	var raised []string
	err := pg.AsWriter(ctx, p.writer, func(tx pgx.Tx) error {
		high, err := p.takePosition(ctx, tx, batch[0].Sequence)
		if err != nil {
			return err
		}
		readIn()
		for i, m := range batch {
			if err := poison[m.Sequence]; err != nil {
				arrivals[i].Disposition = Quarantined
				arrivals[i].Problems = []events.Problem{{Code: reasonPoison, Detail: err.Error()}}
			}
		}
		if err := classify(ctx, tx, arrivals); err != nil {
			return err
		}
		last := batch[len(batch)-1].Sequence
		if p.archiveOnly {
			if high, err = writeArchive(ctx, tx, arrivals, high); err != nil {
				return err
			}
			return p.setPosition(ctx, tx, last, high)
		}
		rows, high, err := archiveRowsOf(arrivals, high)
		if err != nil {
			return err
		}
		if err := rows.copyLinks(ctx, tx); err != nil {
			return err
		}
		c, err := touch(ctx, tx, work, arrivals)
		if err != nil {
			return err
		}
		// Folding needs no database: it goes on while the archive is written.
		folded := beside(c.fold)
		if err = rows.copyIn(ctx, tx); err == nil {
			err = countIntake(ctx, tx, arrivals)
		}
		folded()
		if err != nil {
			return err
		}
		if err := c.write(ctx, tx, work); err != nil {
			return err
		}
		if raised, err = noticeAlarms(ctx, tx, c.before, c.after, last); err != nil {
			return err
		}
		return p.setPosition(ctx, tx, last, high)
	})
	if err != nil {
		p.cache.forget()
		return err
	}
	p.cache.commit(work)
	p.metrics.applied(arrivals, time.Since(began))
	p.warnOfErased(arrivals)
	p.announce(raised)
	return nil
}

// beside runs fn beside its caller, who has to call what it returns: that waits
// for fn, and panics as fn did.
func beside(fn func()) (wait func()) {
	done := make(chan any, 1)
	go func() {
		defer func() { done <- recover() }()
		fn()
	}()
	return func() {
		if r := <-done; r != nil {
			panic(r)
		}
	}
}

// change is what some arrivals make of the read models.
type change struct {
	before, after *rowset

	groups     [][]string                 // linked codes that the arrivals touch
	sets, with map[string][]fold.Recorded // their events, without the arrivals and with them
}

// project folds what the arrivals touch, before and after, and writes the
// difference. The archive holds the arrivals' links already.
func project(ctx context.Context, tx pgx.Tx, work *draft, arrivals []arrival) error {
	c, err := touch(ctx, tx, work, arrivals)
	if err != nil {
		return err
	}
	c.fold()
	return c.write(ctx, tx, work)
}

// touch reads what the arrivals touch.
func touch(ctx context.Context, tx pgx.Tx, work *draft, arrivals []arrival) (*change, error) {
	c := &change{before: newRowset(), after: newRowset(), with: map[string][]fold.Recorded{}}
	fresh := map[string][]fold.Recorded{}
	conflictAt := map[uint64]uint64{} // by position: the latest rival's
	var touched []string
	for _, a := range arrivals {
		if a.Disposition == Accepted || a.Disposition == Conflict {
			fresh[a.Event.Subject] = append(fresh[a.Event.Subject], fold.Recorded{Sequence: a.Sequence, Hash: a.Hash, Event: a.Event})
			touched = append(touched, a.Event.Subject)
			for _, v := range a.Rivals {
				conflictAt[a.Sequence] = max(conflictAt[a.Sequence], v.sequence)
				conflictAt[v.sequence] = a.Sequence
				touched = append(touched, v.subject)
			}
		}
	}
	if len(touched) == 0 {
		return c, nil
	}
	var err error
	if c.groups, err = archive.Linked(ctx, tx, touched, archive.Newest); err != nil {
		return nil, err
	}
	if c.sets, err = work.load(ctx, tx, slices.Concat(c.groups...), arrivals[0].Sequence-1); err != nil {
		return nil, err
	}
	for _, code := range slices.Concat(c.groups...) {
		c.with[code] = inConflict(slices.Concat(c.sets[code], fresh[code]), conflictAt)
		work.put(code, c.with[code])
	}
	return c, nil
}

// fold makes the rows before and after.
func (c *change) fold() {
	for _, group := range c.groups {
		// Joined or parted in this batch: the old rows of all members go, the new ones come.
		c.before.addGroup(group, c.sets, -1)
		c.after.addGroup(group, c.with, 1)
	}
	for cell, n := range c.before.cells {
		if c.after.cells[cell] += n; c.after.cells[cell] == 0 {
			delete(c.after.cells, cell)
		}
	}
}

// write redraws the charts that are moved and writes the difference of the rows.
func (c *change) write(ctx context.Context, tx pgx.Tx, work *draft) error {
	if len(c.groups) == 0 {
		return nil
	}
	if err := redraw(ctx, tx, work, c.before, c.after); err != nil {
		return err
	}
	return writeDifference(ctx, tx, c.before, c.after)
}

// inConflict tells events of their rivals. The slice is the caller's own.
func inConflict(set []fold.Recorded, conflictAt map[uint64]uint64) []fold.Recorded {
	for i := range set {
		if at, ok := conflictAt[set[i].Sequence]; ok {
			set[i].ConflictAt = max(set[i].ConflictAt, at)
		}
	}
	return set
}

// addGroup folds a group of linked codes, each as whatever its events are about.
func (r *rowset) addGroup(group []string, sets map[string][]fold.Recorded, sign int64) {
	r.addCases(fold.Component(archive.Subjects(group, sets, events.AboutCase)), sign)
	for _, s := range archive.Subjects(group, sets, events.AboutSurgeon) {
		r.addSurgeon(fold.FoldSurgeon(s))
	}
	for _, s := range archive.Subjects(group, sets, events.AboutChart) {
		r.addChart(fold.FoldChart(s))
	}
}

// takePosition locks the position and refuses to go on when another projector
// has taken over, when the log isn't the one the position belongs to, or when the
// batch doesn't begin right after it.
func (p *Projector) takePosition(ctx context.Context, tx pgx.Tx, first uint64) (time.Time, error) {
	var (
		position, fence int64
		epoch           string
		high            time.Time
	)
	// The search path is set after the lock, though in the same round trip: Postgres
	// keeps one that it worked out while a rebuild's swap was being committed.
	var both pgx.Batch
	both.Queue(takePositionSQL)
	both.Queue("SET LOCAL search_path = " + quote(p.live()) + ", " + quote(p.base))
	taken := tx.SendBatch(ctx, &both)
	err := taken.QueryRow().Scan(&position, &fence, &epoch, &high)
	if closing := taken.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return high, fmt.Errorf("take position: %w", err)
	}
	switch {
	case fence != p.fence:
		return high, fmt.Errorf("position %d: %w", position, ErrFenced)
	case epoch != p.epoch:
		return high, &stream.EpochError{Got: p.epoch, Want: epoch}
	case uint64(position)+1 != first:
		return high, &stream.GapError{Expected: uint64(position) + 1, Got: first}
	}
	return high, nil
}

// setPosition says how far the record and the live read models have come, and
// tells whoever waits for it, in one round trip.
func (p *Projector) setPosition(ctx context.Context, tx pgx.Tx, position uint64, high time.Time) error {
	var all pgx.Batch
	if !p.archiveOnly {
		all.Queue(setCheckpointSQL, int64(position))
		all.Queue(notifySQL, NotifyPrefix+p.live(), strconv.FormatUint(position, 10))
	}
	all.Queue(setPositionSQL, int64(position), high)
	if err := tx.SendBatch(ctx, &all).Close(); err != nil {
		return fmt.Errorf("set position %d: %w", position, err)
	}
	return nil
}

const notifySQL = "SELECT pg_notify($1::text, $2::text)"

// notify tells whoever waits for a position of some read models, once the
// transaction has committed.
func notify(ctx context.Context, tx pgx.Tx, schema string, position uint64) error {
	if _, err := tx.Exec(ctx, notifySQL, NotifyPrefix+schema, strconv.FormatUint(position, 10)); err != nil {
		return fmt.Errorf("notify position %d: %w", position, err)
	}
	return nil
}

// NotifyPrefix and the model's schema make the channel on which each committed
// position is announced.
const NotifyPrefix = "position_"
