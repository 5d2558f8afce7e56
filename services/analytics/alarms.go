package analytics

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
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

// alarms is the answer: the alarms that the actor may see, latest first.
type alarms struct {
	Basis
	N      int           `json:"n"`
	Alarms []listedAlarm `json:"alarms"`
}

// listedAlarm is one alarm with what people made of it.
type listedAlarm struct {
	Alarm      string    `json:"alarm"`
	Chart      string    `json:"chart"`
	Stretch    int       `json:"stretch"` // of the chart: 1 before any restart
	Surgeon    string    `json:"surgeon"`
	Department string    `json:"department"`
	Outcome    string    `json:"outcome"`
	Kind       string    `json:"kind"`
	Case       string    `json:"case"`
	CaseNumber int       `json:"case_number"`
	CrossedAt  time.Time `json:"crossed_at"`
	Value      float64   `json:"value"`
	Threshold  float64   `json:"threshold"`
	FirstKnown *uint64   `json:"first_known"` // position when it was announced; null when it came with a rebuild
	Reviews    []review  `json:"reviews"`
	Restarted  bool      `json:"restarted"`
	Words      string    `json:"words"`
}

// review is a named person's look at an alarm.
type review struct {
	ReviewedAt time.Time `json:"reviewed_at"`
	By         string    `json:"by"`
	Finding    string    `json:"finding"`
	Action     string    `json:"action"`
	Restart    bool      `json:"restart"`
}

// getAlarms serves GET /v1/alarms.
func (s *Service) getAlarms(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	query, err := readQuery(r, "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: Reader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		listed, err := alarm.List(r.Context(), tx, asOf)
		if err != nil {
			return nil, err
		}
		out := alarms{Basis: basis(asOf), N: len(listed), Alarms: make([]listedAlarm, len(listed))}
		for i, l := range listed {
			out.Alarms[i] = alarmOf(l)
		}
		return out, nil
	}})
}

func alarmOf(l alarm.Listed) listedAlarm {
	out := listedAlarm{Alarm: l.Alarm, Chart: l.Chart, Stretch: int(l.Ordinal), Surgeon: l.Surgeon, Department: l.Department,
		Outcome: l.Outcome, Kind: l.Kind, Case: l.CaseCode, CaseNumber: int(l.CaseNumber), CrossedAt: l.CrossedAt,
		Value: events.Millionths(l.Value).Float(), Threshold: events.Millionths(l.Threshold).Float(),
		FirstKnown: l.FirstKnown, Reviews: []review{}, Restarted: l.Restarted, Words: AlarmWords(l)}
	for _, row := range l.Reviews {
		out.Reviews = append(out.Reviews, review{ReviewedAt: row.ReviewedAt, By: row.ReviewedBy, Finding: row.Finding, Action: row.Action, Restart: row.Restart})
	}
	return out
}

// Review is what a quality officer says about an alarm.
type Review struct {
	Finding string `json:"finding"` // a word of the events' vocabulary
	Action  string `json:"action"`  // free text, at most 500 characters
	Restart bool   `json:"restart"` // the chart begins again at zero with the next operation
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
	Sequence uint64        `json:"sequence"`
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
		return Reviewed{}, err
	}
	if found == nil {
		return Reviewed{}, web.NotFound()
	}
	if said.Restart && found.Restarted {
		return Reviewed{}, refused(web.Fault{Pointer: "/restart", Code: events.CodeNotAllowed,
			Detail: "restart: found true, but the chart has begun again since this alarm; leave it out"})
	}
	note := events.AlarmReviewed{Alarm: events.Code(found.Alarm), Finding: events.Finding(said.Finding), Action: events.Text(said.Action), By: PersonCode(who)}
	e := events.Event{Source: access.DeskSource, Subject: found.Chart, Department: found.Department, Time: s.cfg.Now().UTC().Truncate(time.Second)}
	notes := []events.Event{withData(e, events.TypeAlarmReviewed, &note)}
	if said.Restart {
		restart := events.ChartRestarted(note)
		notes = append(notes, withData(e, events.TypeChartRestarted, &restart))
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

// withData makes an event of a kind with an id of its own.
func withData(e events.Event, kind events.Type, data any) events.Event {
	e.ID, e.Type, e.Data = "desk-"+rand.Text(), kind, data
	return e
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
