package department

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// noticeWithin is the number of days within which two infections ask for a look.
// Common practice, no source.
const noticeWithin = 30

// Infection is one eye with an infection inside it within 42 days of its
// operation. Certainty is presumed, culture-proven, or empty when not stated.
type Infection struct {
	Case       string `json:"case"`
	OperatedOn string `json:"operated_on"`
	FoundOn    string `json:"found_on"`
	Days       int    `json:"days"`
	Certainty  string `json:"certainty,omitempty"`
}

// InfectionNotice names infections that were each found within 30 days of the one
// before: to be looked at together, not a finding about anyone.
type InfectionNotice struct {
	Cases []string `json:"cases"`
	From  string   `json:"from"`
	To    string   `json:"to"`
}

// Infections is a department's dated list, never a rate of a surgeon.
type Infections struct {
	Department string            `json:"department"`
	From       string            `json:"from"`
	To         string            `json:"to"`
	AsOf       archive.AsOf      `json:"as_of"`
	Definition string            `json:"definition"`
	N          int               `json:"n"`
	WithinDays int               `json:"within_days"`
	Infections []Infection       `json:"infections"`
	Notices    []InfectionNotice `json:"notices"`
}

// Endophthalmitis lists the infections after a department's operations of a
// period, by the day on which they were found.
func Endophthalmitis(ctx context.Context, tx pgx.Tx, department string, p Period, asOf archive.AsOf) (Infections, error) {
	eyes, err := outcome.Endophthalmitis(ctx, tx, department, p.From, p.To, asOf)
	if err != nil {
		return Infections{}, err
	}
	out := Infections{Department: department, From: p.From.Format(time.DateOnly), To: p.To.Format(time.DateOnly), AsOf: asOf,
		Definition: Definition, N: len(eyes), WithinDays: fold.EndophthalmitisToDay, Infections: []Infection{}}
	slices.SortFunc(eyes, func(a, b outcome.EyeRow) int {
		return cmp.Or(a.EndophthalmitisOn.Compare(*b.EndophthalmitisOn), cmp.Compare(a.CaseCode, b.CaseCode))
	})
	for _, e := range eyes {
		out.Infections = append(out.Infections, Infection{Case: e.CaseCode, OperatedOn: e.OperatedOn.Format(time.DateOnly),
			FoundOn: e.EndophthalmitisOn.Format(time.DateOnly), Days: days(e.OperatedOn, *e.EndophthalmitisOn),
			Certainty: e.EndophthalmitisCertainty})
	}
	out.Notices = notices(eyes)
	return out, nil
}

// notices chains infections, sorted by the day on which they were found.
func notices(eyes []outcome.EyeRow) []InfectionNotice {
	out := []InfectionNotice{}
	for i := 0; i < len(eyes); {
		end := i + 1
		for end < len(eyes) && days(*eyes[end-1].EndophthalmitisOn, *eyes[end].EndophthalmitisOn) <= noticeWithin {
			end++
		}
		if end-i > 1 {
			n := InfectionNotice{From: eyes[i].EndophthalmitisOn.Format(time.DateOnly), To: eyes[end-1].EndophthalmitisOn.Format(time.DateOnly)}
			for _, e := range eyes[i:end] {
				n.Cases = append(n.Cases, e.CaseCode)
			}
			out = append(out, n)
		}
		i = end
	}
	return out
}

func days(from, to time.Time) int { return int(to.Sub(from) / (24 * time.Hour)) }
