package portal

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"

	"lensledger/services/access"
	"lensledger/services/web"
)

// homeView is the first page: the door for strangers, else the way to the others.
type homeView struct {
	frame
	Personas []personaRow
	Problem  string // why signing in didn't work
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
			return s.door(w, r, actor, http.StatusUnprocessableEntity, "A case code is letters, digits, - and _, at most 40. Check the code and try again.")
		}
		http.Redirect(w, r, "/cases/"+url.PathEscape(code), http.StatusSeeOther)
		return nil
	}
	return s.door(w, r, actor, http.StatusOK, "")
}

func (s *Service) door(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, problem string) error {
	title := "Sign in"
	if actor.Role != "" {
		title = "What would you like to know?"
	}
	view := homeView{frame: s.frame(r.Context(), actor, title, nil), Problem: problem,
		Cases: may(actor.Role, http.MethodGet, "/cases/{case}")}
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

// signIn serves POST /sign-in: a pasted token, or the name of an invented person.
func (s *Service) signIn(w http.ResponseWriter, r *http.Request, _ access.Actor) error {
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	token := strings.TrimSpace(r.PostFormValue("token"))
	if name := r.PostFormValue("persona"); name != "" {
		if !s.isPersona(name) {
			return s.door(w, r, access.Actor{}, http.StatusUnauthorized, "There is no such person in this demo. Pick one from the list.")
		}
		var err error
		if token, err = s.cfg.PersonaToken(name); err != nil {
			return fmt.Errorf("token of persona %s: %w", name, err)
		}
	}
	if token == "" {
		return s.door(w, r, access.Actor{}, http.StatusUnauthorized, "The token field is empty. Paste the token that you were given.")
	}
	if _, err := s.cfg.Tokens.Verify(r.Context(), token); err != nil {
		// Why is in the verifier's own words and not for strangers.
		return s.door(w, r, access.Actor{}, http.StatusUnauthorized,
			"This token isn't accepted. It may have expired, or been cut off while copying: get a new one and paste all of it. If that doesn't help, its issuer may be out of reach: try again later.")
	}
	access.SetSession(w, token, s.cfg.Secure)
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}

func (s *Service) isPersona(name string) bool {
	for _, p := range s.cfg.Personas {
		if p.Name == name {
			return true
		}
	}
	return false
}

// signOut serves POST /sign-out.
func (s *Service) signOut(w http.ResponseWriter, r *http.Request, _ access.Actor) error {
	access.ClearSession(w, s.cfg.Secure)
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}
