package projector

import (
	"context"
	_ "embed"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
	"lensledger/projections/pg"
)

//go:embed sql/get_last_event.sql
var getLastEventSQL string

// checkHistory holds the newest event of the archive to the log. A log that was
// restored from an older copy and has gone on since has the right epoch and reaches
// far enough, but other events stand where those projected stood: a
// *stream.HistoryError.
func (p *Projector) checkHistory(ctx context.Context) error {
	var sequence int64
	var body []byte
	err := pg.AsWriter(ctx, p.pool, func(tx pgx.Tx) error {
		return tx.QueryRow(ctx, getLastEventSQL).Scan(&sequence, &body)
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("newest event of the archive: %w", err)
	}
	err = p.stream.Holds(ctx, uint64(sequence), body)
	var history *stream.HistoryError
	if err != nil && !errors.As(err, &history) && !stream.Away(err) && ctx.Err() == nil {
		// A message that can't be read is for the comparison of copies to name.
		p.log.Warn("the newest event couldn't be held to the log", "sequence", sequence, "error", err)
		return nil
	}
	return err
}
