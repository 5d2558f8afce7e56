package analytics

import (
	"errors"
	"net/http"
	"net/url"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// FiguresReader may sum up one department and read nothing else. It is for those
// who may have a department's sums but not its rows; whether somebody may is
// settled before it is taken.
func FiguresReader(departmentCode string) pg.Actor {
	return pg.Actor{Role: "figures", Departments: []string{departmentCode}}
}

// benchmarks is the answer: the department's figures and, when a view is asked
// for, those of its surgeons.
type benchmarks struct {
	department.Benchmarks
	Words     string                     `json:"words"`
	View      string                     `json:"view,omitempty"`
	BySurgeon []department.SurgeonFigure `json:"by_surgeon,omitempty"`
}

// getBenchmarks serves GET /v1/departments/{department}/benchmarks.
func (s *Service) getBenchmarks(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "from", "to", "as_of", "view")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	period, err := readPeriod(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view, err := oneOf(query, "view", department.Views...)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	code := mux.Vars(r)["department"]
	reader := FiguresReader(code)
	if who.Role == access.Quality {
		reader = Reader(who)
	} else if view != "" {
		s.fail(w, r, &web.Error{Code: web.CodeForbidden, Message: "Figures by surgeon are for the department's quality officer. Ask without view."})
		return
	}
	s.answer(w, r, question{reader: reader, query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		figures, err := department.Read(r.Context(), tx, code, period, asOf)
		if err != nil {
			return nil, err
		}
		b := benchmarks{Benchmarks: figures, View: view, Words: RuptureWords(figures.CapsuleRupture)}
		if view != "" {
			of, err := department.BySurgeon(r.Context(), tx, []string{view}, code, period, asOf)
			if err != nil {
				return nil, err
			}
			b.BySurgeon = of[0]
		}
		return b, nil
	}})
}

// readPeriod reads from and to, and says which of them is at fault.
func readPeriod(query url.Values) (department.Period, error) {
	from, to := query.Get("from"), query.Get("to")
	period, err := department.ParsePeriod(from, to)
	if !errors.Is(err, department.ErrPeriod) {
		return period, err
	}
	var faults []web.Fault
	for _, p := range []struct{ name, value string }{{"from", from}, {"to", to}} {
		if p.value == "" {
			faults = append(faults, web.Fault{Pointer: "?" + p.name, Code: "missing", Detail: "missing, required: a day such as 2025-03-12 or a month such as 2025-03"})
		} else if _, err := department.ParsePeriod(p.value, p.value); err != nil {
			faults = append(faults, web.Fault{Pointer: "?" + p.name, Code: faultInvalid, Detail: "allowed: a day such as 2025-03-12 or a month such as 2025-03"})
		}
	}
	if len(faults) == 0 {
		faults = append(faults, web.Fault{Pointer: "?to", Code: "out-of-range", Detail: "found a day before from, allowed from on"})
	}
	return period, badQuery(faults...)
}
