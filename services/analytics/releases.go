package analytics

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// releases is the answer: the releases of the caller's departments.
type releases struct {
	Basis
	N        int                  `json:"n"`
	Releases []department.Release `json:"releases"`
}

// getReleases serves GET /v1/figures/releases.
func (s *Service) getReleases(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: departmentsReader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		list, err := department.Releases(r.Context(), tx, who.Departments, asOf)
		return releases{basis(asOf), len(list), list}, err
	}})
}

// getRelease serves GET /v1/figures/releases/{release}: the release, made again and
// compared.
func (s *Service) getRelease(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: departmentsReader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		list, err := department.Releases(r.Context(), tx, who.Departments, asOf)
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(list, func(l department.Release) bool { return l.Release == mux.Vars(r)["release"] })
		if i < 0 {
			return nil, web.NotFound()
		}
		return department.MakeAgain(r.Context(), tx, list[i], who.Departments)
	}})
}

// ReleaseRequest says which file of figures left the departments. Departments may be
// empty for all of the caller's, AsOf 0 for now, Form empty for JSON.
type ReleaseRequest struct {
	From        string   `json:"from"`
	To          string   `json:"to"`
	Departments []string `json:"departments"`
	AsOf        int      `json:"as_of"`
	Form        string   `json:"form"`
}

// Released says which events a release became, one for each department.
type Released struct {
	Release  string              `json:"release"`
	Manifest department.Manifest `json:"manifest"`
	Events   []PublishedNote     `json:"events"`
}

// postRelease serves POST /v1/figures/releases.
func (s *Service) postRelease(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var said ReleaseRequest
	if _, err := readBody(r, &said); err != nil {
		s.fail(w, r, err)
		return
	}
	m, err := s.releaseManifest(r, who, said)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := Released{Release: ReleaseCode(m), Manifest: m, Events: []PublishedNote{}}
	for _, e := range ReleaseEvents(m, s.cfg.Now()) {
		result, err := s.cfg.Desk.PublishAs(r.Context(), who, e)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		out.Events = append(out.Events, PublishedNote{ID: result.ID, Type: e.Type, Status: result.Status, Sequence: result.Sequence})
	}
	web.WriteJSON(w, http.StatusAccepted, out)
}

// releaseManifest makes the file that is released, to know its digest.
func (s *Service) releaseManifest(r *http.Request, who access.Actor, said ReleaseRequest) (m department.Manifest, err error) {
	period, err := department.ParsePeriod(said.From, said.To)
	if err != nil {
		return m, refused(web.Fault{Pointer: "/from", Code: faultInvalid, Detail: err.Error()})
	}
	if said.Form == "" {
		said.Form = department.FormJSON
	}
	if !slices.Contains(department.Forms, said.Form) {
		return m, refused(web.Fault{Pointer: "/form", Code: events.CodeNotAllowed, Detail: "allowed: " + strings.Join(department.Forms, ", ")})
	}
	asked := ""
	if said.AsOf != 0 {
		asked = strconv.Itoa(said.AsOf)
	}
	err = pg.AsActor(r.Context(), s.cfg.Pool, departmentsReader(who), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, asked)
		if err != nil {
			return err
		}
		f, err := department.ReadFigures(r.Context(), tx, who.Departments, period, asOf, true, said.Departments...)
		if err != nil {
			return err
		}
		m, err = f.Manifest(said.Form)
		return err
	})
	for wrong, pointer := range map[error]string{archive.ErrAsOf: "/as_of", department.ErrMonths: "/from", department.ErrChosen: "/departments"} {
		if errors.Is(err, wrong) {
			return m, refused(web.Fault{Pointer: pointer, Code: faultInvalid, Detail: err.Error()})
		}
	}
	return m, err
}

// ReleaseCode is the code of the release of a file: the same for the same bytes.
func ReleaseCode(m department.Manifest) string { return "release-" + m.SHA256[:24] }

// ReleaseEvents are the desk's events of a release, one for each department of the
// file, made at a time. They are a function of what is given: a form that is sent
// twice makes the same events, and the second ones are duplicates.
func ReleaseEvents(m department.Manifest, at time.Time) []events.Event {
	at = at.UTC().Truncate(time.Second)
	sum := sha256.Sum256([]byte(m.SHA256 + " " + at.Format(time.RFC3339)))
	var out []events.Event
	for _, code := range m.Query.Departments {
		out = append(out, events.Event{ID: "release-" + hex.EncodeToString(sum[:12]) + "-" + code, Source: access.DeskSource, Type: events.TypeFiguresReleased,
			Subject: ReleaseCode(m), Department: code, Time: at, Data: &events.FiguresReleased{From: events.Date(m.Query.From), To: events.Date(m.Query.To),
				Definition: events.Text(m.Definition), Position: int64(m.Query.AsOf), SHA256: events.Text(m.SHA256)}})
	}
	return out
}
