package projector

import (
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/find_erased.sql
	findErasedSQL string
	//go:embed sql/read_replaced.sql
	readReplacedSQL string
	//go:embed sql/replace_event.sql
	replaceEventSQL string
	//go:embed sql/replace_quarantined.sql
	replaceQuarantinedSQL string
	//go:embed sql/list_notices.sql
	listNoticesSQL string
	//go:embed sql/any_erasure.sql
	anyErasureSQL string
)

// leading is how many messages at the head of a batch are of one kind: events, or
// what replaces them.
func leading(batch []stream.Message) int {
	n := 1
	for n < len(batch) && stream.IsErasure(batch[n]) == stream.IsErasure(batch[0]) {
		n++
	}
	return n
}

// applyErasures is the projector's transaction for messages that stand in the place
// of others: the archive's copies are replaced, what follows from them is made anew,
// and a record of each erasure is kept. Such a message is never set aside: what
// fails stops the projector.
func (p *Projector) applyErasures(ctx context.Context, batch []stream.Message) error {
	began := time.Now()
	arrivals := make([]arrival, len(batch))
	erasures := make([]stream.Erasure, len(batch))
	for i, m := range batch {
		e, ok := stream.ErasureOf(m)
		if !ok || e.Position >= m.Sequence {
			return fmt.Errorf("erase seq=%d: the message stands in the place of no earlier one", m.Sequence)
		}
		arrivals[i], erasures[i] = arrival{Message: m, Disposition: Erased}, e
	}
	p.cache.forget() // it holds what is to go
	err := pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) error {
		high, err := p.takePosition(ctx, tx, batch[0].Sequence)
		if err != nil {
			return err
		}
		if high, err = writeArchive(ctx, tx, arrivals, high); err != nil {
			return err
		}
		if err := recordErasures(ctx, tx, erasures); err != nil {
			return err
		}
		if err := p.replace(ctx, tx, erasures); err != nil {
			return err
		}
		return p.setPosition(ctx, tx, batch[len(batch)-1].Sequence, high)
	})
	p.cache.forget()
	if err != nil {
		return err
	}
	p.metrics.applied(arrivals, time.Since(began))
	p.log.Info("events were replaced by an erasure", "events", len(batch), "from", batch[0].Sequence, "to", batch[len(batch)-1].Sequence)
	return nil
}

// recordErasures keeps what remains to be known: where, when and why.
func recordErasures(ctx context.Context, tx pgx.Tx, erasures []stream.Erasure) error {
	rows := make([][]any, len(erasures))
	for i, e := range erasures {
		rows[i] = []any{int64(e.Sequence), int64(e.Position), e.At.UTC().Truncate(time.Microsecond), e.Source, e.ID, e.Reason}
	}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"erasure"}, []string{"sequence", "position", "recorded_at", "source", "id", "reason"}, pgx.CopyFromRows(rows))
	if err != nil {
		return fmt.Errorf("copy into erasure: %w", err)
	}
	return nil
}

// redoErasures brings what is known of some events up to what the stream has of them
// now: those of which the batch holds a repeat that is replaced already, while they
// themselves were read before they were. So it is with an archive restored from a
// dump, and with a reader that an erasure overtakes; without it the repeat would look
// like another content. The batch with such events replaced is returned, the position
// stays where it is.
func (p *Projector) redoErasures(ctx context.Context, batch []stream.Message) ([]stream.Message, error) {
	hashes := map[events.Identity]events.Hash{}
	var sources, ids []string
	for _, m := range batch {
		if m.Replacement == nil {
			continue
		}
		if a := read(m); a.Disposition == "" {
			id := a.Event.Identity()
			hashes[id] = a.Hash
			sources, ids = append(sources, id.Source), append(ids, id.ID)
		}
	}
	if len(ids) == 0 {
		return batch, nil
	}
	out := slices.Clone(batch)
	for i, m := range batch {
		if m.Replacement != nil {
			continue
		}
		a := read(m)
		if hash, repeated := hashes[a.Event.Identity()]; a.Disposition != "" || !repeated || hash == a.Hash {
			continue
		}
		e, err := p.stream.Replacement(ctx, m.Sequence)
		if errors.Is(err, stream.ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		out[i] = e.Message()
	}
	var late []stream.Erasure
	err := pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) error {
		if _, err := p.takePosition(ctx, tx, batch[0].Sequence); err != nil {
			return err
		}
		known, err := versions(ctx, tx, sources, ids)
		if err != nil {
			return err
		}
		for id, all := range known {
			for _, v := range all {
				if v.hash == hashes[id] {
					continue
				}
				e, err := p.stream.Replacement(ctx, v.sequence)
				if err == nil {
					late = append(late, e)
				} else if !errors.Is(err, stream.ErrNotFound) {
					return err
				}
			}
		}
		if len(late) == 0 {
			return nil
		}
		p.cache.forget()
		return p.replace(ctx, tx, late)
	})
	if len(late) > 0 {
		p.cache.forget()
	}
	return out, err
}

// replacing is one archived event and what it becomes.
type replacing struct {
	before, after events.Event
	hash, wire    events.Hash
	arrival       arrival
}

// replace puts erasures' content in the place of what is archived, and writes the
// difference of the rows that follow from it. No alarm is announced for it.
func (p *Projector) replace(ctx context.Context, tx pgx.Tx, erasures []stream.Erasure) error {
	latest := map[uint64]stream.Erasure{}
	var positions []int64
	for _, e := range erasures {
		if _, seen := latest[e.Position]; e.Kept {
			if !seen {
				positions = append(positions, int64(e.Position))
			}
			latest[e.Position] = e
		}
	}
	if len(positions) == 0 {
		return nil
	}
	changes, err := readReplaced(ctx, tx, positions, latest)
	if err != nil {
		return err
	}
	if err := replaceQuarantined(ctx, tx, positions, latest); err != nil {
		return err
	}
	if len(changes) == 0 {
		return nil
	}
	var groups [][]string
	before, after := newRowset(), newRowset()
	if !p.archiveOnly {
		var touched []string
		for _, c := range changes {
			touched = append(touched, c.before.Subject, c.after.Subject)
		}
		if groups, err = archive.Linked(ctx, tx, touched, archive.Newest); err != nil {
			return err
		}
		if err := foldGroups(ctx, tx, groups, before, -1); err != nil {
			return err
		}
	}
	if err := replaceEvents(ctx, tx, changes); err != nil {
		return err
	}
	if !p.archiveOnly {
		if err := foldGroups(ctx, tx, groups, after, 1); err != nil {
			return err
		}
		for cell, n := range before.cells {
			if after.cells[cell] += n; after.cells[cell] == 0 {
				delete(after.cells, cell)
			}
		}
		if err := redraw(ctx, tx, p.cache.begin(), before, after); err != nil {
			return err
		}
		if err := writeDifference(ctx, tx, before, after); err != nil {
			return err
		}
	}
	return renameNotices(ctx, tx, changes)
}

// foldGroups adds the rows of groups of codes as the archive has them now.
func foldGroups(ctx context.Context, tx pgx.Tx, groups [][]string, rows *rowset, sign int64) error {
	sets, err := archive.Load(ctx, tx, slices.Concat(groups...), archive.Newest)
	if err != nil {
		return err
	}
	for _, group := range groups {
		rows.addGroup(group, sets, sign)
	}
	return nil
}

// readReplaced pairs archived events with what they become; those that are it
// already are left out.
func readReplaced(ctx context.Context, tx pgx.Tx, positions []int64, latest map[uint64]stream.Erasure) ([]replacing, error) {
	rows, err := tx.Query(ctx, readReplacedSQL, positions)
	if err != nil {
		return nil, fmt.Errorf("read what is replaced: %w", err)
	}
	var (
		changes []replacing
		r       logRow
		wire    []byte
	)
	_, err = pgx.ForEachRow(rows, []any{&r.sequence, &r.hash, &wire, &r.subject, &r.headers, &r.body}, func() error {
		sequence := uint64(r.sequence)
		was, err := archive.Decode(sequence, r.hash, r.headers, r.body)
		r.headers = nil // or the next row's would be read into the same map
		if err != nil {
			return err
		}
		a := read(latest[sequence].Message())
		switch {
		case a.Disposition == Quarantined:
			return fmt.Errorf("seq=%d: what replaces it can't be read: %s at %s", sequence, a.reason(), a.Problems[0].Pointer)
		case a.Event.Identity() != was.Event.Identity() || a.Event.Type != was.Event.Type || a.Event.Department != was.Event.Department:
			return fmt.Errorf("seq=%d: what replaces it is another event", sequence)
		}
		c := replacing{before: was.Event, after: a.Event, hash: a.Hash, wire: events.WireHash(a.Header, a.Data), arrival: a}
		if c.hash != was.Hash || c.wire != events.Hash(wire) {
			changes = append(changes, c)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read what is replaced: %w", err)
	}
	return changes, nil
}

func replaceEvents(ctx context.Context, tx pgx.Tx, changes []replacing) error {
	var all pgx.Batch
	for _, c := range changes {
		all.Queue(replaceEventSQL, int64(c.arrival.Sequence), c.hash[:], c.wire[:], c.after.Subject, headersOf(c.arrival.Header), c.arrival.Data)
	}
	if err := tx.SendBatch(ctx, &all).Close(); err != nil {
		return fmt.Errorf("replace archived events: %w", err)
	}
	return nil
}

// replaceQuarantined replaces what waits in quarantine. Its problems may quote the
// code, so they are found anew; where this program has none, they are left unsaid.
func replaceQuarantined(ctx context.Context, tx pgx.Tx, positions []int64, latest map[uint64]stream.Erasure) error {
	held, err := pg.Values[int64](ctx, tx, "SELECT sequence FROM quarantine WHERE sequence = ANY ($1) ORDER BY sequence", positions)
	if err != nil || len(held) == 0 {
		return err
	}
	var all pgx.Batch
	for _, sequence := range held {
		a := read(latest[uint64(sequence)].Message())
		var reason any
		problems := []events.Problem{{Code: reasonPoison, Detail: "left unsaid by an erasure"}}
		if len(a.Problems) > 0 {
			reason, problems = a.reason(), a.Problems
		}
		text, err := json.Marshal(problems)
		if err != nil {
			return fmt.Errorf("replace in quarantine seq=%d: %w", sequence, err)
		}
		all.Queue(replaceQuarantinedSQL, sequence, reason, string(text), headersOf(a.Header), a.Data)
	}
	if err := tx.SendBatch(ctx, &all).Close(); err != nil {
		return fmt.Errorf("replace in quarantine: %w", err)
	}
	return nil
}

// renameNotices brings the list of announced alarms to the codes that follow from
// the pseudonym, so that none is announced again.
func renameNotices(ctx context.Context, tx pgx.Tx, changes []replacing) error {
	renamed := map[string]string{}
	for _, c := range changes {
		for old, fresh := range events.SurgeonsReplaced(c.before, c.after) {
			renamed[old] = fresh
		}
	}
	for old, fresh := range renamed {
		charts := derivedCharts(old, fresh)
		type notice struct {
			Alarm, Department string
			Position          int64
		}
		held, err := pg.Structs[notice](ctx, tx, listNoticesSQL, old)
		if err != nil {
			return fmt.Errorf("list notices: %w", err)
		}
		for _, n := range held {
			code := n.Alarm
			if at := strings.LastIndexByte(code, '-'); at > 0 && charts[code[:at]] != "" {
				code = charts[code[:at]] + code[at:]
			}
			var both pgx.Batch
			both.Queue("DELETE FROM alarm_notice WHERE alarm = $1", n.Alarm)
			both.Queue("INSERT INTO alarm_notice (alarm, department, surgeon, position) VALUES ($1, $2, $3, $4) ON CONFLICT (alarm) DO NOTHING",
				code, n.Department, fresh, n.Position)
			if err := tx.SendBatch(ctx, &both).Close(); err != nil {
				return fmt.Errorf("rename notices: %w", err)
			}
		}
	}
	return nil
}

// derivedCharts gives, for the code of each chart that a surgeon can have, the one
// of a pseudonym.
func derivedCharts(surgeon, pseudonym string) map[string]string {
	out := map[string]string{}
	for _, outcome := range events.Words[events.Outcome]() {
		for _, kind := range events.Words[events.ChartKind]() {
			out[alarm.CodeOf(surgeon, string(outcome), string(kind))] = alarm.CodeOf(pseudonym, string(outcome), string(kind))
		}
	}
	return out
}

// erasedOf says which identities were erased, of those whose arrivals may need it.
func erasedOf(ctx context.Context, tx pgx.Tx, arrivals []arrival, known map[events.Identity][]version) (map[events.Identity]bool, error) {
	seen := map[events.Identity]bool{}
	var sources, ids []string
	for _, a := range arrivals {
		if a.Disposition != "" {
			continue
		}
		id := a.Event.Identity()
		if seen[id] || len(known[id]) > 0 {
			sources, ids = append(sources, id.Source), append(ids, id.ID)
		}
		seen[id] = true
	}
	erased := map[events.Identity]bool{}
	if len(ids) == 0 {
		return erased, nil
	}
	rows, err := tx.Query(ctx, findErasedSQL, sources, ids)
	if err != nil {
		return nil, fmt.Errorf("find erased identities: %w", err)
	}
	var id events.Identity
	if _, err := pgx.ForEachRow(rows, []any{&id.Source, &id.ID}, func() error { erased[id] = true; return nil }); err != nil {
		return nil, fmt.Errorf("find erased identities: %w", err)
	}
	return erased, nil
}

// errErased says that a copy of the read models was made from events that have been
// replaced since: it has to be made anew.
var errErased = errors.New("events were erased meanwhile")

// untilNoneErased makes a copy of the read models again for as long as an erasure
// comes in between.
func (p *Projector) untilNoneErased(do func() error) error {
	for {
		err := do()
		if !errors.Is(err, errErased) {
			return err
		}
		p.log.Info("events were erased meanwhile; the copy is made anew")
	}
}

// warnOfErased says that events which were erased came again as they had been: they
// are not taken, but the stream holds them until the next erasure.
func (p *Projector) warnOfErased(arrivals []arrival) {
	for _, a := range arrivals {
		if a.Disposition == Erased && a.Replacement == nil {
			source, department := a.claimed()
			p.metrics.again.Inc()
			p.log.Warn("an erased event was sent again; run lensledger erase again", "sequence", a.Sequence, "source", source, "department", department)
		}
	}
}
