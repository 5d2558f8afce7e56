package stream

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// erasedPrefix and the sequence of a message make the subject on which what
// replaces it is stored. No source's code can begin with a $, so no publisher's
// permission covers it: only the credential that may also delete messages.
const erasedPrefix = subjectPrefix + "$erased."

// Erasure is what stands in the place of a message that was removed because it
// named a person: a message of the stream itself, at a sequence of its own.
type Erasure struct {
	Sequence uint64 // of this message; 0 before it is stored
	At       time.Time
	Position uint64 // sequence of the message that is replaced

	Subject    string    // of the replaced message
	Recorded   time.Time // when that one was recorded
	Source, ID string    // identity of its event; empty where it couldn't be read
	Reason     string    // why, in the words of whoever ran the erasure

	// Kept says that the event is kept without the person's code, in Header and
	// Data. Else nothing of it is.
	Kept   bool
	Header map[string][]string
	Data   []byte
}

// Headers of an Erasure.
const (
	hdrErasedSubject  = "Lensledger-Erased-Subject"
	hdrErasedRecorded = "Lensledger-Erased-Recorded"
	hdrErasedSource   = "Lensledger-Erased-Source"
	hdrErasedID       = "Lensledger-Erased-Id"
	hdrErasedReason   = "Lensledger-Erased-Reason"
	hdrErasedKept     = "Lensledger-Erased-Kept"
	hdrErased         = "lensledger-erased-" // all of them, in lower case
)

// ErrNotReplaced means that a message isn't removed because nothing is stored in
// its place.
var ErrNotReplaced = errors.New("nothing is stored in the place of this message")

// ErasureOf reads a message as an Erasure; false if it is none.
func ErasureOf(m Message) (Erasure, bool) {
	position, ok := erasedPosition(m.Subject)
	if !ok {
		return Erasure{}, false
	}
	e := Erasure{Sequence: m.Sequence, At: m.Time, Position: position}
	if m.Replacement != nil { // itself erased since: what it kept is in a later one
		e.Source, e.ID, e.Reason = m.Replacement.Source, m.Replacement.ID, m.Replacement.Reason
		return e, true
	}
	h := nats.Header(m.Header)
	e.Subject, e.Source, e.ID, e.Reason = h.Get(hdrErasedSubject), h.Get(hdrErasedSource), h.Get(hdrErasedID), h.Get(hdrErasedReason)
	recorded, err := time.Parse(time.RFC3339Nano, h.Get(hdrErasedRecorded))
	if err != nil {
		return Erasure{}, false
	}
	e.Recorded, e.Kept = recorded, h.Get(hdrErasedKept) == "yes"
	if !e.Kept {
		return e, true
	}
	e.Header, e.Data = map[string][]string{}, m.Data
	for name, values := range m.Header {
		lower := strings.ToLower(name)
		if !strings.HasPrefix(lower, hdrErased) && !strings.HasPrefix(lower, hdrReserved) {
			e.Header[name] = values
		}
	}
	return e, true
}

// IsErasure reports whether a message stands in the place of another.
func IsErasure(m Message) bool {
	_, ok := erasedPosition(m.Subject)
	return ok
}

func erasedPosition(subject string) (uint64, bool) {
	digits, ok := strings.CutPrefix(subject, erasedPrefix)
	if !ok {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 64)
	return n, err == nil && n > 0 && strconv.FormatUint(n, 10) == digits
}

func erasedSubject(sequence uint64) string { return erasedPrefix + strconv.FormatUint(sequence, 10) }

// Message is what a reader is given at the position of the replaced message.
func (e Erasure) Message() Message {
	return Message{Subject: e.Subject, Header: e.Header, Data: e.Data, Sequence: e.Position, Time: e.Recorded, Replacement: &e}
}

// message writes an Erasure for the broker.
func (e Erasure) message() (*nats.Msg, error) {
	msg := &nats.Msg{Subject: erasedSubject(e.Position), Header: nats.Header{}}
	kept := "no"
	if e.Kept {
		kept, msg.Data = "yes", e.Data
		for name, values := range e.Header {
			msg.Header[name] = values
		}
	}
	for name, value := range map[string]string{hdrErasedSubject: e.Subject, hdrErasedRecorded: e.Recorded.UTC().Format(time.RFC3339Nano),
		hdrErasedSource: e.Source, hdrErasedID: e.ID, hdrErasedReason: e.Reason, hdrErasedKept: kept} {
		msg.Header.Set(name, value)
	}
	hash := sha256.New()
	for _, part := range [][]byte{[]byte(e.Subject), []byte(kept), msg.Data} {
		hash.Write(part)
	}
	msg.Header.Set(hdrMessageID, fmt.Sprintf("erased/%d/%s", e.Position, hex.EncodeToString(hash.Sum(nil)[:8])))
	msg.Header.Set(hdrExpectedStream, StreamName)
	if n := wireSize(msg); n > MaxMessageBytes {
		return nil, &TooLargeError{Bytes: n, Limit: MaxMessageBytes}
	}
	return msg, nil
}

// Replacement is the latest Erasure stored for a sequence, ErrNotFound if there is
// none.
func (s *Stream) Replacement(ctx context.Context, sequence uint64) (Erasure, error) {
	ctx, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	handle, err := s.js.Stream(ctx, StreamName)
	if err != nil {
		return Erasure{}, fmt.Errorf("look for what replaces sequence %d: %w", sequence, err)
	}
	return replacement(ctx, handle, sequence)
}

func replacement(ctx context.Context, handle jetstream.Stream, sequence uint64) (Erasure, error) {
	m, err := handle.GetLastMsgForSubject(ctx, erasedSubject(sequence))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		err = ErrNotFound
	}
	if err != nil {
		return Erasure{}, fmt.Errorf("look for what replaces sequence %d: %w", sequence, err)
	}
	e, ok := ErasureOf(Message{Subject: m.Subject, Header: m.Header, Data: m.Data, Sequence: m.Sequence, Time: m.Time})
	if !ok {
		return Erasure{}, fmt.Errorf("read what replaces sequence %d: %w", sequence, ErrNotFound)
	}
	return e, nil
}

// Replace stores an Erasure and returns its sequence once it is on disk. It tries
// again until ctx ends, with the same message id.
func (s *Stream) Replace(ctx context.Context, e Erasure) (uint64, error) {
	msg, err := e.message()
	results := make([]Result, 1)
	if err == nil {
		s.publisher.settle(ctx, []try{{msg: msg}}, results)
		err = results[0].Err
	}
	if err != nil {
		return 0, fmt.Errorf("replace sequence %d: %w", e.Position, err)
	}
	return results[0].Sequence, nil
}

// Remove deletes a message for good: the server overwrites its bytes. What stands
// in its place has to be stored before, else ErrNotReplaced. A message that is gone
// already is no error.
func (s *Stream) Remove(ctx context.Context, sequence uint64) error {
	ctx, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	ctx, stop := s.link.whilePermitted(ctx, deleteSubject)
	defer stop()
	handle, err := s.js.Stream(ctx, StreamName)
	if err == nil {
		_, err = replacement(ctx, handle, sequence)
	}
	if errors.Is(err, ErrNotFound) {
		return fmt.Errorf("remove sequence %d: %w", sequence, ErrNotReplaced)
	}
	if err == nil {
		if err = handle.SecureDeleteMsg(ctx, sequence); err == nil {
			return nil
		}
		if _, gone := handle.GetMsg(ctx, sequence); errors.Is(gone, jetstream.ErrMsgNotFound) {
			return nil // by an earlier try
		}
	}
	if ctx.Err() != nil {
		err = context.Cause(ctx)
	}
	return fmt.Errorf("remove sequence %d: %w", sequence, err)
}

const deleteSubject = "$JS.API.STREAM.MSG.DELETE." + StreamName
