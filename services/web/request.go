package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net/http"
)

// state is what the layers around the router and those inside it tell each
// other about one request.
type state struct {
	id    string
	route string // template of the matched route; empty until there is one
	head  bool   // the client asked for the head alone, and the routes don't know
	log   *slog.Logger
}

func (s *state) template() string {
	if s.route == "" {
		return "unmatched"
	}
	return s.route
}

type stateKey struct{}

func stateOf(ctx context.Context) *state {
	if s, ok := ctx.Value(stateKey{}).(*state); ok {
		return s
	}
	return &state{log: slog.New(slog.DiscardHandler)}
}

// RequestID is the id under which the request stands in the log; empty outside
// of Handler. It is always made here: a client's own could hold anything.
func RequestID(ctx context.Context) string { return stateOf(ctx).id }

// maxJSONBytes bounds the body of a request other than a publication.
const maxJSONBytes = 64 << 10

// ReadJSON reads a small JSON body into v. A field that v doesn't have, a second
// value behind the first, and a body over 64 KB are errors, all of them *Error.
func ReadJSON(r *http.Request, v any) error {
	if mediaType, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || mediaType != "application/json" {
		return &Error{Code: CodeUnsupported, Message: "Send the body as application/json."}
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, maxJSONBytes+1))
	if err != nil {
		return BodyError(err)
	}
	if len(body) > maxJSONBytes {
		return &Error{Code: CodeTooLarge, Message: fmt.Sprintf("The body is over %d bytes.", maxJSONBytes)}
	}
	if !json.Valid(body) {
		return &Error{Code: CodeInvalid, Message: "The body is not one JSON value."}
	}
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(v); err != nil {
		var wrong *json.UnmarshalTypeError
		if errors.As(err, &wrong) {
			return &Error{Code: CodeInvalid, Message: fmt.Sprintf("The field %q holds a %s; it must be a %s.", wrong.Field, wrong.Value, wrong.Type)}
		}
		return &Error{Code: CodeInvalid, Message: "The body doesn't fit: " + err.Error() + "."}
	}
	return nil
}

// BodyError turns a failure to read a request's body into what the client is
// told: too large, or cut off.
func BodyError(err error) error {
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return &Error{Code: CodeTooLarge, Message: fmt.Sprintf("The body is over %d bytes. Send it in parts.", tooLarge.Limit)}
	}
	return &Error{Code: CodeInvalid, Message: "The body ended early or could not be read."}
}
