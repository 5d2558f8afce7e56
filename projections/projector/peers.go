package projector

import (
	"context"
	_ "embed"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/learning"
)

//go:embed sql/load_steps.sql
var loadStepsSQL string

// appliedTimes brings a surgeon's step times to the batch's difference; held stays
// as it was. A case of the batch is held from then on, with or without a step.
func appliedTimes(held map[string][]learning.StepTime, code string, before, after *rowset) map[string][]learning.StepTime {
	out := map[string][]learning.StepTime{}
	for k := range before.rows[tableStep] {
		if k[1] == code {
			out[k[0]] = nil
		}
	}
	for k := range after.rows[tableEntry] {
		if k[1] == code {
			out[k[0]] = nil
		}
	}
	for k, row := range after.rows[tableStep] {
		if k[1] == code {
			e := row.(learning.StepEntry)
			out[k[0]] = learning.TimesOf(e.Steps, e.Seconds)
		}
	}
	if len(out) == 0 {
		return held
	}
	for k, v := range held {
		if _, changed := out[k]; !changed {
			out[k] = v
		}
	}
	return out
}

// storedSteps are an entry's steps as the table holds them.
type storedSteps struct {
	Surgeon  string
	CaseCode string
	Steps    []string
	Seconds  []*int32
}

// loadTimes reads the step times that the peer bands need and a state doesn't hold:
// all of them for a surgeon not seen before, else those of cases that moved into a
// band. What is no longer needed is dropped.
func loadTimes(ctx context.Context, tx pgx.Tx, states map[string]*surgeonState) error {
	var surgeons, cases []string
	for code, s := range states {
		banded := learning.Banded(s.standing, s.entries)
		kept := make(map[string][]learning.StepTime, len(banded))
		for _, c := range banded {
			times, held := s.times[c]
			if !held {
				surgeons, cases = append(surgeons, code), append(cases, c)
			}
			kept[c] = times
		}
		s.times = kept
	}
	if len(cases) == 0 {
		return nil
	}
	rows, err := tx.Query(ctx, loadStepsSQL, surgeons, cases)
	if err != nil {
		return fmt.Errorf("load step entries: %w", err)
	}
	var r storedSteps
	_, err = pgx.ForEachRow(rows, []any{&r.Surgeon, &r.CaseCode, &r.Steps, &r.Seconds}, func() error {
		states[r.Surgeon].times[r.CaseCode] = learning.TimesOf(r.Steps, r.Seconds)
		return nil
	})
	if err != nil {
		return fmt.Errorf("load step entries: %w", err)
	}
	return nil
}

// band makes the peer bands anew.
func (s *surgeonState) band() { s.bands = learning.PeerBandsOf(s.standing, s.entries, s.times) }

// addBands adds the peer bands that changed to both sides of the difference.
func addBands(before, after *rowset, was, now []learning.PeerBand) {
	same := func(a learning.PeerBand) func(learning.PeerBand) bool {
		return func(b learning.PeerBand) bool {
			return a.Key() == b.Key() && slices.Equal(a.Steps, b.Steps) && slices.Equal(a.Counts, b.Counts) && slices.Equal(a.Seconds, b.Seconds)
		}
	}
	for _, b := range was {
		if !slices.ContainsFunc(now, same(b)) {
			before.add(tableBand, b)
		}
	}
	for _, b := range now {
		if !slices.ContainsFunc(was, same(b)) {
			after.add(tableBand, b)
		}
	}
}
