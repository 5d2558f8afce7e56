package archive

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
)

// AsOf is the position of the record that an answer rests on.
type AsOf struct {
	Position   uint64    `json:"position"`
	RecordedAt time.Time `json:"recorded_at"` // greatest recorded time up to the position
	Past       bool      `json:"-"`           // asked for, so that rows after it don't count
}

// ErrAsOf means that an as-of can't be read or lies ahead of the record.
var ErrAsOf = errors.New("as_of is a position of the record, or a time with an offset such as 2025-03-12T10:41:07+00:00")

// Resolve reads an as-of parameter: empty for now, a position, or a time. It
// refuses a position that the read models haven't reached: its answer could
// still change.
func Resolve(ctx context.Context, tx pgx.Tx, asOf string) (AsOf, error) {
	var checkpoint int64
	if err := tx.QueryRow(ctx, "SELECT position FROM checkpoint").Scan(&checkpoint); err != nil {
		return AsOf{}, fmt.Errorf("read checkpoint: %w", err)
	}
	a := AsOf{Position: uint64(checkpoint)}
	if asOf != "" {
		a.Past = true
		if position, err := strconv.ParseUint(asOf, 10, 63); err == nil {
			a.Position = position
		} else if at, err := time.Parse(time.RFC3339, asOf); err == nil {
			if a.Position, err = PositionAt(ctx, tx, at); err != nil {
				return AsOf{}, err
			}
		} else {
			return AsOf{}, fmt.Errorf("%w: found %q", ErrAsOf, asOf)
		}
		if a.Position > uint64(checkpoint) {
			return AsOf{}, fmt.Errorf("%w: found %s, but the record has come to %d", ErrAsOf, asOf, checkpoint)
		}
		// Of the newest position the read models stand as they are.
		a.Past = a.Position < uint64(checkpoint)
	}
	var err error
	a.RecordedAt, err = RecordedAt(ctx, tx, a.Position)
	return a, err
}
