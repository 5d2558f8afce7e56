package web

import (
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
)

// Problem is the body of every failure, application/problem+json of RFC 9457.
type Problem struct {
	Type     string  `json:"type"` // urn:lensledger:problem:<code>
	Title    string  `json:"title"`
	Status   int     `json:"status"`
	Detail   string  `json:"detail,omitempty"`
	Instance string  `json:"instance,omitempty"` // urn:lensledger:request:<id>, to quote when asking about it
	Errors   []Fault `json:"errors,omitempty"`
}

// ContentTypeProblem is the content type of a Problem.
const ContentTypeProblem = "application/problem+json"

const problemType = "urn:lensledger:problem:"

// WriteError answers with the problem that err is. An error that is no *Error
// is logged under the request's id, and the client is told nothing but that id.
func WriteError(w http.ResponseWriter, r *http.Request, err error) {
	var e *Error
	if !errors.As(err, &e) {
		state := stateOf(r.Context())
		state.log.LogAttrs(r.Context(), slog.LevelError, "request failed",
			slog.String("request_id", state.id), slog.String("route", state.template()), slog.String("error", err.Error()))
		writeProblem(w, r, Problem{
			Type: problemType + "internal", Title: "Something failed on our side", Status: http.StatusInternalServerError,
			Detail: "Try again; if it happens again, quote the instance to whoever runs this service.",
		})
		return
	}
	WriteProblem(w, r, e, func(p Problem) any { return p })
}

// WriteProblem answers with the problem that e is and whatever the body needs
// beside its members, as RFC 9457 allows: with gives the whole body.
func WriteProblem(w http.ResponseWriter, r *http.Request, e *Error, with func(Problem) any) {
	switch e.Code {
	case CodeUnavailable:
		w.Header().Set("Retry-After", "5")
	case CodeUnauthenticated:
		w.Header().Set("WWW-Authenticate", `Bearer realm="lensledger"`)
	}
	kind := kinds[e.Code]
	p := Problem{Type: problemType + string(e.Code), Title: kind.title, Status: kind.status, Detail: e.Message, Errors: e.Faults}
	p.Instance = instance(r)
	write(w, p.Status, ContentTypeProblem, with(p))
}

func instance(r *http.Request) string {
	if id := RequestID(r.Context()); id != "" {
		return "urn:lensledger:request:" + id
	}
	return ""
}

func writeProblem(w http.ResponseWriter, r *http.Request, p Problem) {
	p.Instance = instance(r)
	write(w, p.Status, ContentTypeProblem, p)
}

// WriteJSON answers with v as JSON.
func WriteJSON(w http.ResponseWriter, status int, v any) {
	write(w, status, "application/json", v)
}

func write(w http.ResponseWriter, status int, contentType string, v any) {
	w.Header().Set("Content-Type", contentType)
	w.WriteHeader(status)
	encoder := json.NewEncoder(w)
	// Answers are JSON, never pages; a "<" in them needs no other spelling.
	encoder.SetEscapeHTML(false)
	// A failed write means that the client is gone; there is nobody to tell.
	_ = encoder.Encode(v)
}
