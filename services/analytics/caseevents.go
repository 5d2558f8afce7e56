package analytics

import (
	"context"
	_ "embed"
	"encoding/hex"
	"fmt"
	"net/http"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/outcome"
	"lensledger/services/access"
	"lensledger/services/web"
)

//go:embed sql/list_case_events.sql
var listCaseEventsSQL string

// caseEvents is the answer: archived events about a case, in the order in which
// they were recorded, corrections and conflicts included.
type caseEvents struct {
	Basis
	Case   string          `json:"case"`
	N      int             `json:"n"`
	Events []ArchivedEvent `json:"events"`
	Next   *uint64         `json:"next"` // after= of the next page; null at the end
}

// ArchivedEvent is one event as it was received. Body is the text of its bytes;
// Hash is the sha256 of its canonical form, WireHash that of the bytes and
// headers.
type ArchivedEvent struct {
	Sequence   uint64        `json:"sequence"`
	RecordedAt time.Time     `json:"recorded_at"`
	Source     string        `json:"source"`
	ID         string        `json:"id"`
	Type       string        `json:"type"`
	Subject    string        `json:"subject"`
	Department string        `json:"department"`
	Hash       string        `json:"hash"`
	WireHash   string        `json:"wire_hash"`
	Headers    events.Header `json:"headers"`
	Body       string        `json:"body"`
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

func listCaseEvents(ctx context.Context, tx pgx.Tx, codes []string, p page, asOf archive.AsOf) (list []ArchivedEvent, more bool, err error) {
	rows, err := tx.Query(ctx, listCaseEventsSQL, codes, int64(p.After), int64(asOf.Position), p.Limit+1)
	if err != nil {
		return nil, false, fmt.Errorf("list events of a case: %w", err)
	}
	list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (ArchivedEvent, error) {
		var e ArchivedEvent
		var sequence int64
		var hash, wire, body []byte
		err := row.Scan(&sequence, &e.RecordedAt, &e.Source, &e.ID, &e.Type, &e.Subject, &e.Department, &hash, &wire, &e.Headers, &body)
		e.Sequence, e.Hash, e.WireHash, e.Body = uint64(sequence), hex.EncodeToString(hash), hex.EncodeToString(wire), string(body)
		e.RecordedAt = e.RecordedAt.UTC()
		if e.Headers == nil {
			e.Headers = events.Header{}
		}
		return e, err
	})
	if err != nil {
		return nil, false, fmt.Errorf("list events of a case: %w", err)
	}
	if more = len(list) > p.Limit; more {
		list = list[:p.Limit]
	}
	return list, more, nil
}
