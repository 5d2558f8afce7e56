package events

import (
	"crypto/sha256"
	"encoding/hex"
	"time"
)

// Event is one decoded fact: a CloudEvents 1.0 envelope and its typed data.
type Event struct {
	ID         string    // made once by the publisher, before its first try
	Source     string    // the publisher's code
	Type       Type      // wire name, for example "lensledger.case.booked.v1"
	Subject    string    // code of the case, surgeon or chart the fact is about
	Department string    // code of the department
	Time       time.Time // when it happened, with the offset as sent
	Data       any       // pointer to the payload struct of Type, for example *CaseBooked

	sent *sent // set when the version on the wire was an older one
}

// Identity names an event: the publisher and the publisher's own id.
type Identity struct{ Source, ID string }

// Identity returns the pair that names e.
func (e Event) Identity() Identity { return Identity{e.Source, e.ID} }

// Hash is the SHA-256 of an event's canonical form.
type Hash [sha256.Size]byte

// String gives the hash in lower-case hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MessageID is the broker's message id, "<source>/<id>/<first 16 hex digits of
// the hash>": a retry is a duplicate, while other content under the same
// identity gets through, so that the broker never swallows a conflict.
func (e Event) MessageID() string {
	return e.Source + "/" + e.ID + "/" + e.Hash().String()[:16]
}

// Problem is one fault of an event, or one value to confirm.
type Problem struct {
	Pointer string `json:"pointer"` // JSON Pointer into the event as sent
	Code    string `json:"code"`    // one of the Code constants
	Detail  string `json:"detail"`  // what was found and what is allowed
}

// Codes of problems. They are also the reasons of quarantine.
const (
	CodeNotJSON      = "not-json"        // the body is no JSON text, or breaks a bound of depth, size or characters
	CodeEnvelope     = "envelope"        // the CloudEvents envelope is incomplete or of another version
	CodeUnknownType  = "unknown-type"    // no event type of this name
	CodeNewerVersion = "newer-version"   // a version of a known type that this program doesn't know yet
	CodeUnknownField = "unknown-field"   // a field the type doesn't have
	CodeMissing      = "missing"         // a required field is absent
	CodeWrongType    = "wrong-type"      // for example text where a number belongs
	CodeOutOfRange   = "out-of-range"    // outside the hard limits
	CodeNotAllowed   = "not-allowed"     // not one of the listed words, or not a code
	CodeTime         = "time"            // no offset, or in the future
	CodeConfirm      = "confirm"         // stored, outside the usual range
	CodeForeign      = "not-yours"       // someone else's source or department
	CodeSubject      = "subject-differs" // the broker's subject and the event disagree
)
