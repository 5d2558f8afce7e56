package projector

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
)

// classify says of each readable arrival if it is new, a duplicate, or in
// conflict with what stands archived under its identity, earlier arrivals of the
// batch included.
func classify(ctx context.Context, tx pgx.Tx, arrivals []arrival) error {
	var sources, ids []string
	for _, a := range arrivals {
		if a.Disposition == "" {
			sources, ids = append(sources, a.Event.Source), append(ids, a.Event.ID)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	known, err := versions(ctx, tx, sources, ids)
	if err != nil {
		return err
	}
	erased, err := erasedOf(ctx, tx, arrivals, known)
	if err != nil {
		return err
	}
	for i := range arrivals {
		a := &arrivals[i]
		if a.Disposition != "" {
			continue
		}
		id := a.Event.Identity()
		a.Disposition, a.DuplicateOf = disposition(known[id], a.Hash)
		if a.Disposition == Conflict && erased[id] {
			a.Disposition = Erased // sent again as it was, with the person's code in it
			continue
		}
		if a.Disposition != Duplicate {
			a.Rivals = known[id]
			known[id] = append(slices.Clip(known[id]), version{a.Sequence, a.Event.Subject, a.Hash})
		}
	}
	return nil
}

// versions finds what stands archived under some identities.
func versions(ctx context.Context, tx pgx.Tx, sources, ids []string) (map[events.Identity][]version, error) {
	known := make(map[events.Identity][]version, len(ids))
	rows, err := tx.Query(ctx, findIdentitiesSQL, sources, ids)
	if err != nil {
		return nil, fmt.Errorf("find identities: %w", err)
	}
	var (
		id       events.Identity
		hash     []byte
		sequence int64
		subject  string
	)
	if _, err := pgx.ForEachRow(rows, []any{&id.Source, &id.ID, &hash, &sequence, &subject}, func() error {
		known[id] = append(known[id], version{uint64(sequence), subject, events.Hash(hash)})
		return nil
	}); err != nil {
		return nil, fmt.Errorf("find identities: %w", err)
	}
	return known, nil
}

// version is one content under an identity.
type version struct {
	sequence uint64
	subject  string
	hash     events.Hash
}

// disposition gives the position of the event that a duplicate repeats with it.
func disposition(known []version, hash events.Hash) (string, uint64) {
	for _, v := range known {
		if v.hash == hash {
			return Duplicate, v.sequence
		}
	}
	if len(known) > 0 {
		return Conflict, 0
	}
	return Accepted, 0
}

var (
	eventLogColumns = []string{"sequence", "source", "id", "hash", "wire_hash", "type", "about", "subject", "department",
		"recorded_at", "headers", "body"}
	arrivalColumns    = []string{"sequence", "disposition", "recorded_at", "recorded_high", "duplicate_of"}
	quarantineColumns = []string{"sequence", "recorded_at", "subject", "source", "department", "reason", "problems", "headers", "body"}
	linkColumns       = []string{"sequence", "subject", "other_case"}
	conflictColumns   = []string{"sequence", "with_sequence"}
)

// writeArchive files every arrival: one disposition each, the bytes of what was
// taken or set aside, and the books by source. It returns the greatest recorded
// time so far.
func writeArchive(ctx context.Context, tx pgx.Tx, arrivals []arrival, high time.Time) (time.Time, error) {
	rows, high, err := archiveRowsOf(arrivals, high)
	if err != nil {
		return high, err
	}
	if err := rows.copyLinks(ctx, tx); err != nil {
		return high, err
	}
	if err := rows.copyIn(ctx, tx); err != nil {
		return high, err
	}
	return high, countIntake(ctx, tx, arrivals)
}

// archiveRows are the rows that some arrivals make in the archive's tables.
type archiveRows struct {
	logged, dispositions, quarantined, links, conflicts [][]any
}

// archiveRowsOf makes the rows of some arrivals, given the greatest recorded time
// before them, and returns the one with them.
func archiveRowsOf(arrivals []arrival, high time.Time) (*archiveRows, time.Time, error) {
	var rows archiveRows
	for _, a := range arrivals {
		var err error
		if high, err = rows.add(a, high); err != nil {
			return nil, high, err
		}
	}
	return &rows, high, nil
}

// add makes the rows of an arrival that was classified, given the greatest recorded
// time before it, and returns the one with it.
func (r *archiveRows) add(a arrival, high time.Time) (time.Time, error) {
	at := a.Time.UTC().Truncate(time.Microsecond)
	if at.After(high) {
		high = at
	}
	sequence := int64(a.Sequence)
	r.dispositions = append(r.dispositions, []any{sequence, a.Disposition, at, high, orNull(a.DuplicateOf)})
	switch a.Disposition {
	case Accepted, Conflict:
		e, wire := a.Event, events.WireHash(a.Header, a.Data)
		kind, _ := events.Lookup(e.Type)
		r.logged = append(r.logged, []any{sequence, e.Source, e.ID, a.Hash[:], wire[:], string(e.Type), string(kind.About),
			e.Subject, e.Department, at, headersOf(a.Header), a.Data})
		for _, other := range linksOf(e) {
			r.links = append(r.links, []any{sequence, e.Subject, other})
		}
		for _, v := range a.Rivals {
			r.conflicts = append(r.conflicts, []any{sequence, int64(v.sequence)})
		}
	case Quarantined:
		source, department := a.claimed()
		problems, err := json.Marshal(a.Problems)
		if err != nil {
			return high, fmt.Errorf("write quarantine seq=%d: %w", a.Sequence, err)
		}
		r.quarantined = append(r.quarantined, []any{sequence, at, a.Subject, source, department, a.reason(), string(problems),
			headersOf(a.Header), a.Data})
	}
	return high, nil
}

// copyLinks writes which codes the arrivals may join: what they touch isn't known
// before.
func (r *archiveRows) copyLinks(ctx context.Context, tx pgx.Tx) error {
	return copyInto(ctx, tx, "case_link", linkColumns, r.links)
}

// copyIn writes the rows, but for the links.
func (r *archiveRows) copyIn(ctx context.Context, tx pgx.Tx) error {
	for _, t := range []struct {
		name    string
		columns []string
		rows    [][]any
	}{
		{"event_log", eventLogColumns, r.logged}, {"arrival", arrivalColumns, r.dispositions},
		{"quarantine", quarantineColumns, r.quarantined}, {"conflict", conflictColumns, r.conflicts},
	} {
		if err := copyInto(ctx, tx, t.name, t.columns, t.rows); err != nil {
			return err
		}
	}
	return nil
}

func copyInto(ctx context.Context, tx pgx.Tx, table string, columns []string, rows [][]any) error {
	if len(rows) == 0 {
		return nil
	}
	if _, err := tx.CopyFrom(ctx, pgx.Identifier{table}, columns, pgx.CopyFromRows(rows)); err != nil {
		return fmt.Errorf("copy into %s: %w", table, err)
	}
	return nil
}

// orNull gives NULL for no position.
func orNull(sequence uint64) *int64 {
	if sequence == 0 {
		return nil
	}
	s := int64(sequence)
	return &s
}

// headersOf gives NULL for an event without headers.
func headersOf(h events.Header) any {
	if len(h) == 0 {
		return nil
	}
	return h
}

// linksOf lists the case codes that an event may join to its subject.
func linksOf(e events.Event) []string {
	switch d := e.Data.(type) {
	case *events.CaseJoined:
		return []string{string(d.OtherCase)}
	case *events.EventAmended:
		// It may replace a join: what it replaces is only known when folding.
		if data, problems := events.DecodeData(events.TypeCaseJoined, d.Data); len(problems) == 0 {
			return []string{string(data.(*events.CaseJoined).OtherCase)}
		}
	}
	return nil
}

// countIntake keeps the books by source, department and disposition.
func countIntake(ctx context.Context, tx pgx.Tx, arrivals []arrival) error {
	var b intakeBooks
	for _, a := range arrivals {
		b.count(a)
	}
	return b.write(ctx, tx)
}

// intakeBooks count arrivals by source, department and disposition.
type intakeBooks struct {
	index                              map[[3]string]int
	sources, departments, dispositions []string
	counts, last                       []int64
	times                              []time.Time
}

func (b *intakeBooks) count(a arrival) {
	source, department := a.claimed()
	k := [3]string{source, department, a.Disposition}
	i, seen := b.index[k]
	if !seen {
		if b.index == nil {
			b.index = map[[3]string]int{}
		}
		i = len(b.sources)
		b.index[k] = i
		b.sources, b.departments, b.dispositions = append(b.sources, source), append(b.departments, department), append(b.dispositions, a.Disposition)
		b.counts, b.last, b.times = append(b.counts, 0), append(b.last, 0), append(b.times, time.Time{})
	}
	b.counts[i]++
	if sequence := int64(a.Sequence); sequence > b.last[i] {
		b.last[i], b.times[i] = sequence, a.Time.UTC().Truncate(time.Microsecond)
	}
}

func (b *intakeBooks) write(ctx context.Context, tx pgx.Tx) error {
	if _, err := tx.Exec(ctx, countIntakeSQL, b.sources, b.departments, b.dispositions, b.counts, b.last, b.times); err != nil {
		return fmt.Errorf("count intake: %w", err)
	}
	return nil
}
