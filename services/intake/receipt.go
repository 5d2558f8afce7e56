package intake

import (
	"net/http"

	"lensledger/events"
	"lensledger/services/web"
)

// Status is what became of one event of a request.
type Status string

// The statuses.
const (
	Stored    Status = "stored"     // on disk at its sequence
	Duplicate Status = "duplicate"  // the log has it already, at its sequence
	Kept      Status = "kept"       // the log is away; on disk here, and stored once it is back
	Refused   Status = "refused"    // wrong; send it again once it is right
	NotStored Status = "not-stored" // the log didn't say that it has it; send it again as it is
	Valid     Status = "valid"      // dry run: it would have been stored
)

// Receipt says what became of the events of a request.
type Receipt struct {
	DryRun    bool     `json:"dry_run,omitempty"`
	Stored    int      `json:"stored"`
	Duplicate int      `json:"duplicate"`
	Kept      int      `json:"kept,omitempty"`
	Refused   int      `json:"refused"`
	NotStored int      `json:"not_stored,omitempty"`
	Valid     int      `json:"valid,omitempty"`
	Projected *bool    `json:"projected,omitempty"` // wait=projected: whether every disposition is known; that of a kept event isn't
	Results   []Result `json:"results"`
}

// Result is what became of one event.
type Result struct {
	Index       int              `json:"index"`          // position in the request, from 0
	Line        int              `json:"line,omitempty"` // of NDJSON, from 1
	ID          string           `json:"id,omitempty"`   // as sent, where it could be read
	Status      Status           `json:"status"`
	Sequence    uint64           `json:"sequence,omitempty"`    // position in the log
	Disposition string           `json:"disposition,omitempty"` // wait=projected: accepted, duplicate, conflict, quarantined
	Problems    []events.Problem `json:"problems,omitempty"`
	Confirm     []events.Problem `json:"confirm,omitempty"` // stored, but please look again
}

// maxProblems bounds the problems listed in one answer. From there on each
// refused event shows its first one only.
const maxProblems = 5000

func (rec *Receipt) add(r Result) {
	switch r.Status {
	case Stored:
		rec.Stored++
	case Duplicate:
		rec.Duplicate++
	case Kept:
		rec.Kept++
	case Refused:
		rec.Refused++
	case NotStored:
		rec.NotStored++
	case Valid:
		rec.Valid++
	}
	rec.Results = append(rec.Results, r)
}

// sequences lists the positions of what the log holds.
func (rec *Receipt) sequences() []uint64 {
	var out []uint64
	for _, r := range rec.Results {
		if r.Sequence > 0 {
			out = append(out, r.Sequence)
		}
	}
	return out
}

func noEvent() *web.Error {
	return &web.Error{Code: web.CodeInvalid, Message: "The body holds no event."}
}

// answer writes the receipt. failure, which may be nil, is why it ends early.
func (rec *Receipt) answer(w http.ResponseWriter, r *http.Request, failure *web.Error) {
	if failure == nil && rec.NotStored > 0 {
		failure = &web.Error{Code: web.CodeUnavailable, Message: "The log doesn't take events for the moment. Send those that are not-stored, " +
			"and those without a result, again with the same ids."}
	}
	if failure == nil && len(rec.Results) == 0 {
		failure = noEvent()
	}
	switch {
	case failure != nil && len(rec.Results) == 0:
		web.WriteError(w, r, failure)
	case failure != nil:
		web.WriteProblem(w, r, failure, func(p web.Problem) any {
			return struct {
				web.Problem
				*Receipt
			}{p, rec}
		})
	case rec.Valid > 0:
		web.WriteJSON(w, http.StatusOK, rec)
	case rec.Stored+rec.Duplicate+rec.Kept > 0:
		web.WriteJSON(w, http.StatusAccepted, rec)
	default:
		web.WriteJSON(w, http.StatusUnprocessableEntity, rec)
	}
}
