package analytics

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/gorilla/mux"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/services/access"
	"lensledger/services/web"
)

// Acknowledgement says that a quality officer has seen an alarm.
type Acknowledgement struct {
	Note string `json:"note"` // free text, at most 500 characters

	// AcknowledgedAt is as Review.ReviewedAt.
	AcknowledgedAt string `json:"acknowledged_at"`
}

// Assignment gives an alarm to somebody until a day.
type Assignment struct {
	Owner string `json:"owner"`  // a code
	DueOn string `json:"due_on"` // day, "2025-06-30"

	// AssignedAt is as Review.ReviewedAt.
	AssignedAt string `json:"assigned_at"`
}

// postAcknowledgement serves POST /v1/alarms/{alarm}/acknowledgements.
func (s *Service) postAcknowledgement(w http.ResponseWriter, r *http.Request) {
	var said Acknowledgement
	s.handle(w, r, &said, func(who access.Actor, a alarm.Row) (events.Event, error) {
		at, err := decisionTime("acknowledged_at", said.AcknowledgedAt, s.cfg.Now())
		return AcknowledgeEvent(who, a, said, at), err
	})
}

// postAssignment serves POST /v1/alarms/{alarm}/assignments.
func (s *Service) postAssignment(w http.ResponseWriter, r *http.Request) {
	var said Assignment
	s.handle(w, r, &said, func(who access.Actor, a alarm.Row) (events.Event, error) {
		at, err := decisionTime("assigned_at", said.AssignedAt, s.cfg.Now())
		if err == nil {
			err = CheckDue(said.DueOn, at)
		}
		return AssignEvent(who, a, said, at), err
	})
}

// handle stores what was said about an alarm that the actor may see.
func (s *Service) handle(w http.ResponseWriter, r *http.Request, said any, event func(access.Actor, alarm.Row) (events.Event, error)) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if _, err := readBody(r, said); err != nil {
		s.fail(w, r, err)
		return
	}
	found, err := s.findAlarm(r, who, mux.Vars(r)["alarm"])
	if err != nil {
		s.fail(w, r, err)
		return
	}
	e, err := event(who, found.Row)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	result, err := s.cfg.Desk.PublishAs(r.Context(), who, e)
	if err != nil {
		s.fail(w, r, intoReview(err))
		return
	}
	web.WriteJSON(w, http.StatusAccepted, Reviewed{Alarm: found.Alarm, Chart: found.Chart,
		Events: []PublishedNote{{ID: result.ID, Type: e.Type, Status: result.Status, Sequence: result.Sequence}}})
}

// longestDue is how far ahead the day may be by which somebody is to have looked
// into an alarm. Common practice, no source.
const longestDue = 366 * 24 * time.Hour

// CheckDue says what is wrong with the day by which somebody is to have looked into
// an alarm, given at a time: a *web.Error with the pointer /due_on.
func CheckDue(day string, at time.Time) error {
	due, err := time.Parse(time.DateOnly, day)
	if day == "" || err == nil && !due.Before(at.UTC().Truncate(24*time.Hour)) && due.Sub(at) <= longestDue {
		return nil // without one the event is refused
	}
	return refused(web.Fault{Pointer: "/due_on", Code: events.CodeOutOfRange,
		Detail: fmt.Sprintf("due_on: found %q, allowed a day such as %s, today or up to a year ahead", short(day), at.AddDate(0, 0, 14).Format(time.DateOnly))})
}

// AcknowledgeEvent is the desk's event of an acknowledgement: a function of what is
// given, its id included, so that one that is sent twice is a duplicate.
func AcknowledgeEvent(who access.Actor, a alarm.Row, said Acknowledgement, at time.Time) events.Event {
	by := PersonCode(who)
	return deskEvent(a, at, events.TypeAlarmAcknowledged, "acknowledgement", []string{said.Note, string(by)},
		&events.AlarmAcknowledged{Alarm: events.Code(a.Alarm), Note: events.Text(said.Note), By: by})
}

// AssignEvent is the desk's event of an assignment, a function of what is given.
func AssignEvent(who access.Actor, a alarm.Row, said Assignment, at time.Time) events.Event {
	by := PersonCode(who)
	return deskEvent(a, at, events.TypeAlarmAssigned, "assignment", []string{said.Owner, said.DueOn, string(by)},
		&events.AlarmAssigned{Alarm: events.Code(a.Alarm), Owner: events.Code(said.Owner), DueOn: events.Date(said.DueOn), By: by})
}

func deskEvent(a alarm.Row, at time.Time, kind events.Type, what string, said []string, data any) events.Event {
	at = at.UTC()
	sum := sha256.Sum256([]byte(strings.Join(append([]string{what, a.Alarm, at.Format(time.RFC3339)}, said...), "\x00")))
	return events.Event{ID: what + "-" + hex.EncodeToString(sum[:12]), Source: access.DeskSource, Type: kind,
		Subject: a.Chart, Department: a.Department, Time: at, Data: data}
}
