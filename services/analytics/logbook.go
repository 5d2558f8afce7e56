package analytics

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/learning"
	"lensledger/services/web"
)

// logbook is the answer: a stretch of a surgeon's operations, and what all of the
// period's sum up to.
type logbook struct {
	Basis
	N int `json:"n"` // operations of this page
	learning.Logbook
	Next *string `json:"next"`
}

// getLogbook serves GET /v1/surgeons/{surgeon}/logbook.
func (s *Service) getLogbook(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "from", "to", "as_of", "after", "limit")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	from, to, err := readDays(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.readPage(r, query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	surgeon := mux.Vars(r)["surgeon"]
	q := question{reader: Reader(who), query: query, page: p, form: accepted(r.Header.Get("Accept"), mediaJSON, mediaCSV)}
	q.answer = func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		book, err := learning.ReadLogbook(r.Context(), tx, surgeon, from, to, asOf)
		if err != nil {
			return nil, err
		}
		rest := slices.DeleteFunc(book.Cases, func(c learning.LogbookCase) bool { return logbookKey(c) <= p.After })
		out := logbook{Basis: basis(asOf), Logbook: book}
		out.Cases, out.Next = cut(p, asOf, rest, logbookKey)
		out.N = len(out.Cases)
		return out, nil
	}
	if q.form == mediaCSV {
		q.write = func(w http.ResponseWriter, body any) {
			text, err := learning.LogbookCSV(body.(logbook).Cases)
			if err != nil {
				web.WriteError(w, r, err)
				return
			}
			w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
			_, _ = w.Write(text)
		}
	}
	s.answer(w, r, q)
}

// logbookKey sorts as a logbook is sorted.
func logbookKey(c learning.LogbookCase) string {
	return fmt.Sprintf("%019d %s", c.StartedAt.UnixMicro(), c.Case)
}

// readDays reads from and to, days that are both included and may be absent.
func readDays(query url.Values) (from, to time.Time, err error) {
	from, to, fault := learning.ParseDays(query.Get("from"), query.Get("to"))
	switch fault {
	case "":
		return from, to, nil
	case "order":
		return from, to, badQuery(web.Fault{Pointer: "?to", Code: faultInvalid, Detail: "found a period that ends before it begins"})
	}
	return from, to, badQuery(web.Fault{Pointer: "?" + fault, Code: faultInvalid, Detail: "allowed: a day such as 2025-03-12"})
}

// getOutcomes serves GET /v1/surgeons/{surgeon}/outcomes.
func (s *Service) getOutcomes(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	surgeon := mux.Vars(r)["surgeon"]
	s.answer(w, r, question{reader: Reader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		return department.ReadEyesOfSurgeon(r.Context(), tx, surgeon, asOf)
	}})
}
