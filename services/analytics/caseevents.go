package analytics

import (
	"context"
	"net/http"
	"strconv"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/outcome"
	"lensledger/services/access"
	"lensledger/services/web"
)

// caseEvents is the answer: archived events about a case, in the order in which
// they were recorded, corrections and conflicts included.
type caseEvents struct {
	Basis
	Case   string           `json:"case"`
	N      int              `json:"n"`
	Events []archive.Stored `json:"events"`
	Next   *string          `json:"next"` // after= of the next page; null at the end
}

// getCaseEvents serves GET /v1/cases/{case}/events.
func (s *Service) getCaseEvents(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "as_of", "after", "limit")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.readPage(r, query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	after, err := p.AfterSequence()
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: Reader(who), query: query, page: p, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		code := mux.Vars(r)["case"]
		codes, err := codesOf(r.Context(), tx, who, &code, asOf)
		if err != nil {
			return nil, err
		}
		list, err := archive.Events(r.Context(), tx, codes, after, asOf.Position, p.Limit+1)
		if err != nil {
			return nil, err
		}
		if len(list) == 0 && after == 0 {
			return nil, web.NotFound()
		}
		list, next := cut(p, asOf, list, func(e archive.Stored) string { return strconv.FormatUint(e.Sequence, 10) })
		return caseEvents{Basis: basis(asOf), Case: code, N: len(list), Events: list, Next: next}, nil
	}})
}

// codesOf lists the codes of the operation that a code belongs to, and turns the
// code into the one that carries its facts. An integrator has no rows to know
// them by: to it a code is itself.
func codesOf(ctx context.Context, tx pgx.Tx, who access.Actor, code *string, asOf archive.AsOf) ([]string, error) {
	if who.Role == access.Integrator {
		return []string{*code}, nil
	}
	record, err := outcome.Read(ctx, tx, *code, asOf)
	if err != nil {
		return nil, err
	}
	*code = record.Case.Code
	group, err := archive.CasesAt(ctx, tx, []string{*code}, asOf.Position)
	if err != nil {
		return nil, err
	}
	return append(MergedCodes(*code, group), *code), nil
}
