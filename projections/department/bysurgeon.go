package department

import (
	"context"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
)

// Views of whose a rupture is.
const (
	ViewResponsible   = "responsible-consultant" // governance
	ViewFirstOperator = "first-operator"         // intention to operate
	ViewCause         = "operator-at-cause"      // learning
)

// Views lists them in the order shown.
var Views = []string{ViewResponsible, ViewFirstOperator, ViewCause}

// SurgeonFigure is one surgeon's rupture figure under one view.
type SurgeonFigure struct {
	Surgeon string `json:"surgeon"`
	RuptureFigure
}

// BySurgeon gives the department's rupture figures by surgeon under each of some
// views, sorted by code: never a ranking. Under ViewCause the operations are those
// in which the surgeon operated from sculpting through cortex aspiration or was
// stopped unplanned; a rupture of undetermined cause is nobody's there.
func BySurgeon(ctx context.Context, tx pgx.Tx, views []string, department string, p Period, asOf archive.AsOf) ([][]SurgeonFigure, error) {
	rows, err := outcome.Rows(ctx, tx, department, p.From, p.To, asOf)
	if err != nil {
		return nil, err
	}
	rows = slices.DeleteFunc(rows, func(r outcome.Row) bool { return ExcludedReason(r) != "" })
	out := make([][]SurgeonFigure, len(views))
	for i, view := range views {
		sums := surgeonSums{}
		switch view {
		case ViewResponsible:
			for _, r := range rows {
				if r.ResponsibleConsultant != "" {
					sums.add(r.ResponsibleConsultant, r, r.Rupture)
				}
			}
		case ViewFirstOperator:
			for _, r := range rows {
				sums.add(r.FirstOperator, r, r.Rupture)
			}
		case ViewCause:
			entries, err := learning.EntriesIn(ctx, tx, department, p.From, p.To, asOf)
			if err != nil {
				return nil, err
			}
			sums.addCauses(rows, entries)
		}
		if out[i], err = sums.figures(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// surgeonSums add up operations by surgeon.
type surgeonSums map[string]*struct{ events, n, expected int64 }

func (s surgeonSums) add(surgeon string, r outcome.Row, event bool) {
	if s[surgeon] == nil {
		s[surgeon] = &struct{ events, n, expected int64 }{}
	}
	sum := s[surgeon]
	sum.n, sum.expected = sum.n+1, sum.expected+r.ExpectedNano
	if event {
		sum.events++
	}
}

func (s surgeonSums) addCauses(rows []outcome.Row, entries []learning.Entry) {
	byCase := make(map[string]outcome.Row, len(rows))
	for _, r := range rows {
		byCase[r.CaseCode] = r
	}
	for _, e := range entries {
		r, counts := byCase[e.CaseCode]
		caused := r.Rupture && r.RuptureCause == e.Surgeon
		if counts && (e.Enters || caused) {
			s.add(e.Surgeon, r, caused)
		}
	}
}

// figures are sorted by the surgeons' codes.
func (s surgeonSums) figures() ([]SurgeonFigure, error) {
	out := make([]SurgeonFigure, 0, len(s))
	for _, surgeon := range slices.Sorted(maps.Keys(s)) {
		sum := s[surgeon]
		f, err := Rupture(int(sum.events), int(sum.n), sum.expected)
		if err != nil {
			return nil, err
		}
		out = append(out, SurgeonFigure{surgeon, f})
	}
	return out, nil
}
