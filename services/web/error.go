package web

import (
	"errors"
	"net/http"
)

// Code says what kind of failure a client met.
type Code string

// The codes. Any error that carries none of them is a fault of ours: its text
// goes to the log and the client sees status 500.
const (
	CodeInvalid         Code = "invalid"         // the request can't be read
	CodeUnauthenticated Code = "unauthenticated" // no token, or one that isn't accepted
	CodeForbidden       Code = "forbidden"       // the role may not do this at all
	CodeNotFound        Code = "not-found"       // no such thing, or not the caller's to see
	CodeTooLarge        Code = "too-large"       // the body is over its bound
	CodeUnsupported     Code = "unsupported"     // a content type that isn't taken
	CodeRefused         Code = "refused"         // read, but it breaks a rule
	CodeUnavailable     Code = "unavailable"     // something we need doesn't answer; try again
)

// kinds is the one table from codes to HTTP.
var kinds = map[Code]struct {
	status int
	title  string
}{
	CodeInvalid:         {http.StatusBadRequest, "The request can't be read"},
	CodeUnauthenticated: {http.StatusUnauthorized, "Not signed in"},
	CodeForbidden:       {http.StatusForbidden, "Not allowed for this role"},
	CodeNotFound:        {http.StatusNotFound, "Not found"},
	CodeTooLarge:        {http.StatusRequestEntityTooLarge, "Too large"},
	CodeUnsupported:     {http.StatusUnsupportedMediaType, "Content type not supported"},
	CodeRefused:         {http.StatusUnprocessableEntity, "Refused"},
	CodeUnavailable:     {http.StatusServiceUnavailable, "Not available for the moment"},
}

// Error is a failure that a client may read. Message says what is wrong and what
// to do; it holds nothing about anyone's cases.
type Error struct {
	Code    Code
	Message string
	Faults  []Fault // the places in the request that are at fault, if known
}

// Fault is one place in what the client sent.
type Fault struct {
	Pointer string `json:"pointer"` // JSON Pointer, or the name of a query parameter after "?"
	Code    string `json:"code"`
	Detail  string `json:"detail"`
}

func (e *Error) Error() string { return string(e.Code) + ": " + e.Message }

// NotFound is the one answer for what doesn't exist and for what isn't the
// caller's to see, so that neither can be told from the other.
func NotFound() *Error {
	return &Error{Code: CodeNotFound, Message: "There is nothing here that you may see. Check the address."}
}

// Status gives the HTTP status of an error: 500 unless it wraps an *Error.
func Status(err error) int {
	var e *Error
	if errors.As(err, &e) {
		if k, ok := kinds[e.Code]; ok {
			return k.status
		}
	}
	return http.StatusInternalServerError
}
