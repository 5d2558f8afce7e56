package analytics

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// Review is what a quality officer says about an alarm.
type Review struct {
	Finding string `json:"finding"` // a word of the events' vocabulary
	Action  string `json:"action"`  // free text, at most 500 characters
	Restart bool   `json:"restart"` // the chart begins again at zero with the next operation

	// ReviewedAt is when the review was made, RFC 3339 with an offset, to the
	// second; empty is now. A review that is sent again with the same time and
	// words is a duplicate; without it, it is another review.
	ReviewedAt string `json:"reviewed_at"`
}

// Reviewed says which events a review became.
type Reviewed struct {
	Alarm  string          `json:"alarm"`
	Chart  string          `json:"chart"`
	Events []PublishedNote `json:"events"`
}

// PublishedNote is one event that was stored.
type PublishedNote struct {
	ID       string        `json:"id"`
	Type     events.Type   `json:"type"`
	Status   intake.Status `json:"status"`
	Sequence uint64        `json:"sequence,omitempty"` // none while it is kept for a log that is away
}

// postReview serves POST /v1/alarms/{alarm}/reviews.
func (s *Service) postReview(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var said Review
	if _, err := readBody(r, &said); err != nil {
		s.fail(w, r, err)
		return
	}
	done, err := s.ReviewAlarm(r, who, mux.Vars(r)["alarm"], said)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	web.WriteJSON(w, http.StatusAccepted, done)
}

// ReviewAlarm stores a review of an alarm that the actor may see, as events of
// the desk. Failures that a person may read are *web.Error, with pointers into
// Review. What is stored is in the figures once it is projected.
func (s *Service) ReviewAlarm(r *http.Request, who access.Actor, code string, said Review) (Reviewed, error) {
	found, err := s.findAlarm(r, who, code)
	if err != nil {
		return Reviewed{}, err
	}
	at, err := reviewTime(said.ReviewedAt, s.cfg.Now())
	if err != nil {
		return Reviewed{}, err
	}
	notes := ReviewEvents(who, found.Row, said, at)
	if said.Restart && found.Restarted && !standsAlready(found, said, notes) {
		return Reviewed{}, refused(web.Fault{Pointer: "/restart", Code: events.CodeNotAllowed,
			Detail: "restart: found true, but the chart has begun again since this alarm; leave it out"})
	}
	out := Reviewed{Alarm: found.Alarm, Chart: found.Chart, Events: []PublishedNote{}}
	for _, e := range notes {
		result, err := s.cfg.Desk.PublishAs(r.Context(), who, e)
		if err != nil {
			return Reviewed{}, intoReview(err)
		}
		out.Events = append(out.Events, PublishedNote{ID: result.ID, Type: e.Type, Status: result.Status, Sequence: result.Sequence})
	}
	return out, nil
}

func (s *Service) findAlarm(r *http.Request, who access.Actor, code string) (alarm.Listed, error) {
	var found *alarm.Listed
	err := pg.AsActor(r.Context(), s.cfg.Pool, Reader(who), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, "")
		if err != nil {
			return err
		}
		listed, err := alarm.List(r.Context(), tx, asOf)
		if i := slices.IndexFunc(listed, func(l alarm.Listed) bool { return l.Alarm == code }); i >= 0 {
			found = &listed[i]
		}
		return err
	})
	if err != nil {
		return alarm.Listed{}, err
	}
	if found == nil {
		return alarm.Listed{}, web.NotFound()
	}
	return *found, nil
}

// reviewLife is how long after it was made a review may be sent: long enough to
// try again through an outage, too short to rewrite where a chart began again.
// Common practice, no source.
const reviewLife = 24 * time.Hour

func reviewTime(given string, now time.Time) (time.Time, error) {
	return noteTime("reviewed_at", given, now)
}

// ReviewEvents are the desk's events of a review: the review and, if the chart
// begins again, its restart. They are a function of what is given, ids included,
// so that a review that is sent twice makes the same events and the second ones
// are duplicates.
func ReviewEvents(who access.Actor, a alarm.Row, said Review, at time.Time) []events.Event {
	by := PersonCode(who)
	at = at.UTC()
	sum := sha256.Sum256([]byte(strings.Join([]string{a.Alarm, at.Format(time.RFC3339), said.Finding, said.Action,
		strconv.FormatBool(said.Restart), string(by)}, "\x00")))
	note := events.AlarmReviewed{Alarm: events.Code(a.Alarm), Finding: events.Finding(said.Finding), Action: events.Text(said.Action), By: by}
	e := events.Event{ID: "review-" + hex.EncodeToString(sum[:12]), Source: access.DeskSource, Type: events.TypeAlarmReviewed,
		Subject: a.Chart, Department: a.Department, Time: at, Data: &note}
	out := []events.Event{e}
	if said.Restart {
		restart := events.ChartRestarted(note)
		e.ID, e.Type, e.Data = e.ID+"-restart", events.TypeChartRestarted, &restart
		out = append(out, e)
	}
	return out
}

// standsAlready says whether it was this very review that began the chart again.
func standsAlready(a alarm.Listed, said Review, notes []events.Event) bool {
	note := notes[0].Data.(*events.AlarmReviewed)
	return slices.ContainsFunc(a.Reviews, func(r alarm.ReviewRow) bool {
		return r.Restart && r.ReviewedAt.Equal(notes[0].Time) && r.ReviewedBy == string(note.By) &&
			r.Finding == said.Finding && r.Action == said.Action
	})
}

// intoReview turns pointers into the event into pointers into the review.
func intoReview(err error) error {
	var known *web.Error
	if !errors.As(err, &known) || len(known.Faults) == 0 {
		return err
	}
	out := *known
	out.Faults = slices.Clone(known.Faults)
	for i, f := range out.Faults {
		if f.Pointer == "/data/finding" || f.Pointer == "/data/action" {
			out.Faults[i].Pointer = f.Pointer[len("/data"):]
		}
	}
	return &out
}

var codeShape = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

// PersonCode is the code under which an event names the actor: the issuer's name
// where it is a code, else a code made of it, so that no address or real name
// enters the record.
func PersonCode(who access.Actor) events.Code {
	if codeShape.MatchString(who.Subject) {
		return events.Code(who.Subject)
	}
	sum := sha256.Sum256([]byte(who.Subject))
	return events.Code(fmt.Sprintf("%s-%s", who.Role, hex.EncodeToString(sum[:8])))
}
