package projector

import (
	"context"
	_ "embed"
	"errors"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/read_copies.sql
	readCopiesSQL string
	//go:embed sql/find_archived.sql
	findArchivedSQL string
	//go:embed sql/list_erased.sql
	listErasedSQL string
)

// copyRow is what the archive has of one position.
type copyRow struct {
	sequence    int64
	disposition *string
	duplicateOf *int64

	hash, wireHash []byte // of the event's row; nil where there is none
	headers        events.Header
	body           []byte

	subject         *string // of the quarantine's row; nil where there is none
	setAsideHeaders events.Header
	setAsideBody    []byte
}

func (r *copyRow) archived() bool { return r.wireHash != nil }
func (r *copyRow) setAside() bool { return r.subject != nil }

// wire is the hash of the bytes that the archive has of the event.
func (r *copyRow) wire() events.Hash { return events.WireHash(r.headers, r.body) }

// agrees says whether an archived event gives both hashes stored with it.
func (r *copyRow) agrees() bool {
	wire := r.wire()
	if string(wire[:]) != string(r.wireHash) {
		return false
	}
	e, problems := events.Decode(r.headers, r.body)
	if len(problems) > 0 {
		return false
	}
	hash := e.Hash()
	return string(hash[:]) == string(r.hash)
}

// eachCopy reads the archive's side of some positions, one row at a time.
func eachCopy(ctx context.Context, tx pgx.Tx, from, to uint64, do func(*copyRow) error) error {
	rows, err := tx.Query(ctx, readCopiesSQL, int64(from), int64(to))
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var r copyRow
		if err := rows.Scan(&r.sequence, &r.disposition, &r.duplicateOf, &r.hash, &r.wireHash, &r.headers, &r.body,
			&r.subject, &r.setAsideHeaders, &r.setAsideBody); err != nil {
			return err
		}
		if err := do(&r); err != nil {
			if errors.Is(err, errEnough) {
				return nil
			}
			return err
		}
	}
	return rows.Err()
}

// compare holds the positions of a range against each other. messages are the
// stream's, all of the range; nil where only the rows are looked at.
func (w *walk) compare(ctx context.Context, from, to uint64, messages []stream.Message) error {
	w.found.Compared += to - from + 1
	var repeated []repeat
	err := pg.AsWriter(ctx, w.pool, func(tx pgx.Tx) error {
		next := from
		absent := func(until uint64) {
			for ; next < until; next++ {
				w.found.add(Difference{Sequence: next, Copy: CopyArchive, Kind: Missing, Detail: "no disposition and no row"})
			}
		}
		if err := eachCopy(ctx, tx, from, to, func(r *copyRow) error {
			absent(uint64(r.sequence))
			next = uint64(r.sequence) + 1
			var m *stream.Message
			if messages != nil {
				m = &messages[uint64(r.sequence)-from]
			}
			if d, ok := w.differ(r, m); ok {
				d.Sequence = uint64(r.sequence)
				w.found.add(d)
			} else if m != nil && *r.disposition == Duplicate {
				repeated = append(repeated, repeat{r.sequence, r.duplicateOf, *m})
			}
			return nil
		}); err != nil {
			return err
		}
		absent(to + 1)
		return w.compareDuplicates(ctx, tx, repeated)
	})
	return err
}

// differ says what is wrong with one position, if anything is.
func (w *walk) differ(r *copyRow, m *stream.Message) (Difference, bool) {
	archive := func(kind, detail string) (Difference, bool) {
		return Difference{Copy: CopyArchive, Kind: kind, Detail: detail}, true
	}
	if r.disposition == nil {
		return archive(Missing, "a row without a disposition")
	}
	switch *r.disposition {
	case Accepted, Conflict:
		switch {
		case !r.archived():
			return archive(Missing, "disposition "+*r.disposition+", but no row of the event")
		case r.setAside():
			return archive(Extra, "the event is archived and in quarantine too")
		}
		return differEvents(r, m)
	case Quarantined:
		switch {
		case !r.setAside():
			return archive(Missing, "disposition quarantined, but no row in quarantine")
		case r.archived():
			return archive(Extra, "the event is archived and in quarantine too")
		case m != nil && events.WireHash(r.setAsideHeaders, r.setAsideBody) != wireHash(m):
			return Difference{Copy: CopyUnknown, Kind: Changed, Detail: "the message and what is in quarantine differ; an unreadable event has no hash of its own to decide by"}, true
		}
	case Erased:
		if r.archived() {
			return differEvents(r, m)
		}
	case Duplicate:
		if r.archived() || r.setAside() {
			return archive(Extra, "a duplicate has a row")
		}
	}
	return Difference{}, false
}

func wireHash(m *stream.Message) events.Hash { return events.WireHash(eventHeaders(m.Header), m.Data) }

// differEvents holds an archived event against its message and against its own
// hashes, and says which copy is at fault.
func differEvents(r *copyRow, m *stream.Message) (Difference, bool) {
	agrees := r.agrees()
	if m == nil {
		return Difference{Copy: CopyArchive, Kind: Changed, Detail: "the row's bytes don't give its stored hashes"}, !agrees
	}
	of := wireHash(m)
	same := string(of[:]) == string(r.wireHash)
	switch {
	case agrees && same:
		return Difference{}, false
	case !agrees && same:
		return Difference{Copy: CopyArchive, Kind: Changed, Detail: "the row's bytes don't give its stored hashes; the message's bytes do"}, true
	case !agrees && of == r.wire():
		return Difference{Copy: CopyArchive, Kind: Changed, Detail: "a stored hash is wrong; the bytes of both copies are the same"}, true
	case agrees && !keepsItsHash(m):
		return Difference{Copy: CopyStream, Kind: Changed, Detail: "the message's bytes don't give the hash in its message id; the row's give its own"}, true
	case agrees:
		return Difference{Copy: CopyUnknown, Kind: Changed, Detail: "each copy agrees with its own hash, and they are different events"}, true
	case keepsItsHash(m):
		return Difference{Copy: CopyArchive, Kind: Changed, Detail: "the row's bytes don't give its stored hashes; the message's give the hash in its message id"}, true
	}
	return Difference{Copy: CopyUnknown, Kind: Changed, Detail: "neither copy agrees with its own hash"}, true
}

// keepsItsHash says whether a message gives the hash that its message id ends in. One
// without such an id, as after a refill, has nothing to be held against.
func keepsItsHash(m *stream.Message) bool {
	var id string
	for name, values := range m.Header {
		if strings.EqualFold(name, "Nats-Msg-Id") && len(values) > 0 {
			id = values[0]
		}
	}
	e, problems := events.Decode(eventHeaders(m.Header), m.Data)
	if len(problems) > 0 {
		return false
	}
	_, hash, found := cutLast(id, "/")
	return !found || hash == e.Hash().String()[:16]
}

func cutLast(s, separator string) (before, after string, found bool) {
	if i := strings.LastIndex(s, separator); i >= 0 {
		return s[:i], s[i+len(separator):], true
	}
	return s, "", false
}

// repeat is a duplicate's message.
type repeat struct {
	sequence    int64
	duplicateOf *int64
	stream.Message
}

// compareDuplicates holds duplicates against the archived events that they repeat:
// a duplicate may be written in other bytes, but its content is the same.
func (w *walk) compareDuplicates(ctx context.Context, tx pgx.Tx, repeated []repeat) error {
	if len(repeated) == 0 {
		return nil
	}
	var sources, ids []string
	var hashes [][]byte
	for i := range repeated {
		e, problems := events.Decode(eventHeaders(repeated[i].Header), repeated[i].Data)
		hash := e.Hash()
		if len(problems) > 0 {
			e, hash = events.Event{}, events.Hash{}
		}
		sources, ids, hashes = append(sources, e.Source), append(ids, e.ID), append(hashes, hash[:])
	}
	rows, err := tx.Query(ctx, findArchivedSQL, sources, ids, hashes)
	if err != nil {
		return err
	}
	at := make([]int64, len(repeated))
	var nth, sequence int64
	if _, err := pgx.ForEachRow(rows, []any{&nth, &sequence}, func() error {
		at[nth-1] = sequence
		return nil
	}); err != nil {
		return err
	}
	for i, r := range repeated {
		switch {
		case at[i] == 0 || at[i] > r.sequence:
			w.found.add(Difference{Sequence: uint64(r.sequence), Copy: CopyStream, Kind: Changed,
				Detail: "taken as a duplicate, but the message repeats no archived event before it"})
		case r.duplicateOf != nil && *r.duplicateOf != at[i]:
			w.found.add(Difference{Sequence: uint64(r.sequence), Copy: CopyUnknown, Kind: Changed,
				Detail: "the message repeats another event than the one noted at its arrival"})
		}
	}
	return nil
}
