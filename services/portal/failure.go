package portal

import (
	"context"
	"errors"
	"log/slog"
	"net/http"

	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// failureView is a page that says what went wrong and what to do.
type failureView struct {
	frame
	Message string
	Quote   string // the request's id, to quote when asking about it
}

// failureTitles head the error pages.
var failureTitles = map[int]string{
	http.StatusBadRequest:            "This can't be read",
	http.StatusUnauthorized:          "Sign in first",
	http.StatusForbidden:             "Not for your role",
	http.StatusNotFound:              "Nothing here that you may see",
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
	if err := s.render(w, status, "failure", view); err != nil {
		web.WriteError(w, r, err)
	}
}

// Refuse answers, as access.Config's RefusePage, a page that isn't let through.
func (s *Service) Refuse(w http.ResponseWriter, r *http.Request, err error) {
	actor, _ := access.FromContext(r.Context())
	if web.Status(err) == http.StatusUnauthorized {
		// A person has a form, not a bearer token.
		err = &web.Error{Code: web.CodeUnauthenticated, Message: "Your sign-in has run out, or there was none. Sign in on the first page and do it again; nothing was stored."}
	}
	s.fail(w, r, actor, err)
}

func (s *Service) log(r *http.Request, level slog.Level, err error) {
	s.cfg.Logger.LogAttrs(r.Context(), level, "page failed", slog.String("request_id", web.RequestID(r.Context())),
		slog.String("route", web.RouteTemplate(r)), slog.String("error", err.Error()))
}
