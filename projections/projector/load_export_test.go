package projector

import (
	"context"
	"iter"

	"lensledger/events/stream"
)

// FileArchiveDoubting is FileArchive with a filter so small that it takes nearly
// every identity for one that may have come before.
func (p *Projector) FileArchiveDoubting(ctx context.Context, messages iter.Seq[stream.Message]) (uint64, error) {
	return p.fileArchive(ctx, messages, newIdentityFilter(64))
}
