package analytics

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"lensledger/services/web"
)

// faultInvalid is the code of a fault in a query.
const faultInvalid = "invalid"

// maxParameter bounds a query parameter's value, so that none is quoted at
// length.
const maxParameter = 100

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
		case len(values[0]) > maxParameter:
			faults = append(faults, web.Fault{Pointer: "?" + name, Code: faultInvalid,
				Detail: fmt.Sprintf("found %d characters, allowed %d", len(values[0]), maxParameter)})
		}
	}
	if len(faults) > 0 {
		slices.SortFunc(faults, func(a, b web.Fault) int { return strings.Compare(a.Pointer+a.Detail, b.Pointer+b.Detail) })
		return nil, badQuery(faults...)
	}
	return query, nil
}

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

// page is a stretch of a list that is ordered by position.
type page struct {
	After uint64 // positions after this one
	Limit int
}

// Bounds of a page.
const (
	defaultLimit = 50
	maxLimit     = 200
)

func readPage(query url.Values) (page, error) {
	p := page{Limit: defaultLimit}
	var err error
	if query.Has("after") {
		if p.After, err = strconv.ParseUint(query.Get("after"), 10, 63); err != nil {
			return p, badQuery(web.Fault{Pointer: "?after", Code: faultInvalid, Detail: "allowed: a position, as next of the answer before gives it"})
		}
	}
	if query.Has("limit") {
		if p.Limit, err = strconv.Atoi(query.Get("limit")); err != nil || p.Limit < 1 || p.Limit > maxLimit {
			return p, badQuery(web.Fault{Pointer: "?limit", Code: "out-of-range", Detail: fmt.Sprintf("allowed: 1 to %d", maxLimit)})
		}
	}
	return p, nil
}

// linkNext says where a list goes on (RFC 8288): the same question after a
// position.
func linkNext(h http.Header, r *http.Request, query url.Values, after uint64) {
	next := url.Values{}
	for name, values := range query {
		next[name] = values
	}
	next.Set("after", strconv.FormatUint(after, 10))
	h.Set("Link", fmt.Sprintf("<%s?%s>; rel=\"next\"", r.URL.EscapedPath(), next.Encode()))
}

func short(s string) string {
	if len(s) > 80 {
		return strings.ToValidUTF8(s[:80], "") + "…"
	}
	return s
}
