package portal

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// reviewForm is a review as typed in, and as shown again when it wasn't stored.
type reviewForm struct {
	Alarm    string
	OpenedAt string // when the form was made, RFC 3339; the review's time
	Finding  string
	Action   string
	Restart  bool
	Findings []choice
}

// choice is one option of a list.
type choice struct {
	Value, Words string
	Selected     bool
}

var findings = []string{"no-cause-found", "case-mix", "data-error", "training-need", "device-or-lot", "other"}

const maxActionCharacters = 500 // as events.Text has it

// A form may lie open for this long before it has to be sent.
const formLife = 12 * time.Hour

func newReviewForm(alarmCode string, now time.Time) *reviewForm {
	f := &reviewForm{Alarm: alarmCode, OpenedAt: now.UTC().Format(time.RFC3339)}
	f.list()
	return f
}

func (f *reviewForm) list() {
	f.Findings = []choice{{"", "Choose a finding", f.Finding == ""}}
	for _, w := range findings {
		f.Findings = append(f.Findings, choice{w, sentence(plain(w)), f.Finding == w})
	}
}

// read fills the form from what was sent and says what is wrong with it.
func (f *reviewForm) read(r *http.Request, now time.Time) (time.Time, []problemView) {
	f.OpenedAt = r.PostFormValue("opened_at")
	f.Finding = r.PostFormValue("finding")
	// Text of an event is one line: the breaks of the field become spaces.
	f.Action = strings.Join(strings.Fields(r.PostFormValue("action")), " ")
	f.Restart = r.PostFormValue("restart") == "yes"
	f.list()
	var problems []problemView
	if !slices.Contains(findings, f.Finding) {
		problems = append(problems, problemView{"finding-" + f.Alarm, "Choose what the review found."})
	}
	if n := utf8.RuneCountInString(f.Action); n > maxActionCharacters {
		problems = append(problems, problemView{"action-" + f.Alarm,
			fmt.Sprintf("The action has %d characters; shorten it to %d.", n, maxActionCharacters)})
	}
	at, err := time.Parse(time.RFC3339, f.OpenedAt)
	if err != nil || at.After(now.Add(time.Minute)) || now.Sub(at) > formLife {
		f.OpenedAt = now.UTC().Format(time.RFC3339)
		problems = append(problems, problemView{"finding-" + f.Alarm,
			"The form lay open for too long. Check that nothing has changed above, and send it again."})
	}
	return at, problems
}

// review serves POST /alarms/{alarm}/reviews.
func (s *Service) review(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.Desk == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Reviews can't be recorded through this service. Ask whoever runs it."}
	}
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	form := &reviewForm{Alarm: mux.Vars(r)["alarm"]}
	listed, err := s.findAlarm(r.Context(), actor, form.Alarm)
	if err != nil {
		return err
	}
	at, problems := form.read(r, s.cfg.Now())
	if len(problems) > 0 {
		return s.alarmsPage(w, r, actor, http.StatusUnprocessableEntity, form, problems)
	}
	var stored []uint64
	for _, e := range reviewEvents(actor, listed.Row, *form, at) {
		result, err := s.cfg.Desk.PublishAs(r.Context(), actor, e)
		if status, why := notStored(err); status != 0 {
			for _, words := range why {
				problems = append(problems, problemView{"action-" + form.Alarm, words})
			}
			return s.alarmsPage(w, r, actor, status, form, problems)
		}
		if err != nil {
			return err
		}
		if result.Status != intake.Kept {
			stored = append(stored, result.Sequence)
		}
	}
	s.await(r.Context(), stored)
	http.Redirect(w, r, alarmHref(form.Alarm), http.StatusSeeOther)
	return nil
}

// findAlarm gives an alarm that the actor may see, of a department of the actor's.
func (s *Service) findAlarm(ctx context.Context, actor access.Actor, code string) (alarm.Listed, error) {
	var found *alarm.Listed
	err := s.read(ctx, reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		alarms, err := alarm.List(ctx, tx, asOf)
		for i, a := range alarms {
			if a.Alarm == code && actor.InDepartment(a.Department) {
				found = &alarms[i]
			}
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

// reviewEvents are a function of the form alone, its time included: a form that
// is sent twice makes the same events, and the second ones are duplicates.
func reviewEvents(actor access.Actor, a alarm.Row, form reviewForm, at time.Time) []events.Event {
	by := analytics.PersonCode(actor)
	sum := sha256.Sum256([]byte(strings.Join([]string{a.Alarm, form.OpenedAt, form.Finding, form.Action, strconv.FormatBool(form.Restart), string(by)}, "\x00")))
	id := "review-" + hex.EncodeToString(sum[:12])
	data := events.AlarmReviewed{Alarm: events.Code(a.Alarm), Finding: events.Finding(form.Finding), Action: events.Text(form.Action), By: by}
	make1 := func(id string, kind events.Type, data any) events.Event {
		return events.Event{ID: id, Source: access.DeskSource, Type: kind, Subject: a.Chart, Department: a.Department, Time: at.UTC(), Data: data}
	}
	out := []events.Event{make1(id, events.TypeAlarmReviewed, &data)}
	if form.Restart {
		restarted := events.ChartRestarted(data)
		out = append(out, make1(id+"-restart", events.TypeChartRestarted, &restarted))
	}
	return out
}

// awaitWithin bounds how long a page waits for its own event to be read in.
const awaitWithin = 5 * time.Second

// await waits until the rows of some positions are there, or for awaitWithin: the
// events are stored either way.
func (s *Service) await(ctx context.Context, sequences []uint64) {
	if s.cfg.Projection == nil || len(sequences) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, awaitWithin)
	defer cancel()
	_, _ = s.cfg.Projection.Projected(ctx, sequences)
}
