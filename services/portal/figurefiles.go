package portal

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// leavingView is what can be taken away of figures.
type leavingView struct {
	Files    []fileView
	Releases string // address of the list of releases
	Changes  string // address of what changed since the position shown
}

// fileView is one file with its manifest.
type fileView struct {
	Name, Form, Words  string
	Download, Manifest string // addresses
	Facts              []figureFact
	Release            *releaseForm // nil for who may not record one
}

// figureFact is one line of a manifest.
type figureFact struct{ Name, Value string }

// releaseForm is what recording a release sends.
type releaseForm struct{ From, To, Departments, AsOf, Form, SHA256, OpenedAt string }

// formWords say what each form is for.
var formWords = map[string]string{department.FormCSV: "table file (CSV)", department.FormJSON: "file for a program (JSON)"}

// leavingOf lists the files that figures can be taken away as. Their addresses name
// the position: the same address gives the same bytes.
func leavingOf(f department.Figures, actor access.Actor, desk bool, now time.Time) (*leavingView, error) {
	v := &leavingView{Releases: releasesRoute}
	for _, form := range department.Forms {
		m, err := f.Manifest(form)
		if err != nil {
			return nil, err
		}
		query := m.Query.Values()
		file := fileView{Name: m.File, Form: form, Words: formWords[form], Download: "/figures." + form + "?" + query.Encode(), Facts: manifestFacts(m)}
		query.Set("form", form)
		file.Manifest = "/figures/manifest.json?" + query.Encode()
		if desk && f.Suppression.Applied && may(actor.Role, http.MethodPost, releasesRoute) {
			file.Release = &releaseForm{From: m.Query.From, To: m.Query.To, Departments: query.Get("departments"), AsOf: query.Get("as_of"), Form: form,
				SHA256: m.SHA256, OpenedAt: now.UTC().Format(time.RFC3339)}
		}
		v.Files = append(v.Files, file)
		v.Changes = "/figures/changes?" + url.Values{"from": {m.Query.From[:7]}, "to": {m.Query.To[:7]}, "departments": query["departments"], "before": query["as_of"]}.Encode()
	}
	return v, nil
}

// manifestFacts word a manifest.
func manifestFacts(m department.Manifest) []figureFact {
	facts := []figureFact{
		{"Question", m.Address},
		{"Period", m.Query.From + " to " + m.Query.To},
		{"Departments", list(m.Query.Departments)},
		{"Position of the record", whole(int(m.Query.AsOf))},
		{"Version of the definitions", m.Definition},
		{"Rows", whole(m.Rows) + ", one of them all together"},
		{"Operations counted", countShown(m.Operations)},
	}
	for _, reason := range sortedKeys(m.Excluded) {
		facts = append(facts, figureFact{"Left out: " + leftOut(reason), countShown(m.Excluded[reason])})
	}
	return append(facts, figureFact{"Cases with something set aside", whole(m.LeftOut.Cases)},
		figureFact{"Numbers held back", whole(m.Suppressed)},
		figureFact{"Held back among", list(m.Among)},
		figureFact{"Length", whole(m.Bytes) + " bytes"}, figureFact{"SHA-256", m.SHA256})
}

// askedFigures reads the figures of an address or a form, for a file.
func (s *Service) askedFigures(r *http.Request, actor access.Actor, query url.Values) (f department.Figures, err error) {
	period, err := department.ParsePeriod(query.Get("from"), query.Get("to"))
	if err != nil {
		return f, &web.Error{Code: web.CodeInvalid, Message: "The period can't be read. Go back, choose the months, and try again."}
	}
	err = pg.AsActor(r.Context(), s.cfg.Pool, figuresReader(actor, actor.Departments), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, query.Get("as_of"))
		if err != nil {
			return err
		}
		f, err = department.ReadFigures(r.Context(), tx, actor.Departments, period, asOf, leaves(actor), askedDepartments(query)...)
		return err
	})
	switch {
	case errors.Is(err, archive.ErrAsOf), errors.Is(err, department.ErrMonths):
		err = &web.Error{Code: web.CodeInvalid, Message: "Figures are of whole months, as of a position that the record has reached. Go back, choose the months, and try again."}
	case errors.Is(err, department.ErrChosen):
		err = &web.Error{Code: web.CodeInvalid, Message: "A department was asked for that isn't one of yours. Go back and choose among your own."}
	}
	return f, err
}

// figuresReader reads sums of departments: after the check they are nobody's rows. A
// quality officer's own role reads them too.
func figuresReader(actor access.Actor, departments []string) pg.Actor {
	if actor.Role == access.Quality {
		return reader(actor)
	}
	return pg.Actor{Role: "figures", Departments: departments}
}

// figuresFile serves GET /figures.csv and /figures.json: to the byte what the API
// answers, for a browser.
func (s *Service) figuresFile(form string) handler {
	return func(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
		f, err := s.askedFigures(r, actor, r.URL.Query())
		if err != nil {
			return err
		}
		body, err := f.Encode(form)
		if err != nil {
			return err
		}
		media := map[string]string{department.FormCSV: "text/csv; charset=utf-8; header=present", department.FormJSON: "application/json"}[form]
		sum := sha256.Sum256(body)
		w.Header().Set("Content-Type", media)
		w.Header().Set("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":")
		w.Header().Set("Content-Disposition", `attachment; filename="`+f.FileName(form)+`"`)
		_, _ = w.Write(body)
		return nil
	}
}

// manifestFile serves GET /figures/manifest.json: what the API answers, for a browser.
func (s *Service) manifestFile(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	form := r.URL.Query().Get("form")
	if formWords[form] == "" {
		return &web.Error{Code: web.CodeInvalid, Message: "The manifest is of the CSV or the JSON file. Go back and choose one of the two."}
	}
	f, err := s.askedFigures(r, actor, r.URL.Query())
	if err != nil {
		return err
	}
	m, err := f.Manifest(form)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Disposition", `attachment; filename="`+strings.TrimSuffix(m.File, "."+form)+"-"+form+`-manifest.json"`)
	return json.NewEncoder(w).Encode(m)
}
