package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"
)

// ContentTypeEventStream is the content type of an EventStream.
const ContentTypeEventStream = "text/event-stream"

// EventStream sends server-sent events (HTML Living Standard, 9.2) to one client
// for as long as its handler lets it: the server's time limits are for answers
// that end, and don't apply to it. It is for one goroutine.
type EventStream struct {
	w          http.ResponseWriter
	controller *http.ResponseController
	within     time.Duration
}

// sendWithin bounds one write. A client that hasn't read for so long has half
// closed its connection, or sleeps; it asks again when it wakes.
const sendWithin = 10 * time.Second

// ErrHead means that only the head of an event stream was asked for, which was
// answered.
var ErrHead = errors.New("an event stream's head alone")

// NewEventStream begins the answer, which from here on can't be a problem any
// more. reconnect is after how long a client whose connection was lost asks
// again. With an error, the handler has nothing left to do.
func NewEventStream(w http.ResponseWriter, r *http.Request, reconnect time.Duration) (*EventStream, error) {
	s := &EventStream{w: w, controller: http.NewResponseController(w), within: sendWithin}
	w.Header().Set("Content-Type", ContentTypeEventStream)
	w.Header().Set("X-Accel-Buffering", "no") // proxies that know it don't hold events back
	w.WriteHeader(http.StatusOK)
	if stateOf(r.Context()).head {
		return nil, ErrHead
	}
	return s, s.write(fmt.Sprintf("retry: %d\n\n", reconnect.Milliseconds()))
}

// Send sends one event: id is what the client gives as Last-Event-ID when it asks
// again, name and id have no line breaks, data is written as JSON on one line. An
// error means that the client is gone or doesn't read.
func (s *EventStream) Send(id, name string, data any) error {
	line, err := json.Marshal(data)
	if err != nil {
		return fmt.Errorf("send event %s: %w", name, err)
	}
	return s.write(fmt.Sprintf("id: %s\nevent: %s\ndata: %s\n\n", id, name, line))
}

// Heartbeat sends a comment, which clients skip: it keeps proxies from closing a
// quiet connection, and finds out that a client is gone.
func (s *EventStream) Heartbeat() error { return s.write(":\n\n") }

func (s *EventStream) write(text string) error {
	// Cleared afterwards: over HTTP/2 a deadline that passes between two writes
	// ends the stream as well.
	err := s.controller.SetWriteDeadline(time.Now().Add(s.within))
	if err == nil {
		_, err = s.w.Write([]byte(text))
	}
	if err == nil {
		err = s.controller.Flush()
	}
	if err == nil {
		err = s.controller.SetWriteDeadline(time.Time{})
	}
	if err != nil {
		return fmt.Errorf("write to an event stream: %w", err)
	}
	return nil
}
