package access

import (
	"net/http"
	"slices"

	"github.com/gorilla/mux"
)

// Scope says which rows a role sees through a route. Require enforces the parts
// of it that stand in the address; the rest is the handler's and the database's.
type Scope string

// The scopes.
const (
	// ScopeNone: the route holds no rows of anyone's, or the same for everyone.
	ScopeNone Scope = "none"
	// ScopeSource: an integrator's own source in its own departments; for a
	// quality officer the department's, for an administrator counts only.
	ScopeSource Scope = "source"
	// ScopeDepartment: rows of the actor's departments.
	ScopeDepartment Scope = "department"
	// ScopeSurgeon: rows of the surgeons of Actor.Surgeons; for a quality
	// officer those of its departments, for an integrator its own source's events.
	ScopeSurgeon Scope = "surgeon"
	// ScopeOperator: who runs the service, by its own token or on its own
	// machine; no person's token opens it.
	ScopeOperator Scope = "operator"
)

// Row is one route and who may use it.
type Row struct {
	Method string
	Route  string // template of the route
	Roles  []Role // empty where Public, or for ScopeOperator
	Scope  Scope
	Public bool // needs no token
	Page   bool // for a person's browser: takes the session cookie as well, and is refused as a page
	Cookie bool // for the script of a page: takes the session cookie, and is refused like any route
}

// Matrix is the one list of routes. A route without a row is refused.
var Matrix = []Row{
	{Method: "POST", Route: "/v1/events", Roles: []Role{Integrator}, Scope: ScopeSource},
	{Method: "GET", Route: "/v1/cases/{case}", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon, Cookie: true},
	{Method: "GET", Route: "/v1/cases/{case}/events", Roles: []Role{Integrator, Trainer, Trainee, Quality}, Scope: ScopeSurgeon},
	{Method: "GET", Route: "/v1/cases/{case}/stage", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon, Cookie: true},
	{Method: "POST", Route: "/v1/cases/{case}/reviews", Roles: []Role{Trainer}, Scope: ScopeSurgeon},
	{Method: "GET", Route: "/v1/reviews", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon},
	{Method: "GET", Route: "/v1/surgeons/{surgeon}/charts", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon, Cookie: true},
	{Method: "GET", Route: "/v1/surgeons/{surgeon}/progress", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon, Cookie: true},
	{Method: "GET", Route: "/v1/surgeons/{surgeon}/outcomes", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon, Cookie: true},
	{Method: "GET", Route: "/v1/surgeons/{surgeon}/logbook", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon},
	{Method: "GET", Route: "/v1/questions", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon},
	{Method: "POST", Route: "/v1/questions/{question}/answers", Roles: []Role{Quality}, Scope: ScopeDepartment},
	{Method: "POST", Route: "/v1/cases/{case}/questions", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon},
	{Method: "GET", Route: "/v1/departments/{department}/charts", Roles: []Role{Quality}, Scope: ScopeDepartment, Cookie: true},
	{Method: "GET", Route: "/v1/departments/{department}/benchmarks", Roles: []Role{Trainer, Quality, Auditor}, Scope: ScopeDepartment, Cookie: true},
	{Method: "GET", Route: "/v1/departments/{department}/comparison", Roles: []Role{Trainer, Quality}, Scope: ScopeDepartment, Cookie: true},
	{Method: "GET", Route: "/v1/departments/{department}/completeness", Roles: []Role{Quality}, Scope: ScopeDepartment},
	{Method: "GET", Route: "/v1/departments/{department}/lens-constants", Roles: []Role{Trainer, Quality}, Scope: ScopeDepartment, Cookie: true},
	{Method: "GET", Route: "/v1/departments/{department}/astigmatism", Roles: []Role{Trainer, Quality}, Scope: ScopeDepartment, Cookie: true},
	{Method: "GET", Route: "/v1/departments/{department}/endophthalmitis", Roles: []Role{Quality}, Scope: ScopeDepartment},
	{Method: "GET", Route: "/v1/departments/{department}/risk-model", Roles: []Role{Quality}, Scope: ScopeDepartment},
	{Method: "GET", Route: "/v1/figures", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Cookie: true},
	{Method: "GET", Route: "/v1/figures/manifest", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment},
	{Method: "GET", Route: "/v1/figures/changes", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment},
	{Method: "GET", Route: "/v1/figures/releases", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment},
	{Method: "POST", Route: "/v1/figures/releases", Roles: []Role{Auditor}, Scope: ScopeDepartment},
	{Method: "GET", Route: "/v1/figures/releases/{release}", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment},
	{Method: "GET", Route: "/v1/funnels/{outcome}", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Cookie: true},
	{Method: "GET", Route: "/v1/alarms", Roles: []Role{Quality}, Scope: ScopeDepartment, Cookie: true},
	{Method: "POST", Route: "/v1/alarms/{alarm}/acknowledgements", Roles: []Role{Quality}, Scope: ScopeDepartment},
	{Method: "POST", Route: "/v1/alarms/{alarm}/assignments", Roles: []Role{Quality}, Scope: ScopeDepartment},
	{Method: "POST", Route: "/v1/alarms/{alarm}/reviews", Roles: []Role{Quality}, Scope: ScopeDepartment},
	{Method: "POST", Route: "/v1/designs", Roles: Roles, Scope: ScopeNone},
	{Method: "POST", Route: "/v1/risks", Roles: Roles, Scope: ScopeNone},
	{Method: "GET", Route: "/v1/intake", Roles: []Role{Integrator, Quality, Administrator}, Scope: ScopeSource},
	{Method: "GET", Route: "/v1/changes", Roles: Roles, Scope: ScopeNone, Cookie: true},
	{Method: "GET", Route: "/v1/quarantine", Roles: []Role{Integrator, Quality}, Scope: ScopeSource},
	{Method: "POST", Route: "/v1/quarantine/{sequence}/replays", Roles: []Role{Quality}, Scope: ScopeDepartment},

	{Method: "GET", Route: "/healthz", Public: true, Scope: ScopeNone},
	{Method: "GET", Route: "/readyz", Public: true, Scope: ScopeNone},
	{Method: "GET", Route: "/metrics", Scope: ScopeOperator},
	{Method: "GET", Route: "/openapi.yaml", Public: true, Scope: ScopeNone},
	{Method: "GET", Route: "/asyncapi.yaml", Public: true, Scope: ScopeNone},
	{Method: "GET", Route: "/schemas/{type}", Public: true, Scope: ScopeNone},

	{Method: "GET", Route: "/", Public: true, Page: true, Scope: ScopeNone},
	{Method: "GET", Route: "/sign-in", Public: true, Page: true, Scope: ScopeNone},
	{Method: "GET", Route: AnswerPath, Public: true, Page: true, Scope: ScopeNone},
	{Method: "POST", Route: "/sign-in", Public: true, Page: true, Scope: ScopeNone},
	{Method: "POST", Route: "/sign-out", Public: true, Page: true, Scope: ScopeNone},
	{Method: "GET", Route: "/assets/{file}", Public: true, Scope: ScopeNone},
	{Method: "GET", Route: "/my/charts", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/my/progress", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/my/reviews", Roles: []Role{Trainer}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/my/planned", Roles: []Role{Trainer}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/my/advice", Roles: []Role{Trainee}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/alarms", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/charts", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/departments/{department}/charts", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/cases/{case}", Roles: []Role{Trainer, Trainee, Quality}, Scope: ScopeSurgeon, Page: true},
	{Method: "POST", Route: "/cases/{case}/reviews", Roles: []Role{Trainer}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/cases/{case}/recording", Roles: []Role{Trainer}, Scope: ScopeSurgeon, Page: true},
	{Method: "POST", Route: "/cases/{case}/recording", Roles: []Role{Trainer}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/my/logbook", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/my/logbook.csv", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon, Page: true},
	{Method: "POST", Route: "/cases/{case}/questions", Roles: []Role{Trainer, Trainee}, Scope: ScopeSurgeon, Page: true},
	{Method: "GET", Route: "/departments/{department}/questions", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "POST", Route: "/departments/{department}/questions/{question}/answers", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/departments/{department}", Roles: []Role{Trainer, Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/departments/{department}/lenses", Roles: []Role{Trainer, Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/departments/{department}/infections", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/departments/{department}/funnel", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/departments/{department}/completeness", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/departments/{department}/risk-model", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/figures", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/figures.csv", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/figures.json", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/figures/manifest.json", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/figures/changes", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/figures/releases", Roles: []Role{Quality, Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "POST", Route: "/figures/releases", Roles: []Role{Auditor}, Scope: ScopeDepartment, Page: true},
	{Method: "POST", Route: "/alarms/{alarm}/acknowledgements", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "POST", Route: "/alarms/{alarm}/assignments", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "POST", Route: "/alarms/{alarm}/reviews", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "POST", Route: "/quarantine/{sequence}/replays", Roles: []Role{Quality}, Scope: ScopeDepartment, Page: true},
	{Method: "GET", Route: "/intake", Roles: []Role{Integrator, Quality, Administrator}, Scope: ScopeSource, Page: true},
	{Method: "POST", Route: "/intake/check", Roles: []Role{Integrator}, Scope: ScopeSource, Page: true},
}

// Allows reports whether the role may use the route at all.
func (row Row) Allows(role Role) bool { return slices.Contains(row.Roles, role) }

// reaches reports whether the codes in the address lie within the actor's scope.
// What it can't know, such as whose a case is, the handler asks the database.
func (row Row) reaches(a Actor, vars map[string]string) bool {
	if department, ok := vars["department"]; ok && !a.InDepartment(department) {
		return false
	}
	if surgeon, ok := vars["surgeon"]; ok && a.Role != Quality && !a.Sees(surgeon) {
		return false
	}
	return true
}

// key is how a row is found.
type key struct{ method, route string }

func rowsByRoute() map[key]Row {
	rows := make(map[key]Row, len(Matrix))
	for _, row := range Matrix {
		rows[key{row.Method, row.Route}] = row
	}
	return rows
}

// routes walks a router and lists what it serves. A route without methods serves
// any, which no row can list.
func routes(router *mux.Router) ([]key, error) {
	var served []key
	err := router.Walk(func(route *mux.Route, _ *mux.Router, _ []*mux.Route) error {
		if route.GetHandler() == nil {
			return nil
		}
		template, err := route.GetPathTemplate()
		if err != nil {
			template = "(a route without a path)"
		}
		methods, err := route.GetMethods()
		if err != nil {
			methods = []string{"any method"}
		}
		for _, method := range methods {
			served = append(served, key{method, template})
		}
		return nil
	})
	return served, err
}

// Unlisted names the routes of a router that Matrix doesn't list, for example
// "GET /v1/new". A test demands that there is none.
func Unlisted(router *mux.Router) []string {
	served, err := routes(router)
	if err != nil {
		return []string{err.Error()}
	}
	rows := rowsByRoute()
	var missing []string
	for _, k := range served {
		if _, ok := rows[k]; !ok {
			missing = append(missing, k.method+" "+k.route)
		}
	}
	return missing
}

// Unserved names the rows of Matrix that no route of the router serves: a
// misspelt row would open nothing and look as if it did.
func Unserved(router *mux.Router) []string {
	served, err := routes(router)
	if err != nil {
		return []string{err.Error()}
	}
	var missing []string
	for _, row := range Matrix {
		if !slices.Contains(served, key{row.Method, row.Route}) {
			missing = append(missing, row.Method+" "+row.Route)
		}
	}
	return missing
}

// isSafe reports whether the method changes nothing (RFC 9110, 9.2.1).
func isSafe(method string) bool {
	return method == http.MethodGet || method == http.MethodHead || method == http.MethodOptions
}
