package web

import (
	"net/http"
	"strings"

	"github.com/gorilla/mux"
)

// NewRouter makes a router whose refusals are problems and which tells the
// layers around it the template of the matched route. Add access.Require to it
// before any route is served.
func NewRouter() *mux.Router {
	router := mux.NewRouter()
	router.Use(noteRoute)
	router.NotFoundHandler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		WriteError(w, r, NotFound())
	})
	router.MethodNotAllowedHandler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		allowed := strings.Join(allowedMethods(router, r), ", ")
		w.Header().Set("Allow", allowed)
		writeProblem(w, r, Problem{
			Type: problemType + "method-not-allowed", Title: "Method not allowed", Status: http.StatusMethodNotAllowed,
			Detail: "This address takes " + allowed + ".",
		})
	})
	return router
}

func noteRoute(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		stateOf(r.Context()).route = RouteTemplate(r)
		next.ServeHTTP(w, r)
	})
}

// RouteTemplate is the path of the matched route as it was declared, for example
// "/v1/cases/{case}": unlike the path itself it names nobody. It is empty
// outside of a route.
func RouteTemplate(r *http.Request) string {
	route := mux.CurrentRoute(r)
	if route == nil {
		return ""
	}
	template, err := route.GetPathTemplate()
	if err != nil {
		return ""
	}
	return template
}

// allowedMethods lists the methods that some route takes at the request's path.
func allowedMethods(router *mux.Router, r *http.Request) []string {
	var allowed []string
	for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		other := r.Clone(r.Context())
		other.Method = method
		var match mux.RouteMatch
		if router.Match(other, &match) && match.MatchErr == nil && match.Route != nil {
			allowed = append(allowed, method)
			if method == http.MethodGet {
				allowed = append(allowed, http.MethodHead)
			}
		}
	}
	return allowed
}
