package analytics

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"lensledger/services/access"
	"lensledger/services/web"
)

// faultInvalid is the code of a fault in a query.
const faultInvalid = "invalid"

// maxParameter bounds a query parameter's value, so that none is quoted at
// length.
const maxParameter = 100

// maxDepartments bounds a list of departments: some two hundred of the longest codes.
const maxDepartments = 8000

// asked reads who asks, and the parameters of the address: those of known, each
// once.
func asked(r *http.Request, known ...string) (access.Actor, url.Values, error) {
	who, err := actor(r)
	if err != nil {
		return who, nil, err
	}
	query, err := readQuery(r, known...)
	return who, query, err
}

// readQuery reads the query and refuses what the route doesn't know: whoever
// mistypes as_of doesn't mean now.
func readQuery(r *http.Request, known ...string) (url.Values, error) {
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, badQuery(web.Fault{Pointer: "?", Code: faultInvalid, Detail: "found an escape that can't be read"})
	}
	var faults []web.Fault
	for name, values := range query {
		switch {
		case !slices.Contains(known, name):
			allowed := "none"
			if len(known) > 0 {
				allowed = strings.Join(known, ", ")
			}
			faults = append(faults, web.Fault{Pointer: "?", Code: "unknown-field",
				Detail: fmt.Sprintf("found the parameter %q, allowed %s", short(name), allowed)})
		case len(values) > 1:
			faults = append(faults, web.Fault{Pointer: "?" + name, Code: faultInvalid, Detail: "found more than once, allowed once"})
		case len(values[0]) > lengthOf(name):
			faults = append(faults, web.Fault{Pointer: "?" + name, Code: faultInvalid,
				Detail: fmt.Sprintf("found %d characters, allowed %d", len(values[0]), lengthOf(name))})
		}
	}
	if len(faults) > 0 {
		slices.SortFunc(faults, func(a, b web.Fault) int { return strings.Compare(a.Pointer+a.Detail, b.Pointer+b.Detail) })
		return nil, badQuery(faults...)
	}
	return query, nil
}

func lengthOf(name string) int {
	switch name {
	case "after":
		return maxCursor
	case "departments":
		return maxDepartments
	}
	return maxParameter
}

func sortedNames(query url.Values) []string { return slices.Sorted(maps.Keys(query)) }

func badQuery(faults ...web.Fault) *web.Error {
	return &web.Error{Code: web.CodeInvalid, Message: "The query can't be read.", Faults: faults}
}

// oneOf reads a parameter that is one of some words, or absent.
func oneOf(query url.Values, name string, allowed ...string) (string, error) {
	value := query.Get(name)
	if query.Has(name) && !slices.Contains(allowed, value) {
		return "", badQuery(web.Fault{Pointer: "?" + name, Code: "not-allowed",
			Detail: fmt.Sprintf("found %q, allowed %s", value, strings.Join(allowed, ", "))})
	}
	return value, nil
}

func short(s string) string {
	if len(s) > 80 {
		return strings.ToValidUTF8(s[:80], "") + "…"
	}
	return s
}
