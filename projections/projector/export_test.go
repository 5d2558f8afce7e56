package projector

import (
	"context"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
)

// BeforeApply has f called right before each batch is applied; for tests that end
// the process, or hold it up, in the middle of its work.
func (p *Projector) BeforeApply(f func(batch []stream.Message)) { p.handling = f }

// ErrRebuiltElsewhere is what a projector finds whose copy has gone.
var ErrRebuiltElsewhere = errRebuiltElsewhere

// FillNext is the first part of a rebuild, FinishNext what comes after it, without
// the swap: for tests of two rebuilds at once.
func (p *Projector) FillNext(ctx context.Context) (uint64, error) {
	if err := p.dropSchema(ctx, p.next()); err != nil {
		return 0, err
	}
	return p.fill(ctx, p.next())
}

// FinishNext brings the copy that FillNext made up to the live position.
func (p *Projector) FinishNext(ctx context.Context, position uint64) error {
	position, err := p.follow(ctx, p.next(), position)
	if err != nil {
		return err
	}
	return p.locked(ctx, p.next(), position, func(pgx.Tx) error { return nil })
}
