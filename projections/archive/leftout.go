package archive

import (
	"context"
	_ "embed"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/count_quarantined.sql
	countQuarantinedSQL string
	//go:embed sql/quarantined_cases.sql
	quarantinedCasesSQL string
	//go:embed sql/count_conflicts.sql
	countConflictsSQL string
)

// otherNouns are the nouns of events that are about no case: in quarantine the
// broker's subject has them even where the event itself can't be read.
var otherNouns = func() []string {
	nouns := []string{}
	for _, e := range events.Catalogue {
		if noun, _, _, ok := e.Type.Parts(); ok && (e.About == events.AboutSurgeon || e.About == events.AboutChart) && !slices.Contains(nouns, noun) {
			nouns = append(nouns, noun)
		}
	}
	return nouns
}()

// QuarantineCount is how many events of one source and department could not be
// taken for one reason.
type QuarantineCount struct {
	Source     string `json:"source"`
	Department string `json:"department"`
	Reason     string `json:"reason"`
	Waiting    int    `json:"waiting"`
	Released   int    `json:"released"` // sent again
	Cases      int    `json:"cases"`    // that those which wait are readably about
}

// QuarantineCounts counts what is in quarantine up to a position, as far as the
// reader may see it, sorted by source, department and reason. No departments mean
// all.
func QuarantineCounts(ctx context.Context, tx pgx.Tx, position uint64, departments ...string) ([]QuarantineCount, error) {
	list, err := pg.Structs[QuarantineCount](ctx, tx, countQuarantinedSQL, int64(position), departments, otherNouns)
	if err != nil {
		return nil, fmt.Errorf("count quarantine: %w", err)
	}
	if list == nil {
		list = []QuarantineCount{}
	}
	return list, nil
}

// LeftOut is what was received for a department, of whatever period, and set aside:
// what can't be read has no day of operation.
type LeftOut struct {
	Waiting     int               `json:"waiting"`     // events in quarantine
	Quarantined []QuarantineCount `json:"quarantined"` // of them, by source and reason
	InConflict  int               `json:"in_conflict"` // identities that came with more than one content, settled by an amendment since or not
	Unreadable  int               `json:"unreadable"`  // events in quarantine that name no readable case
	CaseCodes   []string          `json:"-"`           // of those that name one, each once, sorted
}

// CountLeftOut counts what the figures of each of some departments leave out, as of
// a position.
func CountLeftOut(ctx context.Context, tx pgx.Tx, departments []string, asOf AsOf) (map[string]*LeftOut, error) {
	out := make(map[string]*LeftOut, len(departments))
	for _, code := range departments {
		out[code] = &LeftOut{Quarantined: []QuarantineCount{}}
	}
	counts, err := QuarantineCounts(ctx, tx, asOf.Position, departments...)
	if err != nil {
		return nil, err
	}
	for _, q := range counts {
		of := out[q.Department]
		of.Quarantined = append(of.Quarantined, q)
		of.Waiting += q.Waiting
	}
	if err := setAside(ctx, tx, departments, asOf, out); err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, countConflictsSQL, int64(asOf.Position), departments)
	if err != nil {
		return nil, fmt.Errorf("count conflicts: %w", err)
	}
	var department string
	var identities int
	if _, err := pgx.ForEachRow(rows, []any{&department, &identities}, func() error {
		out[department].InConflict = identities
		return nil
	}); err != nil {
		return nil, fmt.Errorf("count conflicts: %w", err)
	}
	return out, nil
}

// setAside fills in which cases the events in quarantine are about.
func setAside(ctx context.Context, tx pgx.Tx, departments []string, asOf AsOf, out map[string]*LeftOut) error {
	rows, err := tx.Query(ctx, quarantinedCasesSQL, int64(asOf.Position), departments, otherNouns)
	if err != nil {
		return fmt.Errorf("list cases in quarantine: %w", err)
	}
	var department, code string
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&department, &code, &n}, func() error {
		if code == "" {
			out[department].Unreadable += n
			return nil
		}
		out[department].CaseCodes = append(out[department].CaseCodes, code)
		return nil
	}); err != nil {
		return fmt.Errorf("list cases in quarantine: %w", err)
	}
	return nil
}
