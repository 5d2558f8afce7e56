package analytics

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/services/web"
)

// question is a GET that is answered from the record as of a position.
type question struct {
	reader pg.Actor
	query  url.Values
	header func(http.Header)                               // further headers of the answer; may be nil
	answer func(tx pgx.Tx, asOf archive.AsOf) (any, error) // the body
}

// answer answers a question, or says that nothing has changed since the client
// last asked it.
func (s *Service) answer(w http.ResponseWriter, r *http.Request, q question) {
	var tag string
	var body any
	known := false
	err := pg.AsActor(r.Context(), s.cfg.Pool, q.reader, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, q.query.Get("as_of"))
		if err != nil {
			return err
		}
		newest := asOf
		if asOf.Past {
			// Who may see a case can change after the position asked about.
			if newest, err = archive.Resolve(r.Context(), tx, ""); err != nil {
				return err
			}
		}
		tag = s.tag(r, q, newest.Position)
		// The tag names position, question and reader, so whoever has it was
		// answered before; nothing more is told by saying so.
		if known = hasTag(r, tag); known {
			return nil
		}
		body, err = q.answer(tx, asOf)
		return err
	})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("ETag", tag)
	if known || r.Header.Get("If-None-Match") == "*" {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	if q.header != nil {
		q.header(w.Header())
	}
	web.WriteJSON(w, http.StatusOK, body)
}

// tag names an answer: the position, and a digest of the question, of who asks,
// of the measures' definition and of the answers' form.
func (s *Service) tag(r *http.Request, q question, position uint64) string {
	h := sha256.New()
	a := q.reader
	fmt.Fprintf(h, "%q %q %q %q %q %q %q %q %x", s.cfg.Base, r.URL.Path, q.query.Encode(), a.Role, a.Surgeons, a.Departments, a.Source,
		department.Definition, formDigest)
	return fmt.Sprintf(`"%d-%s"`, position, hex.EncodeToString(h.Sum(nil)[:10]))
}

// hasTag says whether If-None-Match lists the tag (RFC 9110, 13.1.2: weakly
// compared).
func hasTag(r *http.Request, tag string) bool {
	for _, header := range r.Header.Values("If-None-Match") {
		for _, t := range strings.Split(header, ",") {
			if strings.TrimPrefix(strings.TrimSpace(t), "W/") == tag {
				return true
			}
		}
	}
	return false
}

// Basis is what an answer rests on.
type Basis struct {
	AsOf       archive.AsOf `json:"as_of"`
	Definition string       `json:"definition"`
}

func basis(asOf archive.AsOf) Basis { return Basis{AsOf: asOf, Definition: department.Definition} }
