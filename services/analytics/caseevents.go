package analytics

import (
	"context"
	"net/http"

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
	Next   *uint64          `json:"next"` // after= of the next page; null at the end
}

// getCaseEvents serves GET /v1/cases/{case}/events.
func (s *Service) getCaseEvents(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	query, err := readQuery(r, "as_of", "after", "limit")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := readPage(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var next *uint64
	s.answer(w, r, question{
		reader: Reader(who), query: query,
		header: func(h http.Header) {
			if next != nil {
				linkNext(h, r, query, *next)
			}
		},
		answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
			code := mux.Vars(r)["case"]
			codes, err := codesOf(r.Context(), tx, who, &code, asOf)
			if err != nil {
				return nil, err
			}
			list, more, err := listCaseEvents(r.Context(), tx, codes, p, asOf)
			if err != nil {
				return nil, err
			}
			if len(list) == 0 && p.After == 0 {
				return nil, web.NotFound()
			}
			if more {
				next = &list[len(list)-1].Sequence
			}
			return caseEvents{Basis: basis(asOf), Case: code, N: len(list), Events: list, Next: next}, nil
		},
	})
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

func listCaseEvents(ctx context.Context, tx pgx.Tx, codes []string, p page, asOf archive.AsOf) (list []archive.Stored, more bool, err error) {
	if list, err = archive.Events(ctx, tx, codes, p.After, asOf.Position, p.Limit+1); err != nil {
		return nil, false, err
	}
	if more = len(list) > p.Limit; more {
		list = list[:p.Limit]
	}
	return list, more, nil
}
