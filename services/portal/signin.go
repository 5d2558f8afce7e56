package portal

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lensledger/services/access"
	"lensledger/services/web"
)

// beginSignIn serves GET /sign-in?to=: to the sign-on service, where there is one,
// else the first page.
func (s *Service) beginSignIn(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	to := access.LocalPath(r.URL.Query().Get("to"))
	switch {
	case s.cfg.SignOn != nil:
		if err := s.cfg.SignOn.Begin(w, r, to); err != nil {
			return s.door(w, r, actor, web.Status(err), to, said(err))
		}
	case actor.Role != "":
		http.Redirect(w, r, to, http.StatusSeeOther)
	default:
		return s.door(w, r, actor, http.StatusOK, to, "")
	}
	return nil
}

// finishSignIn serves GET /sign-in/answer, where the sign-on service leads back to.
func (s *Service) finishSignIn(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.SignOn == nil {
		return web.NotFound()
	}
	signedIn, to, err := s.cfg.SignOn.Finish(w, r)
	if err != nil {
		return s.door(w, r, actor, web.Status(err), to, said(err))
	}
	return s.enter(w, r, signedIn, time.Time{}, true, to)
}

// signIn serves POST /sign-in: a pasted token, or the name of an invented person.
func (s *Service) signIn(w http.ResponseWriter, r *http.Request, _ access.Actor) error {
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	to := r.PostFormValue("to")
	again := func(problem string) error {
		return s.door(w, r, access.Actor{}, http.StatusUnauthorized, to, problem)
	}
	token := strings.TrimSpace(r.PostFormValue("token"))
	if name := r.PostFormValue("persona"); name != "" {
		if !slices.ContainsFunc(s.cfg.Personas, func(p Persona) bool { return p.Name == name }) {
			return again("There is no such person in this demo. Pick one from the list.")
		}
		var err error
		if token, err = s.cfg.PersonaToken(name); err != nil {
			return fmt.Errorf("token of persona %s: %w", name, err)
		}
	}
	if token == "" {
		return again("The token field is empty. Paste the token that you were given.")
	}
	actor, until, err := s.cfg.Tokens.VerifyUntil(r.Context(), token)
	if err != nil {
		// Why is in the verifier's own words and not for strangers.
		return again("This token isn't accepted. It may have expired, or been cut off while copying: get a new one and paste all of it. If that doesn't help, its issuer may be out of reach: try again later.")
	}
	return s.enter(w, r, actor, until, false, to)
}

// enter begins a session and leads on.
func (s *Service) enter(w http.ResponseWriter, r *http.Request, actor access.Actor, until time.Time, signedOn bool, to string) error {
	if err := s.cfg.Sessions.Begin(w, r, actor, until, signedOn); err != nil {
		return err
	}
	http.Redirect(w, r, access.LocalPath(to), http.StatusSeeOther)
	return nil
}

// signedOutView says that somebody is signed out here, and leads on to the sign-on
// service.
type signedOutView struct {
	frame
	Elsewhere string // address at the sign-on service
}

// signOut serves POST /sign-out.
func (s *Service) signOut(w http.ResponseWriter, r *http.Request, _ access.Actor) error {
	signedOn, err := s.cfg.Sessions.End(w, r)
	if err != nil {
		return err
	}
	if signedOn && s.cfg.SignOn != nil {
		if elsewhere := s.cfg.SignOn.EndAddress(r.Context()); elsewhere != "" {
			// A redirect would be stopped by form-action of the content security
			// policy: it answers a form. A refresh begins anew.
			w.Header().Set("Refresh", "0; url="+elsewhere)
			return s.render(w, http.StatusOK, "signedout", signedOutView{s.frame(r.Context(), access.Actor{}, "You are signed out here", nil), elsewhere})
		}
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}
