package analytics

import (
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// Media types of figures.
const (
	mediaJSON = "application/json"
	mediaCSV  = "text/csv"
)

// getFigures serves GET /v1/figures. What an auditor gets has left the departments,
// so that its small numbers are held back.
func (s *Service) getFigures(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "from", "to", "by", "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	period, err := readPeriod(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if _, err := oneOf(query, "by", "department"); err != nil {
		s.fail(w, r, err)
		return
	}
	q := question{reader: departmentsReader(who), query: query, form: accepted(r.Header.Get("Accept"), mediaJSON, mediaCSV)}
	q.answer = func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		figures, err := department.ReadFigures(r.Context(), tx, who.Departments, period, asOf, who.Role != access.Quality)
		if err != nil {
			return nil, monthsFault(err)
		}
		if q.form == mediaCSV {
			return figures.CSV()
		}
		return figures.JSON()
	}
	q.write = func(w http.ResponseWriter, body any) { writeFigures(w, q.form, body.([]byte)) }
	s.answer(w, r, q)
}

// monthsFault tells the client what was wrong with the period.
func monthsFault(err error) error {
	if errors.Is(err, department.ErrMonths) {
		return badQuery(web.Fault{Pointer: "?from", Code: faultInvalid, Detail: err.Error()})
	}
	return err
}

// writeFigures sends bytes with their digest (RFC 9530), which the event
// figures.released carries.
func writeFigures(w http.ResponseWriter, form string, body []byte) {
	if form == mediaCSV {
		form = "text/csv; charset=utf-8; header=present"
	}
	sum := sha256.Sum256(body)
	w.Header().Set("Content-Type", form)
	w.Header().Set("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":")
	_, _ = w.Write(body)
}

// departmentsReader reads for the sums of all of an actor's departments.
func departmentsReader(who access.Actor) pg.Actor {
	if who.Role == access.Quality {
		return Reader(who)
	}
	return pg.Actor{Role: "figures", Departments: who.Departments}
}

// accepted chooses among media types by an Accept header (RFC 9110, 12.5.1); the
// first one when the header says nothing of any.
func accepted(header string, types ...string) string {
	best, weight := types[0], 0.0
	for _, offered := range types {
		if q := weightOf(header, offered); q > weight {
			best, weight = offered, q
		}
	}
	return best
}

// weightOf is the weight of the most specific range that a type is in.
func weightOf(header, offered string) float64 {
	family, _, _ := strings.Cut(offered, "/")
	weight, specific := 0.0, 0
	for _, part := range strings.Split(header, ",") {
		name, params, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		q := 1.0
		if text, ok := params["q"]; ok {
			if q, err = strconv.ParseFloat(text, 64); err != nil || !(q >= 0 && q <= 1) {
				continue
			}
		}
		for rank, at := range []string{"*/*", family + "/*", offered} {
			if name == at && rank+1 > specific {
				weight, specific = q, rank+1
			}
		}
	}
	return weight
}
