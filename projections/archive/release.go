package archive

import (
	"context"
	_ "embed"
	"fmt"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

//go:embed sql/release_subjects.sql
var releaseSubjectsSQL string

// ReleasesAt folds the codes under which figures of some departments were released,
// as they stood at a position, sorted by code.
func ReleasesAt(ctx context.Context, tx pgx.Tx, departments []string, position uint64) ([]fold.Chart, error) {
	codes, err := pg.Values[string](ctx, tx, releaseSubjectsSQL, departments, int64(position), string(events.TypeFiguresReleased))
	if err != nil {
		return nil, fmt.Errorf("list releases: %w", err)
	}
	sets, err := Load(ctx, tx, codes, position)
	if err != nil {
		return nil, err
	}
	out := make([]fold.Chart, 0, len(codes))
	for _, s := range Subjects(codes, sets, events.AboutChart) {
		out = append(out, fold.FoldChart(s))
	}
	return out, nil
}
