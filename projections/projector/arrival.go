package projector

import (
	"fmt"
	"runtime"
	"strings"

	"lensledger/events"
	"lensledger/events/stream"
)

// Dispositions: what became of a stream position. Each position has exactly one.
const (
	Accepted    = "accepted"    // archived
	Duplicate   = "duplicate"   // the same event as one archived before
	Conflict    = "conflict"    // archived; another event has the same identity and other content
	Quarantined = "quarantined" // kept with its bytes and the reason, not folded
	Erased      = "erased"      // removed on request of the person it names
)

// reasonPoison is the reason of an event that broke its transaction.
const reasonPoison = "poison"

// arrival is one message of the stream, read.
type arrival struct {
	stream.Message
	Header      events.Header // the headers that are part of the event
	Event       events.Event
	Hash        events.Hash
	Disposition string
	Problems    []events.Problem // why it is quarantined
	Rivals      []version        // other contents under the same identity, archived before
	DuplicateOf uint64           // position of the archived event that a duplicate repeats
}

// reason is the code under which an arrival is quarantined.
func (a arrival) reason() string {
	if len(a.Problems) == 0 {
		return ""
	}
	return a.Problems[0].Code
}

// readAll decodes a batch on all cores, beside its caller; what it gives is there
// once wait has returned.
func readAll(batch []stream.Message) (arrivals []arrival, wait func()) {
	arrivals = make([]arrival, len(batch))
	var waits []func()
	share := (len(batch) + runtime.GOMAXPROCS(0) - 1) / runtime.GOMAXPROCS(0)
	for from := 0; from < len(batch); from += share {
		waits = append(waits, beside(func() {
			for i := from; i < min(from+share, len(batch)); i++ {
				arrivals[i] = read(batch[i])
			}
		}))
	}
	return arrivals, func() {
		for _, wait := range waits {
			wait()
		}
	}
}

// read decodes a message. A fault leads to quarantine, never to an error.
func read(m stream.Message) arrival {
	a := arrival{Message: m, Header: eventHeaders(m.Header)}
	if m.Replacement != nil && !m.Replacement.Kept {
		a.Disposition = Erased
		return a
	}
	e, problems := events.Decode(a.Header, m.Data)
	if len(problems) == 0 {
		problems = append(e.CheckTime(m.Time), differs(m.Subject, e)...)
	}
	if len(problems) > 0 {
		a.Disposition, a.Problems = Quarantined, problems
		return a
	}
	a.Event, a.Hash = e, e.Hash()
	return a
}

// differs holds the event against the broker's subject, which the publisher's
// credential vouches for: nobody speaks for another.
func differs(subject string, e events.Event) []events.Problem {
	if want := SubjectOf(e); subject != want {
		return []events.Problem{{Pointer: "", Code: events.CodeSubject,
			Detail: fmt.Sprintf("found the subject %s, allowed for this event: %s", subject, want)}}
	}
	return nil
}

// SubjectOf is the broker's subject of an event.
func SubjectOf(e events.Event) string {
	noun, participle, _, _ := e.Type.Parts()
	return stream.Subject(e.Source, e.Department, noun, participle)
}

// eventHeaders keeps the headers that carry the event, in lower case: the
// broker's own have no meaning for it.
func eventHeaders(h map[string][]string) events.Header {
	var out events.Header
	for name, values := range h {
		lower := strings.ToLower(name)
		if lower == "content-type" || strings.HasPrefix(lower, "ce-") {
			if out == nil {
				out = events.Header{}
			}
			out[lower] = values
		}
	}
	return out
}

// claimed is the source and department of a message by its subject, for the books
// on what could not be read.
func (a arrival) claimed() (source, department string) {
	if a.Disposition != Quarantined && a.Disposition != Erased {
		return a.Event.Source, a.Event.Department
	}
	words, _ := stream.ParseSubject(a.Subject)
	return words.Source, words.Department
}
