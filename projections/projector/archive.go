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
		if a.Disposition != Quarantined {
			sources, ids = append(sources, a.Event.Source), append(ids, a.Event.ID)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	known := make(map[events.Identity][]version, len(ids))
	rows, err := tx.Query(ctx, findIdentitiesSQL, sources, ids)
	if err != nil {
		return fmt.Errorf("find identities: %w", err)
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
		return fmt.Errorf("find identities: %w", err)
	}
	for i := range arrivals {
		a := &arrivals[i]
		if a.Disposition == Quarantined {
			continue
		}
		id := a.Event.Identity()
		a.Disposition = disposition(known[id], a.Hash)
		if a.Disposition != Duplicate {
			a.Rivals = known[id]
			known[id] = append(slices.Clip(known[id]), version{a.Sequence, a.Event.Subject, a.Hash})
		}
	}
	return nil
}

// version is one content under an identity.
type version struct {
	sequence uint64
	subject  string
	hash     events.Hash
}

func disposition(known []version, hash events.Hash) string {
	for _, v := range known {
		if v.hash == hash {
			return Duplicate
		}
	}
	if len(known) > 0 {
		return Conflict
	}
	return Accepted
}

var (
	eventLogColumns = []string{"sequence", "source", "id", "hash", "wire_hash", "type", "about", "subject", "department",
		"recorded_at", "headers", "body"}
	arrivalColumns    = []string{"sequence", "disposition", "recorded_at", "recorded_high"}
	quarantineColumns = []string{"sequence", "recorded_at", "subject", "source", "department", "reason", "problems", "headers", "body"}
	linkColumns       = []string{"sequence", "subject", "other_case"}
	conflictColumns   = []string{"sequence", "with_sequence"}
)

// writeArchive files every arrival: one disposition each, the bytes of what was
// taken or set aside, and the books by source. It returns the greatest recorded
// time so far.
func writeArchive(ctx context.Context, tx pgx.Tx, arrivals []arrival, high time.Time) (time.Time, error) {
	var logged, dispositions, quarantined, links, conflicts [][]any
	for _, a := range arrivals {
		at := a.Time.UTC().Truncate(time.Microsecond)
		if at.After(high) {
			high = at
		}
		sequence := int64(a.Sequence)
		dispositions = append(dispositions, []any{sequence, a.Disposition, at, high})
		switch a.Disposition {
		case Accepted, Conflict:
			e, wire := a.Event, events.WireHash(a.Header, a.Data)
			kind, _ := events.Lookup(e.Type)
			logged = append(logged, []any{sequence, e.Source, e.ID, a.Hash[:], wire[:], string(e.Type), string(kind.About),
				e.Subject, e.Department, at, headersOf(a.Header), a.Data})
			for _, other := range linksOf(e) {
				links = append(links, []any{sequence, e.Subject, other})
			}
			for _, v := range a.Rivals {
				conflicts = append(conflicts, []any{sequence, int64(v.sequence)})
			}
		case Quarantined:
			source, department := a.claimed()
			problems, err := json.Marshal(a.Problems)
			if err != nil {
				return high, fmt.Errorf("write quarantine seq=%d: %w", a.Sequence, err)
			}
			quarantined = append(quarantined, []any{sequence, at, a.Subject, source, department, a.reason(), string(problems),
				headersOf(a.Header), a.Data})
		}
	}
	for _, t := range []struct {
		name    string
		columns []string
		rows    [][]any
	}{
		{"event_log", eventLogColumns, logged}, {"arrival", arrivalColumns, dispositions},
		{"quarantine", quarantineColumns, quarantined}, {"case_link", linkColumns, links},
		{"conflict", conflictColumns, conflicts},
	} {
		if len(t.rows) == 0 {
			continue
		}
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{t.name}, t.columns, pgx.CopyFromRows(t.rows)); err != nil {
			return high, fmt.Errorf("copy into %s: %w", t.name, err)
		}
	}
	return high, countIntake(ctx, tx, arrivals)
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
	type key struct{ source, department, disposition string }
	index := map[key]int{}
	var (
		sources, departments, dispositions []string
		counts, last                       []int64
		times                              []time.Time
	)
	for _, a := range arrivals {
		source, department := a.claimed()
		k := key{source, department, a.Disposition}
		i, seen := index[k]
		if !seen {
			i = len(sources)
			index[k] = i
			sources, departments, dispositions = append(sources, source), append(departments, department), append(dispositions, a.Disposition)
			counts, last, times = append(counts, 0), append(last, 0), append(times, time.Time{})
		}
		counts[i]++
		last[i], times[i] = int64(a.Sequence), a.Time.UTC().Truncate(time.Microsecond)
	}
	if _, err := tx.Exec(ctx, countIntakeSQL, sources, departments, dispositions, counts, last, times); err != nil {
		return fmt.Errorf("count intake: %w", err)
	}
	return nil
}
