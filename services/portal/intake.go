package portal

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/projector"
	"lensledger/services/access"
	"lensledger/services/web"
)

// intakeView is the page of what was sent and what became of it.
type intakeView struct {
	frame
	Answer     string
	Told       string // what became of a replay just asked for
	Sources    []sourceView
	Quarantine *quarantineView // nil for a role that may not read it
}

// sourceView is one source and department.
type sourceView struct {
	Source, Department                                 string
	Accepted, Duplicate, Conflict, Quarantined, Erased string
	LastSeen                                           string
}

type quarantineView struct {
	Waiting  []quarantinedView
	Replayed []quarantinedView
	Counts   []countedReason
	Hidden   int // older ones that aren't listed
	Replay   bool
}

// quarantinedView is one event that could not be taken.
type quarantinedView struct {
	Sequence                 uint64
	Position, When           string
	Source, Department       string
	Why, Found, Do, Released string
}

// countedReason is how many events of a source are in quarantine for one reason.
type countedReason struct{ Source, Department, Reason, Waiting, Released string }

// quarantineShown bounds the list.
const quarantineShown = 200

// intake serves GET /intake.
func (s *Service) intake(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.intakePage(w, r, actor, http.StatusOK, replayTold(r.URL.Query().Get("replayed")))
}

func (s *Service) intakePage(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, told string) error {
	var view intakeView
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		counts, err := archive.Intake(r.Context(), tx)
		if err != nil {
			return err
		}
		view = intakeView{Sources: sourceRows(counts), Told: told}
		waiting := 0
		if may(actor.Role, http.MethodGet, "/v1/quarantine") {
			rows, err := archive.LatestQuarantine(r.Context(), tx, quarantineShown)
			if err != nil {
				return err
			}
			waits, replayed, err := archive.CountQuarantine(r.Context(), tx)
			if err != nil {
				return err
			}
			waiting = waits
			view.Quarantine = quarantineRows(rows)
			reasons, err := archive.QuarantineCounts(r.Context(), tx, archive.Newest, "")
			if err != nil {
				return err
			}
			view.Quarantine.Counts = countedReasons(reasons)
			view.Quarantine.Hidden = waiting + replayed - len(rows)
			view.Quarantine.Replay = s.cfg.Releaser != nil && may(actor.Role, http.MethodPost, replayRoute)
		}
		view.Answer = intakeAnswer(counts, waiting, view.Quarantine != nil)
		view.frame = s.frame(r.Context(), actor, "Were the events taken, which were refused and why?", &asOf)
		return nil
	})
	if err != nil {
		return err
	}
	return s.render(w, status, "intake", view)
}

// sourceRows puts the books of each source and department into one row.
func sourceRows(counts []archive.IntakeCount) []sourceView {
	type key struct{ source, department string }
	var order []key
	sums := map[key]map[string]int64{}
	last := map[key]time.Time{}
	for _, c := range counts {
		k := key{c.Source, c.Department}
		if sums[k] == nil {
			order, sums[k] = append(order, k), map[string]int64{}
		}
		sums[k][c.Disposition] += c.Events
		if c.LastRecordedAt.After(last[k]) {
			last[k] = c.LastRecordedAt
		}
	}
	out := make([]sourceView, 0, len(order))
	for _, k := range order {
		n := func(disposition string) string { return whole(int(sums[k][disposition])) }
		out = append(out, sourceView{Source: named(k.source), Department: named(k.department), Accepted: n(projector.Accepted),
			Duplicate: n(projector.Duplicate), Conflict: n(projector.Conflict), Quarantined: n(projector.Quarantined),
			Erased: n(projector.Erased), LastSeen: moment(last[k])})
	}
	return out
}

// named stands in for a code that could not be read.
func named(code string) string {
	if code == "" {
		return "not readable"
	}
	return code
}

func countedReasons(counts []archive.QuarantineCount) []countedReason {
	out := make([]countedReason, len(counts))
	for i, c := range counts {
		out[i] = countedReason{named(c.Source), named(c.Department), reasonOf(c.Reason), whole(c.Waiting), whole(c.Released)}
	}
	return out
}

// reasonOf words the reason of a quarantine.
func reasonOf(code string) string {
	if words, ok := reasonWords[code]; ok {
		return sentence(words.why)
	}
	return sentence(plain(code))
}

func quarantineRows(rows []archive.Quarantined) *quarantineView {
	view := &quarantineView{}
	for _, q := range rows {
		why, ok := reasonWords[q.Reason]
		if !ok {
			why.why, why.todo = plain(q.Reason), "Correct the event and send it again."
		}
		v := quarantinedView{Sequence: q.Sequence, Position: whole(int(q.Sequence)), When: moment(q.RecordedAt),
			Source: named(q.Source), Department: named(q.Department), Why: sentence(why.why) + ".", Do: why.todo}
		if len(q.Problems) > 0 {
			v.Found = q.Problems[0].Detail
			if q.Problems[0].Pointer != "" {
				v.Found = q.Problems[0].Pointer + ": " + v.Found
			}
			if more := len(q.Problems) - 1; more > 0 {
				v.Found += " (and " + plural(more, "more problem", "more problems") + ")"
			}
		}
		if q.ReleasedAs != nil {
			v.Released = whole(int(*q.ReleasedAs))
			view.Replayed = append(view.Replayed, v)
		} else {
			view.Waiting = append(view.Waiting, v)
		}
	}
	return view
}

func intakeAnswer(counts []archive.IntakeCount, waiting int, readable bool) string {
	if len(counts) == 0 {
		return "No event has arrived yet. Send one to POST /v1/events; with ?dry_run=true it is checked and not stored."
	}
	total := map[string]int64{}
	for _, c := range counts {
		total[c.Disposition] += c.Events
	}
	out := fmt.Sprintf("%s accepted, %s received again with the same content, %s in conflict, %s quarantined.",
		whole(int(total[projector.Accepted])), whole(int(total[projector.Duplicate])), whole(int(total[projector.Conflict])), whole(int(total[projector.Quarantined])))
	switch {
	case !readable:
		return out
	case waiting == 0:
		return out + " Nothing waits in quarantine."
	}
	return out + " " + plural(waiting, "event waits", "events wait") + " in quarantine and count in no figure."
}

// releaseWithin bounds how long a replay waits for the log.
const releaseWithin = 10 * time.Second

// replay serves POST /quarantine/{sequence}/replays.
func (s *Service) replay(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.Releaser == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Events can't be replayed through this service. Ask whoever runs it."}
	}
	sequence, err := strconv.ParseUint(mux.Vars(r)["sequence"], 10, 63)
	if err != nil {
		return web.NotFound()
	}
	visible := false
	if err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, _ archive.AsOf) (err error) {
		visible, err = archive.InQuarantine(r.Context(), tx, sequence)
		return err
	}); err != nil {
		return err
	}
	if !visible {
		return web.NotFound()
	}
	// The log is asked until it answers; a person isn't kept waiting for ever.
	within, cancel := context.WithTimeout(r.Context(), releaseWithin)
	defer cancel()
	position, err := s.cfg.Releaser.Release(within, sequence, nil)
	var refused *projector.StillRefused
	switch {
	case errors.As(err, &refused):
		return s.intakePage(w, r, actor, http.StatusUnprocessableEntity,
			fmt.Sprintf("The event at position %s is still refused: %s. Correct it at its source and send it again.", whole(int(sequence)), refused.Problems[0].Detail))
	case errors.Is(err, projector.ErrReleased):
		return s.intakePage(w, r, actor, http.StatusUnprocessableEntity, fmt.Sprintf("The event at position %s was replayed before.", whole(int(sequence))))
	case errors.Is(err, projector.ErrNotQuarantined):
		return web.NotFound()
	case err != nil && within.Err() != nil:
		return &web.Error{Code: web.CodeUnavailable, Message: "The log doesn't take events for the moment. The event stays in quarantine: try again in a little while."}
	case err != nil:
		return err
	}
	s.await(r.Context(), []uint64{position})
	http.Redirect(w, r, "/intake?replayed="+strconv.FormatUint(position, 10), http.StatusSeeOther)
	return nil
}

func replayTold(position string) string {
	n, err := strconv.ParseUint(position, 10, 63)
	if err != nil {
		return ""
	}
	return "The event was sent again and has position " + whole(int(n)) + " now."
}
