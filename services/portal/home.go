package portal

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"

	"lensledger/services/access"
)

// homeView is the first page: the door for strangers, else the way to the others.
type homeView struct {
	frame
	Personas []personaRow
	Problem  string // why signing in didn't work
	SignOn   string // where the sign-on service is asked; empty without one
	To       string // where to go after signing in; empty for this page
	Cases    bool   // offers to open a case by its code
}

type personaRow struct{ Name, Role, Words string }

// caseCode is what may stand in a case's address.
var caseCode = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

// home serves GET /. With ?case= it leads to that case's page.
func (s *Service) home(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	cases := may(actor.Role, http.MethodGet, "/cases/{case}")
	if code := strings.TrimSpace(r.URL.Query().Get("case")); cases && code != "" {
		if !caseCode.MatchString(code) {
			return s.door(w, r, actor, http.StatusUnprocessableEntity, "", "A case code is letters, digits, - and _, at most 40. Check the code and try again.")
		}
		http.Redirect(w, r, "/cases/"+url.PathEscape(code), http.StatusSeeOther)
		return nil
	}
	return s.door(w, r, actor, http.StatusOK, "", "")
}

// door shows the first page; to is where somebody goes who signs in on it.
func (s *Service) door(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, to, problem string) error {
	title := "Sign in"
	if actor.Role != "" {
		title = "What would you like to know?"
	}
	view := homeView{frame: s.frame(r.Context(), actor, title, nil), Problem: problem,
		Cases: may(actor.Role, http.MethodGet, "/cases/{case}")}
	if to = access.LocalPath(to); to != "/" {
		view.To = to
	}
	if s.cfg.SignOn != nil {
		view.SignOn = access.SignInAddress(to)
	}
	for _, p := range s.cfg.Personas {
		view.Personas = append(view.Personas, personaRow{p.Name, roleName(p.Role), p.Words})
	}
	return s.render(w, status, "home", view)
}

func roleName(role string) string {
	if name, ok := roleWords[access.Role(role)]; ok {
		return sentence(name)
	}
	return sentence(plain(role))
}
