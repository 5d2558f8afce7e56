package analytics

import (
	"context"
	"fmt"
	"net/http"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/learning"
	"lensledger/projections/pg"
)

// progress is the answer: where a surgeon stands by case number, what was said
// about the operations, and what steps take others in the same bands of
// experience.
type progress struct {
	Basis
	learning.Progress
	Words    []string    `json:"words"`
	Feedback feedbackSum `json:"feedback"`
	Peers    peers       `json:"peers"`
}

// feedbackSum is what was said about a surgeon's operations, counted.
type feedbackSum struct {
	feedback.Feedback
	Points []recurrence `json:"teaching_points"`
}

// recurrence is one teaching point before and after the advice.
type recurrence struct {
	feedback.Recurrence
	Words string `json:"words"`
}

// peers are what steps take others. They are of now, whatever as_of says, and of
// no person.
type peers struct {
	AsOf  *archive.AsOf   `json:"as_of"`
	Bands []learning.Peer `json:"bands"`
}

// peersReader may read what others' steps took, and no row of anyone's.
var peersReader = pg.Actor{Role: "figures"}

// feedbackRules stands in the tag of answers that follow from them.
func feedbackRules(pgx.Tx) (string, error) { return feedback.Definition, nil }

// progressRules stand in the tag of a progress: it also follows from the minimums
// that the service is set to.
func (s *Service) progressRules(pgx.Tx) (string, error) {
	return fmt.Sprint(feedback.Definition, s.cfg.Minimums), nil
}

// getProgress serves GET /v1/surgeons/{surgeon}/progress.
func (s *Service) getProgress(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	surgeon := mux.Vars(r)["surgeon"]
	s.answer(w, r, question{reader: Reader(who), query: query, beside: s.progressRules,
		answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
			if err := MaySee(r.Context(), tx, who, surgeon, asOf); err != nil {
				return nil, err
			}
			return s.readProgress(r.Context(), tx, surgeon, asOf)
		},
		after: func(ctx context.Context, body any) (any, error) {
			p := body.(progress)
			p.Peers, err = s.peersOf(ctx, surgeon, p.CaseNumber)
			return p, err
		}})
}

func (s *Service) readProgress(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) (progress, error) {
	stands, err := learning.ReadProgress(ctx, tx, surgeon, asOf)
	if err != nil {
		return progress{}, err
	}
	stands = stands.Against(s.cfg.Minimums)
	said, err := feedback.Points(ctx, tx, surgeon, asOf)
	if err != nil {
		return progress{}, err
	}
	points := make([]recurrence, len(said.Points))
	for i, p := range said.Points {
		points[i] = recurrence{p, p.Words()}
	}
	return progress{Basis: basis(asOf), Progress: stands, Words: ProgressWords(stands), Feedback: feedbackSum{said, points}}, nil
}

// peersOf reads what steps took others in the bands of experience up to a case
// number.
func (s *Service) peersOf(ctx context.Context, surgeon string, number int) (peers, error) {
	var bands []learning.Band
	for _, b := range learning.Bands {
		if b.First <= max(1, number) {
			bands = append(bands, b)
		}
	}
	out := peers{Bands: []learning.Peer{}}
	err := pg.AsActor(ctx, s.cfg.Pool, peersReader, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(ctx, tx, "")
		if err != nil {
			return err
		}
		out.AsOf = &asOf
		found, err := learning.Peers(ctx, tx, surgeon, bands...)
		if err == nil && found != nil {
			out.Bands = found
		}
		return err
	})
	return out, err
}

// ProgressWords says in sentences where a surgeon stands. None of them is a
// verdict, and none says that somebody may operate alone.
func ProgressWords(p learning.Progress) []string {
	number := fmt.Sprintf("%s on record and %s before it make case number %d, in whole cases.",
		Plural(p.WholeCases, "whole case", "whole cases"), Plural(p.PriorWhole, "prior one", "prior ones"), p.CaseNumber)
	if !p.Enrolled {
		number = fmt.Sprintf("%s on record; prior cases aren't, so the case number may be higher.", Plural(p.WholeCases, "whole case", "whole cases"))
	}
	out := []string{number}
	if p.PartCases > 0 {
		out = append(out, Plural(p.PartCases, "part case", "part cases")+" on record beside them.")
	}
	if m := p.NextMinimum; p.Trainee && m != nil {
		out = append(out, fmt.Sprintf("%d more to the published count of %d (%s), which is a count and no proof of anything.", m.Cases-p.CaseNumber, m.Cases, m.Source))
	}
	missing := p.Missing
	switch n := len(missing.Cases); {
	case n > 0:
		out = append(out, fmt.Sprintf("Follow-up is missing for %d of %s: acuity before %d, acuity after %d, refraction %d.",
			n, Plural(missing.Operations, "operation", "operations"), missing.AcuityBefore, missing.AcuityAfter, missing.Refraction))
	case missing.Operations > 0:
		out = append(out, "No follow-up whose time is over is missing.")
	}
	if missing.Waiting > 0 {
		out = append(out, Plural(missing.Waiting, "operation", "operations")+" may still be followed up in time.")
	}
	return out
}
