package portal

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

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

// decide serves the forms of a signal: it reads what was typed, and stores it as
// events of the desk. What isn't stored is shown again as it was typed.
func (s *Service) decide(what string) handler {
	return func(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
		if s.cfg.Desk == nil {
			return &web.Error{Code: web.CodeUnavailable, Message: "Nothing can be recorded through this service. Ask whoever runs it."}
		}
		if err := r.ParseForm(); err != nil {
			return web.BodyError(err)
		}
		form := &signalForm{Alarm: mux.Vars(r)["alarm"], Sent: what}
		at, problems := form.read(r, s.cfg.Now())
		listed, err := s.findAlarm(r.Context(), actor, form.Alarm)
		var gone *web.Error
		if errors.As(err, &gone) && gone.Code == web.CodeNotFound {
			return s.alarmsPage(w, r, actor, http.StatusNotFound, form, []problemView{{"signals",
				"There is no such signal that you may see: a case may have been corrected since, so that its chart doesn't cross any more. Nothing was stored."}})
		}
		if err != nil {
			return err
		}
		if len(problems) > 0 {
			return s.alarmsPage(w, r, actor, http.StatusUnprocessableEntity, form, problems)
		}
		stored, status, problems, err := s.store(r.Context(), actor, form, form.events(actor, listed.Row, at))
		if err != nil {
			return err
		}
		if status != 0 {
			return s.alarmsPage(w, r, actor, status, form, problems)
		}
		s.await(r.Context(), stored)
		http.Redirect(w, r, alarmHref(form.Alarm, what), http.StatusSeeOther)
		return nil
	}
}

// store publishes what was decided. A status other than 0 says that it wasn't
// stored, and the problems why.
func (s *Service) store(ctx context.Context, actor access.Actor, form *signalForm, decided []events.Event) (stored []uint64, status int, problems []problemView, err error) {
	for _, e := range decided {
		result, err := s.cfg.Desk.PublishAs(ctx, actor, e)
		if status, why := notStored(err); status != 0 {
			for _, words := range why {
				problems = append(problems, problemView{form.firstField(), words})
			}
			return nil, status, problems, nil
		}
		if err != nil {
			return nil, 0, nil, err
		}
		if result.Status != intake.Kept {
			stored = append(stored, result.Sequence)
		}
	}
	return stored, 0, nil, nil
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

// events are a function of the form alone, its time included: a form that is sent
// twice makes the same events, and the second ones are duplicates.
func (f *signalForm) events(actor access.Actor, a alarm.Row, at time.Time) []events.Event {
	switch f.Sent {
	case sentAcknowledgement:
		return []events.Event{analytics.AcknowledgeEvent(actor, a, analytics.Acknowledgement{Note: f.Note}, at)}
	case sentAssignment:
		return []events.Event{analytics.AssignEvent(actor, a, analytics.Assignment{Owner: f.Owner, DueOn: f.DueOn}, at)}
	}
	return analytics.ReviewEvents(actor, a, analytics.Review{Finding: f.Finding, Action: f.Action, Restart: f.Restart}, at)
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

// alarmHref leads back to an alarm.
func alarmHref(code, what string) string {
	return "/alarms?recorded=" + url.QueryEscape(code) + "&what=" + url.QueryEscape(what) + "#" + url.PathEscape(code)
}
