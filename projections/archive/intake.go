package archive

import (
	"context"
	_ "embed"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/list_intake.sql
	listIntakeSQL string
	//go:embed sql/count_conflicting.sql
	countConflictingSQL string
	//go:embed sql/unknown_words.sql
	unknownWordsSQL string
)

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

// Troubles are what arrived and counts in no figure, as far as the reader may see
// it.
type Troubles struct {
	Quarantined []QuarantineCount `json:"quarantined"`
	Conflicts   []ConflictCount   `json:"conflicts"`
	Unknown     []UnknownWord     `json:"unknown_words"`
}

// ConflictCount is how many identities of one source and department came with more
// than one content, settled since or not, and how many cases they are about.
type ConflictCount struct {
	Source     string `json:"source"`
	Department string `json:"department"`
	Identities int    `json:"identities"`
	Cases      int    `json:"cases"`
}

// UnknownWord is a word, code or type outside the vocabulary, at its place in the
// events that wait in quarantine for it.
type UnknownWord struct {
	Source     string `json:"source"`
	Department string `json:"department"`
	Field      string `json:"field"` // JSON Pointer; * stands for any place in a list
	Value      string `json:"value"` // as far as the problem quotes it; empty where it quotes none
	Events     int    `json:"events"`
	Cases      int    `json:"cases"` // that these events are readably about
}

// UnknownWordsShown bounds the list of unknown words.
const UnknownWordsShown = 200

// ReadTroubles gives what arrived and counts in no figure, as of now.
func ReadTroubles(ctx context.Context, tx pgx.Tx) (Troubles, error) {
	t := Troubles{Conflicts: []ConflictCount{}, Unknown: []UnknownWord{}}
	var err error
	if t.Quarantined, err = QuarantineCounts(ctx, tx, Newest); err != nil {
		return t, err
	}
	conflicts, err := pg.Structs[ConflictCount](ctx, tx, countConflictingSQL)
	if err != nil {
		return t, fmt.Errorf("count conflicts by source: %w", err)
	}
	unknown, err := pg.Structs[UnknownWord](ctx, tx, unknownWordsSQL, []string{events.CodeNotAllowed, events.CodeUnknownType}, otherNouns, UnknownWordsShown)
	if err != nil {
		return t, fmt.Errorf("list unknown words: %w", err)
	}
	t.Conflicts, t.Unknown = append(t.Conflicts, conflicts...), append(t.Unknown, unknown...)
	return t, nil
}
