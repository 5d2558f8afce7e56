package archive

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

// Newest stands for "as of now": no position is after it.
const Newest uint64 = math.MaxInt64

var (
	//go:embed sql/load_subjects.sql
	loadSubjectsSQL string
	//go:embed sql/expand_links.sql
	expandLinksSQL string
	//go:embed sql/any_link.sql
	anyLinkSQL string
	//go:embed sql/position_at.sql
	positionAtSQL string
	//go:embed sql/recorded_at.sql
	recordedAtSQL string
	//go:embed sql/chart_subjects.sql
	chartSubjectsSQL string
)

// Decode reads an archived event back. What was once accepted decodes for ever:
// an error here means that the archive is damaged.
func Decode(sequence uint64, hash []byte, headers events.Header, body []byte) (fold.Recorded, error) {
	e, problems := events.Decode(headers, body)
	if len(problems) > 0 {
		return fold.Recorded{}, fmt.Errorf("decode archived event seq=%d: %s %s", sequence, problems[0].Pointer, problems[0].Detail)
	}
	r := fold.Recorded{Sequence: sequence, Event: e}
	if copy(r.Hash[:], hash) != len(r.Hash) {
		return fold.Recorded{}, fmt.Errorf("decode archived event seq=%d: a hash of %d bytes", sequence, len(hash))
	}
	return r, nil
}

// Load gives the sets of events of some subjects up to a position. A code without
// events has an empty set.
func Load(ctx context.Context, tx pgx.Tx, codes []string, upTo uint64) (map[string][]fold.Recorded, error) {
	out := make(map[string][]fold.Recorded, len(codes))
	if len(codes) == 0 {
		return out, nil
	}
	rows, err := tx.Query(ctx, loadSubjectsSQL, codes, int64(upTo))
	if err != nil {
		return nil, fmt.Errorf("load subjects: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var (
			sequence   int64
			conflictAt int64
			hash, body []byte
			subject    string
			headers    events.Header
		)
		if err := rows.Scan(&sequence, &hash, &subject, &headers, &body, &conflictAt); err != nil {
			return nil, fmt.Errorf("load subjects: %w", err)
		}
		r, err := Decode(uint64(sequence), hash, headers, body)
		if err != nil {
			return nil, err
		}
		r.ConflictAt = uint64(conflictAt)
		out[subject] = append(out[subject], r)
	}
	return out, rows.Err()
}

// Linked widens case codes to the groups that joins up to a position have ever
// linked. Each given code and everything it reaches appears in exactly one group;
// groups and their codes are sorted.
func Linked(ctx context.Context, tx pgx.Tx, codes []string, upTo uint64) ([][]string, error) {
	codes = slices.Compact(slices.Sorted(slices.Values(codes)))
	linked, err := pg.Values[string](ctx, tx, anyLinkSQL, codes, int64(upTo))
	if err != nil {
		return nil, fmt.Errorf("look for joins: %w", err)
	}
	reach := map[string][]string{}
	if len(linked) > 0 {
		rows, err := tx.Query(ctx, expandLinksSQL, linked, int64(upTo))
		if err != nil {
			return nil, fmt.Errorf("follow joins: %w", err)
		}
		var start, code string
		if _, err := pgx.ForEachRow(rows, []any{&start, &code}, func() error {
			reach[start] = append(reach[start], code)
			return nil
		}); err != nil {
			return nil, fmt.Errorf("follow joins: %w", err)
		}
	}
	done := make(map[string]bool, len(codes))
	groups := make([][]string, 0, len(codes))
	for _, code := range codes {
		if done[code] {
			continue
		}
		group := append(reach[code], code)
		slices.Sort(group)
		for _, c := range group {
			done[c] = true
		}
		groups = append(groups, group)
	}
	return groups, nil
}

// CasesAt folds some cases, and all that are linked to them, as they stood at a
// position. Only cases that straddle the position need it.
func CasesAt(ctx context.Context, tx pgx.Tx, codes []string, position uint64) ([]fold.Case, error) {
	if len(codes) == 0 {
		return nil, nil
	}
	groups, err := Linked(ctx, tx, codes, position)
	if err != nil {
		return nil, err
	}
	sets, err := Load(ctx, tx, slices.Concat(groups...), position)
	if err != nil {
		return nil, err
	}
	var out []fold.Case
	for _, group := range groups {
		out = append(out, fold.Component(Subjects(group, sets, events.AboutCase))...)
	}
	return out, nil
}

// Subjects pairs codes with their sets, leaving out codes that no event of the
// kind is about.
func Subjects(codes []string, sets map[string][]fold.Recorded, about events.About) []fold.Subject {
	out := make([]fold.Subject, 0, len(codes))
	for _, code := range codes {
		if s := (fold.Subject{Code: code, Events: sets[code]}); s.Is(about) {
			out = append(out, s)
		}
	}
	return out
}

// PositionAt turns a time into a position: the largest one such that every
// recorded time up to it is at or before t. It is 0 before the first event.
func PositionAt(ctx context.Context, tx pgx.Tx, t time.Time) (uint64, error) {
	var p int64
	if err := tx.QueryRow(ctx, positionAtSQL, t).Scan(&p); err != nil {
		return 0, fmt.Errorf("find position at %s: %w", t.Format(time.RFC3339), err)
	}
	return uint64(p), nil
}

// RecordedAt is the greatest recorded time up to a position; the zero time when
// nothing was recorded.
func RecordedAt(ctx context.Context, tx pgx.Tx, position uint64) (time.Time, error) {
	var t time.Time
	err := tx.QueryRow(ctx, recordedAtSQL, int64(position)).Scan(&t)
	if errors.Is(err, pgx.ErrNoRows) {
		return time.Time{}, nil
	}
	if err != nil {
		return time.Time{}, fmt.Errorf("read recorded time of position %d: %w", position, err)
	}
	return t.UTC(), nil
}

// ChartsAt folds every chart code as it stood at a position, sorted by code.
func ChartsAt(ctx context.Context, tx pgx.Tx, position uint64) ([]fold.Chart, error) {
	codes, err := pg.Values[string](ctx, tx, chartSubjectsSQL, int64(position))
	if err != nil {
		return nil, fmt.Errorf("list charts: %w", err)
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

// SurgeonAt folds a surgeon as they stood at a position.
func SurgeonAt(ctx context.Context, tx pgx.Tx, code string, position uint64) (fold.Surgeon, error) {
	sets, err := Load(ctx, tx, []string{code}, position)
	if err != nil {
		return fold.Surgeon{}, err
	}
	return fold.FoldSurgeon(fold.Subject{Code: code, Events: sets[code]}), nil
}
