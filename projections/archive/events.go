package archive

import (
	"context"
	_ "embed"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
)

//go:embed sql/list_events.sql
var listEventsSQL string

// Stored is one event as it was received. Body is the text of its bytes;
// Hash is the sha256 of its canonical form, WireHash that of the bytes and
// headers.
type Stored struct {
	Sequence   uint64        `json:"sequence"`
	RecordedAt time.Time     `json:"recorded_at"`
	Source     string        `json:"source"`
	ID         string        `json:"id"`
	Type       string        `json:"type"`
	Subject    string        `json:"subject"`
	Department string        `json:"department"`
	Hash       string        `json:"hash"`
	WireHash   string        `json:"wire_hash"`
	Headers    events.Header `json:"headers"`
	Body       string        `json:"body"`
}

// Events gives the archived events about some case codes, corrections and conflicts
// included, after one position up to another, in the order in which they were
// recorded; at most limit of them.
func Events(ctx context.Context, tx pgx.Tx, codes []string, after, upTo uint64, limit int) ([]Stored, error) {
	rows, err := tx.Query(ctx, listEventsSQL, codes, int64(after), int64(upTo), limit)
	if err != nil {
		return nil, fmt.Errorf("list events of a case: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Stored, error) {
		var e Stored
		var sequence int64
		var hash, wire, body []byte
		err := row.Scan(&sequence, &e.RecordedAt, &e.Source, &e.ID, &e.Type, &e.Subject, &e.Department, &hash, &wire, &e.Headers, &body)
		e.Sequence, e.Hash, e.WireHash, e.Body = uint64(sequence), hex.EncodeToString(hash), hex.EncodeToString(wire), string(body)
		e.RecordedAt = e.RecordedAt.UTC()
		if e.Headers == nil {
			e.Headers = events.Header{}
		}
		return e, err
	})
	if err != nil {
		return nil, fmt.Errorf("list events of a case: %w", err)
	}
	return list, nil
}
