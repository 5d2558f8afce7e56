package analytics

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"lensledger/projections/archive"
	"lensledger/services/web"
)

// page is a stretch of a list. All pages of a list are of one moment, the one
// that the first page is of, whatever arrives while somebody turns them.
type page struct {
	After string // key of the last row of the page before; empty on the first
	Limit int    // rows at most

	asOf string // position that the page before was of; empty on the first
	list string // names the list, so that no cursor leads into another
	next *string
}

// Bounds of a page.
const (
	defaultLimit = 100
	maxLimit     = 500
	maxCursor    = 300 // characters
)

// readPage reads limit and after of a query, which the route has to take as well.
func (s *Service) readPage(r *http.Request, query url.Values) (*page, error) {
	p := &page{Limit: defaultLimit, list: s.listOf(r, query)}
	if query.Has("limit") {
		var err error
		if p.Limit, err = strconv.Atoi(query.Get("limit")); err != nil || p.Limit < 1 || p.Limit > maxLimit {
			return nil, badQuery(web.Fault{Pointer: "?limit", Code: "out-of-range", Detail: fmt.Sprintf("allowed: 1 to %d", maxLimit)})
		}
	}
	if !query.Has("after") {
		return p, nil
	}
	text, err := base64.RawURLEncoding.DecodeString(query.Get("after"))
	parts := strings.SplitN(string(text), " ", 3)
	if err != nil || len(parts) != 3 {
		return nil, badCursor("allowed: next of the page before, as it was given")
	}
	if _, err := strconv.ParseUint(parts[0], 10, 63); err != nil {
		return nil, badCursor("allowed: next of the page before, as it was given")
	}
	if parts[1] != p.list {
		return nil, badCursor("found the cursor of another list; allowed: next of the page before, and its query unchanged but for limit")
	}
	p.asOf, p.After = parts[0], parts[2]
	return p, nil
}

// listOf names a list by its address and its query, whatever the page.
func (s *Service) listOf(r *http.Request, query url.Values) string {
	h := sha256.New()
	fmt.Fprintf(h, "%q %q", s.cfg.Base, r.URL.Path)
	for _, name := range sortedNames(query) {
		if name != "after" && name != "limit" {
			fmt.Fprintf(h, " %q %q", name, query.Get(name))
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}

func badCursor(detail string) *web.Error {
	return badQuery(web.Fault{Pointer: "?after", Code: faultInvalid, Detail: detail})
}

// AfterSequence is After in a list whose keys are positions; 0 on the first page.
func (p *page) AfterSequence() (uint64, error) {
	if p.After == "" {
		return 0, nil
	}
	sequence, err := strconv.ParseUint(p.After, 10, 63)
	if err != nil {
		return 0, badCursor("allowed: next of the page before, as it was given")
	}
	return sequence, nil
}

// cut takes rows that were read after the page's key, best one more than the
// page holds, and gives those of the page, and the cursor of the next page: nil
// at the end. key gives the key of a row, without which no row is found again.
func cut[T any](p *page, asOf archive.AsOf, rows []T, key func(T) string) ([]T, *string) {
	if len(rows) <= p.Limit {
		return rows, nil
	}
	rows = rows[:p.Limit]
	next := base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil, "%d %s %s", asOf.Position, p.list, key(rows[p.Limit-1])))
	p.next = &next
	return rows, p.next
}

// link says where the list goes on (RFC 8288): the same question after a cursor.
func (p *page) link(h http.Header, r *http.Request, query url.Values) {
	if p == nil || p.next == nil {
		return
	}
	next := url.Values{}
	for name, values := range query {
		next[name] = values
	}
	next.Set("after", *p.next)
	h.Set("Link", fmt.Sprintf("<%s?%s>; rel=\"next\"", r.URL.EscapedPath(), next.Encode()))
}
