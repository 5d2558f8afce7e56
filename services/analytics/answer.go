package analytics

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
	"lensledger/services/web"
)

// question is a GET that is answered from the record as of a position.
type question struct {
	reader pg.Actor
	query  url.Values
	page   *page  // of readPage; nil where the answer is whole
	form   string // media type of the answer where the client chose among several; empty is JSON

	// beside is what the answer depends on besides the position; nil where there
	// is no such thing.
	beside func(tx pgx.Tx) (string, error)

	answer func(tx pgx.Tx, asOf archive.AsOf) (any, error) // the body

	// after completes the body with what another reader has to read, in a
	// transaction after this one: a read inside another would hold two connections
	// at once. nil where there is no such thing.
	after func(ctx context.Context, body any) (any, error)

	write func(w http.ResponseWriter, body any) // nil writes JSON
}

// answer answers a question, or says that nothing has changed since the client
// last asked it, without asking for more than where the record stands.
func (s *Service) answer(w http.ResponseWriter, r *http.Request, q question) {
	var tag string
	var body any
	known := false
	err := pg.AsActor(r.Context(), s.cfg.Pool, q.reader, func(tx pgx.Tx) error {
		stand, err := standOf(r.Context(), tx)
		if err != nil {
			return err
		}
		if q.beside != nil {
			if stand.beside, err = q.beside(tx); err != nil {
				return err
			}
		}
		tag = s.tag(r, q, stand)
		// The tag names where the record stands, question and reader, so whoever
		// has it was answered before; nothing more is told by saying so.
		if known = hasTag(r, tag); known {
			return nil
		}
		asOf, err := resolve(r.Context(), tx, q)
		if err != nil {
			return err
		}
		body, err = q.answer(tx, asOf)
		return err
	})
	if err == nil && !known && q.after != nil {
		body, err = q.after(r.Context(), body)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("ETag", tag)
	h.Set("Cache-Control", "private, no-cache") // kept by the client alone, and asked about each time
	h.Set("Vary", "Authorization, Accept")
	if known || r.Header.Get("If-None-Match") == "*" {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	q.page.link(h, r, q.query)
	if q.write != nil {
		q.write(w, body)
		return
	}
	web.WriteJSON(w, http.StatusOK, body)
}

// resolve finds the moment that a question is about: that of the page before, or
// that of as_of.
func resolve(ctx context.Context, tx pgx.Tx, q question) (archive.AsOf, error) {
	if q.page == nil || q.page.asOf == "" {
		return archive.Resolve(ctx, tx, q.query.Get("as_of"))
	}
	asOf, err := archive.Resolve(ctx, tx, q.page.asOf)
	if errors.Is(err, archive.ErrAsOf) {
		// A record that was restored from a backup, for example.
		err = badCursor("the record no longer reaches the moment of the page before; begin with the first page")
	}
	return asOf, err
}

// stand is where the record and its read models stand. Every answer follows from
// it and the question: who may see a case can change after the position that is
// asked about, so that the newest one matters even for what was known earlier.
type stand struct {
	position     uint64
	model, epoch string
	beside       string
}

func standOf(ctx context.Context, tx pgx.Tx) (stand, error) {
	var s stand
	var position int64
	err := tx.QueryRow(ctx, "SELECT c.position, c.version, s.epoch FROM checkpoint c, stream_state s").Scan(&position, &s.model, &s.epoch)
	if err != nil {
		return s, fmt.Errorf("read where the record stands: %w", err)
	}
	s.position = uint64(position)
	return s, nil
}

// tag names an answer: the position, and a digest of the record, of the question,
// of who asks, of the measures' definition and of the answers' form. It is weak:
// what a chart's run lengths come to may be left out under load.
func (s *Service) tag(r *http.Request, q question, at stand) string {
	h := sha256.New()
	a := q.reader
	fmt.Fprintf(h, "%q %q %q %q %q ", s.cfg.Base, at.epoch, at.model, at.beside, projector.ModelVersion)
	fmt.Fprintf(h, "%q %q %q %q %q %q %q %q %x", r.URL.Path, q.query.Encode(), q.form, a.Role, a.Surgeons, a.Departments, a.Source,
		department.Definition, formDigest)
	return fmt.Sprintf(`W/"%d-%s"`, at.position, hex.EncodeToString(h.Sum(nil)[:10]))
}

// hasTag says whether If-None-Match lists the tag (RFC 9110, 13.1.2: weakly
// compared).
func hasTag(r *http.Request, tag string) bool {
	for _, header := range r.Header.Values("If-None-Match") {
		for _, t := range strings.Split(header, ",") {
			if strings.TrimPrefix(strings.TrimSpace(t), "W/") == strings.TrimPrefix(tag, "W/") {
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
