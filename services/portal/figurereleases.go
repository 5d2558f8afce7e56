package portal

import (
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// releasesView is the page of files of figures that left the departments.
type releasesView struct {
	frame
	Answer   string
	Recorded string
	Again    *remadeView // a release made again; nil when none was asked for
	Table    tableView
}

// remadeView is a release made again from the record and compared.
type remadeView struct {
	Release, Answer string
	Facts           []figureFact
	Table           tableView
	Links           []link
}

// releases serves GET /figures/releases?release&recorded.
func (s *Service) releases(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	var view releasesView
	query := r.URL.Query()
	err := pg.AsActor(r.Context(), s.cfg.Pool, figuresReader(actor, actor.Departments), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, "")
		if err != nil {
			return err
		}
		all, err := department.Releases(r.Context(), tx, actor.Departments, asOf)
		if err != nil {
			return err
		}
		view = releasesOf(all)
		if code := query.Get("recorded"); code != "" {
			view.Recorded = "The release is recorded."
			if !slices.ContainsFunc(all, func(l department.Release) bool { return l.Release == code }) {
				view.Recorded = "The release is stored and isn't read in yet: load this page again in a little while."
			}
		}
		if code := query.Get("release"); code != "" {
			i := slices.IndexFunc(all, func(l department.Release) bool { return l.Release == code })
			if i < 0 {
				return web.NotFound()
			}
			again, err := department.MakeAgain(r.Context(), tx, all[i], actor.Departments)
			if err != nil {
				return err
			}
			view.Again = remadeOf(again)
		}
		view.frame = s.frame(r.Context(), actor, "Which figures left the departments, and can they be made again?", &asOf)
		return nil
	})
	if err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "releases", view)
}

// releasesOf lists releases, latest first.
func releasesOf(all []department.Release) releasesView {
	v := releasesView{Answer: "No release of these departments' figures is recorded."}
	if len(all) > 0 {
		v.Answer = sentence(plural(len(all), "release is", "releases are")) + " recorded, the latest of " + moment(all[0].ReleasedAt) + "."
	}
	v.Table = tableView{Name: "Releases", Caption: "Files of figures that left the departments, latest first. The digest says whether a file is the one that was released.",
		Head: []column{{"Release", false}, {"Recorded", false}, {"Period", false}, {"Departments", false}, {"Position", true}, {"Definitions", false}, {"SHA-256", false}}}
	for _, l := range all {
		row := cells(l.Release, moment(l.ReleasedAt), l.From+" to "+l.To, list(l.Departments), whole(int(l.Position)), l.Definition, l.SHA256)
		row[0].Href = releasesRoute + "?" + url.Values{"release": {l.Release}}.Encode()
		v.Table.Rows = append(v.Table.Rows, row)
	}
	return v
}

// remadeOf words the comparison.
func remadeOf(again department.Remade) *remadeView {
	v := &remadeView{Release: again.Release.Release, Answer: "Not the same: " + again.Why + "."}
	if again.Same {
		v.Answer = "The same to the byte: the " + formWords[again.Form] + " made again from the record has the digest that was recorded."
	}
	v.Facts = []figureFact{{"Digest as recorded (SHA-256)", again.SHA256}}
	v.Table = tableView{Name: "Made again", Caption: "Files made again from the record as of the release's position, by the definitions in force", Head: heads("File", "SHA-256 now", "Beside the recorded one"),
		None: "Nothing could be made again."}
	for _, m := range again.Manifest {
		beside := "another file"
		if m.SHA256 == again.SHA256 {
			beside = "the same"
		}
		v.Table.Rows = append(v.Table.Rows, cells(sentence(formWords[m.Form]), m.SHA256, beside))
	}
	if len(again.Manifest) > 0 {
		v.Links = []link{{Href: "/figures?" + again.Manifest[0].Query.Values().Encode(), Text: "These figures as a page, with their files"}}
	}
	return v
}

// release serves POST /figures/releases: a file of figures left the departments.
func (s *Service) release(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.Desk == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Releases can't be recorded through this service. Ask whoever runs it."}
	}
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	form := r.PostForm.Get("form")
	if formWords[form] == "" {
		return &web.Error{Code: web.CodeInvalid, Message: "A release is of the CSV or the JSON file. Go back and choose one of the two."}
	}
	at, err := time.Parse(time.RFC3339, r.PostForm.Get("opened_at"))
	if now := s.cfg.Now(); err != nil || at.After(now.Add(time.Minute)) || now.Sub(at) > formLife {
		return &web.Error{Code: web.CodeInvalid, Message: "The page lay open for too long. Go back, load it again, and record the release from there; nothing was stored."}
	}
	f, err := s.askedFigures(r, actor, r.PostForm)
	if err != nil {
		return err
	}
	m, err := f.Manifest(form)
	if err != nil {
		return err
	}
	if m.SHA256 != r.PostForm.Get("sha256") {
		return &web.Error{Code: web.CodeInvalid, Message: "The file isn't the one that the page showed. Go back, load the page again, and record the release from there; nothing was stored."}
	}
	var stored []uint64
	for _, e := range analytics.ReleaseEvents(m, at) {
		result, err := s.cfg.Desk.PublishAs(r.Context(), actor, e)
		if err != nil {
			return err // the same form makes the same events: it can be sent again
		}
		if result.Status != intake.Kept {
			stored = append(stored, result.Sequence)
		}
	}
	s.await(r.Context(), stored)
	http.Redirect(w, r, releasesRoute+"?"+url.Values{"recorded": {analytics.ReleaseCode(m)}}.Encode(), http.StatusSeeOther)
	return nil
}
