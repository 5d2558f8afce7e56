package analytics

import (
	"net/http"
	"slices"
	"strings"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/services/access"
	"lensledger/services/web"
)

// getFunnel serves GET /v1/funnels/{outcome}.
func (s *Service) getFunnel(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "from", "to", "by", "view", "department", "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	period, err := readPeriod(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	by, err := oneOf(query, "by", "department", "surgeon")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view, err := oneOf(query, "view", department.FunnelViews...)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	request := department.FunnelRequest{Outcome: mux.Vars(r)["outcome"], BySurgeon: by == "surgeon", View: view,
		Departments: who.Departments, Period: period, Suppressed: who.Role != access.Quality}
	if err := checkFunnel(who, &request, query.Get("department")); err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: departmentsReader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		funnel, err := department.ReadFunnel(r.Context(), tx, request, asOf)
		return funnel, monthsFault(err)
	}})
}

// checkFunnel refuses what isn't asked of a funnel, and narrows it to one
// department.
func checkFunnel(who access.Actor, request *department.FunnelRequest, code string) error {
	if !slices.Contains(department.FunnelOutcomes, request.Outcome) {
		return web.NotFound()
	}
	if code != "" {
		if !who.InDepartment(code) {
			return web.NotFound()
		}
		request.Departments = []string{code}
	}
	if !request.BySurgeon {
		if request.View != "" {
			return badQuery(web.Fault{Pointer: "?view", Code: "not-allowed", Detail: "allowed with by=surgeon alone"})
		}
		return nil
	}
	if who.Role != access.Quality {
		return &web.Error{Code: web.CodeForbidden, Message: "A funnel of surgeons is for the department's quality officer. Ask by=department."}
	}
	if !slices.Contains(department.SurgeonOutcomes, request.Outcome) {
		return badQuery(web.Fault{Pointer: "?by", Code: "not-allowed",
			Detail: "by=surgeon is for " + strings.Join(department.SurgeonOutcomes, " and ") + ": a surgeon's own share in this outcome is small"})
	}
	return nil
}
