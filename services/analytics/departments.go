package analytics

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/services/access"
	"lensledger/services/web"
)

// departmentAnswer answers a question about one department's period.
type departmentAnswer func(r *http.Request, tx pgx.Tx, code string, period department.Period, asOf archive.AsOf) (any, error)

// ofDepartment serves a question about a department's period. Others than its
// quality officer read its sums alone.
func (s *Service) ofDepartment(answer departmentAnswer) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s.askDepartment(w, r, nil, func(url.Values) (departmentAnswer, error) { return answer, nil })
	}
}

func (s *Service) askDepartment(w http.ResponseWriter, r *http.Request, more []string, read func(url.Values) (departmentAnswer, error)) {
	who, query, err := asked(r, append([]string{"from", "to", "as_of"}, more...)...)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	period, err := readPeriod(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	answer, err := read(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	code := mux.Vars(r)["department"]
	reader := FiguresReader(code)
	if who.Role == access.Quality {
		reader = Reader(who)
	}
	s.answer(w, r, question{reader: reader, query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		return answer(r, tx, code, period, asOf)
	}})
}

// getLensConstants serves GET /v1/departments/{department}/lens-constants.
func getLensConstants(r *http.Request, tx pgx.Tx, code string, period department.Period, asOf archive.AsOf) (any, error) {
	eyes, err := department.ReadEyes(r.Context(), tx, code, period, asOf)
	if err != nil {
		return nil, err
	}
	return eyes.LensAdvice()
}

// getAstigmatism serves GET /v1/departments/{department}/astigmatism.
func getAstigmatism(r *http.Request, tx pgx.Tx, code string, period department.Period, asOf archive.AsOf) (any, error) {
	eyes, err := department.ReadEyes(r.Context(), tx, code, period, asOf)
	if err != nil {
		return nil, err
	}
	return eyes.InducedAstigmatism()
}

// getEndophthalmitis serves GET /v1/departments/{department}/endophthalmitis.
func getEndophthalmitis(r *http.Request, tx pgx.Tx, code string, period department.Period, asOf archive.AsOf) (any, error) {
	return department.Endophthalmitis(r.Context(), tx, code, period, asOf)
}

// getRiskModel serves GET /v1/departments/{department}/risk-model.
func getRiskModel(r *http.Request, tx pgx.Tx, code string, period department.Period, asOf archive.AsOf) (any, error) {
	return department.CheckRiskModel(r.Context(), tx, code, period, asOf)
}

// maxTheatreOperations bounds a theatre's count of a period.
const maxTheatreOperations = 1_000_000

// getCompleteness serves GET /v1/departments/{department}/completeness.
func (s *Service) getCompleteness(w http.ResponseWriter, r *http.Request) {
	s.askDepartment(w, r, []string{"theatre_operations"}, func(query url.Values) (departmentAnswer, error) {
		var theatre *int
		if query.Has("theatre_operations") {
			n, err := strconv.Atoi(query.Get("theatre_operations"))
			if err != nil || n < 0 || n > maxTheatreOperations {
				return nil, badQuery(web.Fault{Pointer: "?theatre_operations", Code: "out-of-range",
					Detail: fmt.Sprintf("allowed: a whole number from 0 to %d", maxTheatreOperations)})
			}
			theatre = &n
		}
		return func(r *http.Request, tx pgx.Tx, code string, period department.Period, asOf archive.AsOf) (any, error) {
			return department.Reconcile(r.Context(), tx, code, period, asOf, theatre)
		}, nil
	})
}

// getComparison serves GET /v1/departments/{department}/comparison.
func (s *Service) getComparison(w http.ResponseWriter, r *http.Request) {
	s.askDepartment(w, r, []string{"with_from", "with_to"}, func(query url.Values) (departmentAnswer, error) {
		second, err := department.ParsePeriod(query.Get("with_from"), query.Get("with_to"))
		if err != nil {
			return nil, badQuery(web.Fault{Pointer: "?with_from", Code: faultInvalid, Detail: "with_from and with_to: " + err.Error()})
		}
		return func(r *http.Request, tx pgx.Tx, code string, period department.Period, asOf archive.AsOf) (any, error) {
			compared, err := department.CompareRuptures(r.Context(), tx, code, period, second, asOf)
			if errors.Is(err, department.ErrOverlap) {
				return nil, badQuery(web.Fault{Pointer: "?with_from", Code: faultInvalid, Detail: err.Error()})
			}
			return compared, err
		}, nil
	})
}
