package portal

import (
	"context"
	"errors"
	"log/slog"
	"mime"
	"net/http"
	"strings"

	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// failureView is a page that says what went wrong and what to do.
type failureView struct {
	frame
	Message string
	Quote   string     // the request's id, to quote when asking about it
	SignIn  string     // where to sign in before sending again; empty where that isn't it
	Typed   []factView // what the form held that wasn't stored
	Again   *againView // nil where sending again wouldn't help
}

// failureTitles head the error pages.
var failureTitles = map[int]string{
	http.StatusBadRequest:            "This can't be read",
	http.StatusUnauthorized:          "Sign in first",
	http.StatusForbidden:             "Not for your role",
	http.StatusNotFound:              "Nothing here that you may see",
	http.StatusMethodNotAllowed:      "Not to be opened like this",
	http.StatusRequestEntityTooLarge: "Too large",
	http.StatusUnprocessableEntity:   "Not stored",
	http.StatusServiceUnavailable:    "Not available for the moment",
}

// fail answers a page that couldn't be made. Only our own words reach the reader.
func (s *Service) fail(w http.ResponseWriter, r *http.Request, actor access.Actor, err error) {
	if r.Context().Err() != nil {
		return // the reader is gone
	}
	var known *web.Error
	switch {
	case errors.As(err, &known):
	case errors.Is(err, outcome.ErrNoCase):
		known = web.NotFound()
	case pg.Unavailable(err) || errors.Is(err, context.DeadlineExceeded):
		s.log(r, slog.LevelWarn, err)
		known = &web.Error{Code: web.CodeUnavailable, Message: "The database doesn't answer for the moment. Nothing is lost: try again in a little while."}
	default:
		s.log(r, slog.LevelError, err)
	}
	status, view := http.StatusInternalServerError, failureView{
		Message: "Something failed on our side. Try again; if it happens again, quote the number below to whoever runs this service.",
		Quote:   web.RequestID(r.Context()),
	}
	if known != nil {
		status, view.Message, view.Quote = web.Status(known), known.Message, ""
	}
	title, ok := failureTitles[status]
	if !ok {
		title = "Something failed"
	}
	if status == http.StatusServiceUnavailable {
		w.Header().Set("Retry-After", "5")
	}
	view.frame = s.frame(r.Context(), actor, title, nil)
	view.keep(r, actor, status)
	if err := s.render(w, status, "failure", view); err != nil {
		web.WriteError(w, r, err)
	}
}

// keep puts what was typed into the page, so that nothing of it is lost, and offers
// to send it again where that can help.
func (v *failureView) keep(r *http.Request, actor access.Actor, status int) {
	if status == http.StatusForbidden || status == http.StatusBadRequest || status == http.StatusRequestEntityTooLarge {
		return // no form of ours, or not to be read
	}
	fields, shown := typed(r, markOf(actor))
	v.Typed = shown
	if fields == nil {
		return
	}
	switch status {
	case http.StatusUnauthorized:
		v.SignIn = access.SignInAddress("/")
		v.Again = &againView{r.URL.RequestURI(), fields, "Signed in: send it again"}
	case http.StatusServiceUnavailable, http.StatusInternalServerError:
		v.Again = &againView{r.URL.RequestURI(), fields, "Send it again"}
	}
}

// Refuse answers, as access.Config's RefusePage, a page that isn't let through.
func (s *Service) Refuse(w http.ResponseWriter, r *http.Request, err error) {
	actor, _ := access.FromContext(r.Context())
	r.Body = http.MaxBytesReader(w, r.Body, maxFormBytes)
	if web.Status(err) == http.StatusUnauthorized {
		// A person has a form, not a bearer token.
		err = &web.Error{Code: web.CodeUnauthenticated, Message: "Your sign-in has run out, or there was none, so nothing is stored yet. Sign in, come back to this page, and send it again; nothing that you typed is lost while this page is open."}
	}
	s.fail(w, r, actor, err)
}

// nowhere answers for what no route takes: a browser with a page, a program as next
// does.
func (s *Service) nowhere(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !wantsPage(r) {
			next.ServeHTTP(w, r)
			return
		}
		said := &silent{header: w.Header()}
		next.ServeHTTP(said, r) // its status, and which methods are taken
		view := failureView{Message: "There is nothing at this address. Check it, or begin on the first page."}
		if said.status == http.StatusMethodNotAllowed {
			view.Message = "This address is for what a form sends, or can only be read. Begin on the first page."
		}
		session, _ := s.cfg.Sessions.Of(r) // a stranger gets the page too
		view.frame = s.frame(r.Context(), session.Actor, failureTitles[said.status], nil)
		if said.status == http.StatusNotFound {
			view.Title = "Nothing at this address"
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxFormBytes)
		view.keep(r, session.Actor, said.status)
		if err := s.render(w, said.status, "failure", view); err != nil {
			web.WriteError(w, r, err)
		}
	})
}

// silent takes the head of an answer and leaves out its body.
type silent struct {
	header http.Header
	status int
}

func (s *silent) Header() http.Header         { return s.header }
func (s *silent) WriteHeader(status int)      { s.status = status }
func (s *silent) Write(p []byte) (int, error) { return len(p), nil }

// wantsPage says whether a request is a browser's: its Accept names HTML.
func wantsPage(r *http.Request) bool {
	for _, part := range strings.Split(strings.Join(r.Header.Values("Accept"), ","), ",") {
		kind, params, err := mime.ParseMediaType(part)
		if err == nil && kind == "text/html" {
			weight, given := params["q"]
			return !given || strings.Trim(weight, "0.") != ""
		}
	}
	return false
}

// said gives our own words of an error.
func said(err error) string {
	var known *web.Error
	if errors.As(err, &known) {
		return known.Message
	}
	return "Something failed on our side. Try again."
}

func (s *Service) log(r *http.Request, level slog.Level, err error) {
	s.cfg.Logger.LogAttrs(r.Context(), level, "page failed", slog.String("request_id", web.RequestID(r.Context())),
		slog.String("route", web.RouteTemplate(r)), slog.String("error", err.Error()))
}
