package analytics

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/url"
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

// figuresRequest is a question about figures: what an auditor gets has left the
// departments, so that its small numbers are held back.
type figuresRequest struct {
	who    access.Actor
	query  url.Values
	period department.Period
	chosen []string // none means all of the caller's
}

func (q figuresRequest) leaves() bool { return q.who.Role != access.Quality }

func (q figuresRequest) read(ctx context.Context, tx pgx.Tx, asOf archive.AsOf) (department.Figures, error) {
	f, err := department.ReadFigures(ctx, tx, q.who.Departments, q.period, asOf, q.leaves(), q.chosen...)
	return f, monthsFault(err)
}

// figuresAsked reads a question about figures; others are the parameters that it
// takes besides.
func figuresAsked(r *http.Request, others ...string) (figuresRequest, error) {
	var q figuresRequest
	var err error
	if q.who, q.query, err = asked(r, append([]string{"from", "to", "by", "departments"}, others...)...); err != nil {
		return q, err
	}
	if q.period, err = readPeriod(q.query); err != nil {
		return q, err
	}
	if _, err = oneOf(q.query, "by", "department"); err != nil {
		return q, err
	}
	q.chosen, err = chosenDepartments(q.who, q.query)
	return q, err
}

// chosenDepartments reads a list of the caller's own departments.
func chosenDepartments(who access.Actor, query url.Values) ([]string, error) {
	if !query.Has("departments") {
		return nil, nil
	}
	chosen := strings.Split(query.Get("departments"), ",")
	for _, code := range chosen {
		if !who.InDepartment(code) {
			return nil, badQuery(web.Fault{Pointer: "?departments", Code: "not-allowed",
				Detail: fmt.Sprintf("found %q, allowed those of your departments, with commas between: %s", short(code), strings.Join(who.Departments, ", "))})
		}
	}
	return chosen, nil
}

// getFigures serves GET /v1/figures.
func (s *Service) getFigures(w http.ResponseWriter, r *http.Request) {
	request, err := figuresAsked(r, "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := question{reader: departmentsReader(request.who), query: request.query, form: accepted(r.Header.Get("Accept"), mediaJSON, mediaCSV)}
	form := map[string]string{mediaJSON: department.FormJSON, mediaCSV: department.FormCSV}[q.form]
	q.answer = func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		figures, err := request.read(r.Context(), tx, asOf)
		if err != nil {
			return nil, err
		}
		return figures.Encode(form)
	}
	q.write = func(w http.ResponseWriter, body any) { writeFigures(w, q.form, body.([]byte)) }
	s.answer(w, r, q)
}

// getManifest serves GET /v1/figures/manifest.
func (s *Service) getManifest(w http.ResponseWriter, r *http.Request) {
	request, err := figuresAsked(r, "as_of", "form")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	form, err := oneOf(request.query, "form", department.Forms...)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: departmentsReader(request.who), query: request.query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		figures, err := request.read(r.Context(), tx, asOf)
		if err != nil {
			return nil, err
		}
		return figures.Manifest(cmp.Or(form, department.FormJSON))
	}})
}

// getFigureChanges serves GET /v1/figures/changes.
func (s *Service) getFigureChanges(w http.ResponseWriter, r *http.Request) {
	request, err := figuresAsked(r, "before", "after")
	if err == nil && request.query.Get("before") == "" {
		err = badQuery(web.Fault{Pointer: "?before", Code: "missing", Detail: "missing, required: a position of the record, or a time with an offset such as 2025-03-12T10:41:07+00:00"})
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: departmentsReader(request.who), query: request.query, answer: func(tx pgx.Tx, _ archive.AsOf) (any, error) {
		var at [2]archive.AsOf
		for i, name := range []string{"before", "after"} {
			var err error
			at[i], err = archive.Resolve(r.Context(), tx, request.query.Get(name))
			if errors.Is(err, archive.ErrAsOf) {
				return nil, badQuery(web.Fault{Pointer: "?" + name, Code: faultInvalid, Detail: name + strings.TrimPrefix(err.Error(), "as_of")})
			}
			if err != nil {
				return nil, err
			}
		}
		changes, err := department.ReadChanges(r.Context(), tx, request.who.Departments, request.period, at[0], at[1], request.leaves(), request.chosen...)
		if errors.Is(err, department.ErrMoments) {
			return nil, badQuery(web.Fault{Pointer: "?after", Code: "out-of-range",
				Detail: fmt.Sprintf("found position %d, allowed from before on, which is position %d", at[1].Position, at[0].Position)})
		}
		return changes, monthsFault(err)
	}})
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
