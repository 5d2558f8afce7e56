package archive

import (
	"context"
	_ "embed"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/pg"
)

//go:embed sql/list_intake.sql
var listIntakeSQL string

// IntakeCount is how many events of one source and department came to one
// disposition. Source and department are empty where they could not be read.
type IntakeCount struct {
	Source         string
	Department     string
	Disposition    string
	Events         int64
	LastSequence   int64
	LastRecordedAt time.Time
}

// Intake gives the books on what arrived, as far as the reader may see them,
// sorted by source, department and disposition.
func Intake(ctx context.Context, tx pgx.Tx) ([]IntakeCount, error) {
	list, err := pg.Structs[IntakeCount](ctx, tx, listIntakeSQL)
	if err != nil {
		return nil, fmt.Errorf("read intake: %w", err)
	}
	return list, nil
}
