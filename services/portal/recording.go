package portal

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/services/access"
	"lensledger/services/web"
)

// recordingView marks the recording of a case. Its rows are the whole of it; the
// script only fills them from a player.
type recordingView struct {
	frame
	Case     string
	By       string // the trainer
	Back     string // the case's page
	Problems []problemView
	Told     string // what became of marks just sent
	Answer   string
	Pace     string // what the known moments make of the file
	Kept     bool   // the form holds what was sent and wasn't stored
	Done     bool   // marks were just stored
	Recorded tableView
	Form     *recordingForm
	Keys     []keyView

	Steps        []choice // in usual order, without those recorded
	AllSteps     []choice // for teaching points
	Polarities   []choice
	Consequences []choice
	Known        []string // codes of teaching points, to choose from
}

// keyView is a key of the player. The script reads the keys from the page, so that
// what is listed is what works.
type keyView struct{ Key, Says, Do, Button string }

// recordingKeys are letters of our own and the arrows. They work only while the
// player itself has the focus, so they take none from a screen reader or the browser.
var recordingKeys = []keyView{
	{"p", "P", "play", "Play or pause"},
	{"ArrowLeft", "Left arrow", "back", "Back 5 seconds"},
	{"ArrowRight", "Right arrow", "forward", "Forward 5 seconds"},
	{"ArrowDown", "Down arrow", "slower", "Reduce the pace"},
	{"ArrowUp", "Up arrow", "faster", "Raise the pace"},
	{"v", "V", "previous", "Choose the step before"},
	{"n", "N", "next", "Choose the next step"},
	{"b", "B", "begin", "The step begins here"},
	{"e", "E", "end", "The step ends here"},
	{"g", "G", "strength", "This went well"},
	{"w", "W", "improve", "This is to work on"},
	{"m", "M", "moment", "I know this moment on the theatre's clock"},
}

// findRecording reads a case whose recording the actor may mark: a trainer who
// supervises its first operator and works in its department, as for a review, since
// a remark on technique is a trainer's.
func (s *Service) findRecording(r *http.Request, actor access.Actor) (record outcome.Record, around frame, known []knownPoint, err error) {
	err = s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		if record, err = outcome.Read(r.Context(), tx, mux.Vars(r)["case"], asOf); err != nil {
			return err
		}
		around = s.frame(r.Context(), actor, "What does the recording of this case show?", &asOf)
		around.Live = "" // a film that plays isn't taken away for something new
		evidence, err := evidenceOf(r.Context(), tx, record)
		if err != nil || evidence == nil {
			return err
		}
		stage, err := stageAlone(evidence)
		known = knownPoints(stage, evidence)
		return err
	})
	switch {
	case err != nil:
	case s.cfg.Desk == nil:
		err = &web.Error{Code: web.CodeUnavailable, Message: "Marks can't be recorded through this service. Ask whoever runs it."}
	case !s.canReview(actor, record.Row):
		err = &web.Error{Code: web.CodeForbidden, Message: "A recording is marked by a trainer who supervises the case's first operator and works in its department."}
	}
	return record, around, known, err
}

// recording serves GET /cases/{case}/recording.
func (s *Service) recording(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	record, around, known, err := s.findRecording(r, actor)
	if err != nil {
		return err
	}
	view := recordingWords(record.Case, actor.Surgeon, newRecordingForm(s.cfg.Now(), rand.Text()), known)
	view.frame = around
	if id := r.URL.Query().Get("stored"); strings.HasPrefix(id, anyMark) {
		view.Told, view.Done = "Your marks are stored and will count once they are read in. Open this page again in a moment.", true
		if slices.ContainsFunc(record.Case.Timeline, func(e fold.Effective) bool { return e.Source == access.DeskSource && e.ID == id }) {
			view.Told = "Your marks are recorded. The first operator sees the teaching points, with their places in the recording, under Advice."
		}
	}
	return s.recordingPage(w, http.StatusOK, view)
}

// markRecording serves POST /cases/{case}/recording.
func (s *Service) markRecording(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	record, around, known, err := s.findRecording(r, actor)
	if err != nil {
		return err
	}
	form := readRecordingForm(r)
	again := func(status int, problems []problemView) error {
		form.grow()
		view := recordingWords(record.Case, actor.Surgeon, form, known)
		view.frame, view.Problems, view.Kept = around, problems, true
		return s.recordingPage(w, status, view)
	}
	if r.PostFormValue("do") == "rows" {
		return again(http.StatusOK, nil)
	}
	said, problems := form.check(record.Case, recordedSteps(record.Case, form.ID), s.cfg.Now())
	if len(problems) > 0 {
		return again(http.StatusUnprocessableEntity, problems)
	}
	es := markEvents(actor, record.Row, form.ID, said)
	if sentOtherwise(record.Case, es, markPrefix(form.ID)) {
		form.ID = rand.Text()
		return again(http.StatusUnprocessableEntity, []problemView{{"send",
			"Marks from this form are recorded already, others than these. Take out those that are recorded (below) and send the rest again."}})
	}
	status, why, err := s.publishAll(r.Context(), actor, es)
	if err != nil {
		return err
	}
	if status != 0 {
		for _, words := range why {
			problems = append(problems, problemView{"send", words})
		}
		return again(status, problems)
	}
	http.Redirect(w, r, recordingHref(record.Case.Code)+"?stored="+url.QueryEscape(es[len(es)-1].ID), http.StatusSeeOther)
	return nil
}

func (s *Service) recordingPage(w http.ResponseWriter, status int, view recordingView) error {
	// The one page that plays a file; it comes from the reader's own machine.
	web.AllowLocalMedia(w.Header())
	return s.render(w, status, "recording", view)
}

// recordingWords word the page.
func recordingWords(c fold.Case, by string, form *recordingForm, known []knownPoint) recordingView {
	v := recordingView{Case: c.Code, By: by, Pace: form.pace(c), Back: caseHref(c.Code), Form: form, Keys: recordingKeys,
		Answer: "The video stays on this machine: it is opened by the browser and sent nowhere. What is sent is the marks below, and nothing before you send them."}
	recorded := recordedSteps(c, form.ID)
	v.Recorded = tableView{Name: "Steps on record", Caption: "Steps that are on record already. Their times stand, so they can't be marked again; teaching points always can.",
		None: "No step of this case is on record yet.", Head: heads("Step", "Started", "Ended", "Operator")}
	for _, st := range c.Steps {
		if slices.Contains(recorded, st.Step) {
			v.Recorded.Rows = append(v.Recorded.Rows, cells(sentence(plain(string(st.Step))), timeOrNot(st.StartedAt), timeOrNot(st.FinishedAt), person(st.Operator)))
		}
	}
	v.AllSteps, v.Steps = []choice{{"", "No step", false}}, []choice{{"", "Choose", false}}
	for _, step := range events.StepOrder {
		option := choice{string(step), sentence(plain(string(step))), false}
		v.AllSteps = append(v.AllSteps, option)
		if !slices.Contains(recorded, step) {
			v.Steps = append(v.Steps, option)
		}
	}
	for _, p := range polarities {
		v.Polarities = append(v.Polarities, choice{p, map[string]string{"improve": "To work on", "strength": "Went well"}[p], false})
	}
	v.Consequences = []choice{{"", "Not said", false}}
	for _, k := range bearings {
		v.Consequences = append(v.Consequences, choice{k, sentence(plain(k)), false})
	}
	for _, k := range known {
		v.Known = append(v.Known, k.Code)
	}
	return v
}

// Pick gives the choices with one of them selected.
func (v recordingView) Pick(list []choice, value string) []choice {
	out := slices.Clone(list)
	found := false
	for i := range out {
		out[i].Selected = out[i].Value == value
		found = found || out[i].Selected
	}
	if !found {
		// Nothing typed is lost, not even a step that was recorded meanwhile.
		out = append(out, choice{value, sentence(plain(value)), true})
	}
	return out
}

func timeOrNot(t time.Time) string {
	if t.IsZero() {
		return notRecorded
	}
	return clock(t)
}

// recordedSteps lists the steps of which the record holds a start or an end that
// didn't come from this form.
func recordedSteps(c fold.Case, form string) []events.Step {
	var out []events.Step
	for _, e := range c.Timeline {
		var step events.Step
		switch d := e.Data.(type) {
		case *events.StepStarted:
			step = d.Step
		case *events.StepFinished:
			step = d.Step
		}
		mine := e.Source == access.DeskSource && strings.HasPrefix(e.ID, markPrefix(form))
		if step != "" && !mine && !slices.Contains(out, step) {
			out = append(out, step)
		}
	}
	return out
}

// anyMark begins the identity of every mark made here.
const anyMark = "recording-"

func markPrefix(form string) string { return anyMark + strings.ToLower(form) + "-" }

// markEvents are a function of the form and the trainer alone, so that a form that
// is sent twice makes the same events. A step has the time on the theatre's clock; a
// teaching point that of the form, when it was said: whether advice took is judged by
// when it was given. Who did a step follows from the start and the hand-overs.
func markEvents(actor access.Actor, row outcome.Row, form string, said marks) []events.Event {
	var out []events.Event
	add := func(kind events.Type, at time.Time, data any, parts ...string) {
		sum := sha256.Sum256([]byte(strings.Join(append(parts, string(kind), row.CaseCode, actor.Surgeon, at.UTC().Format(time.RFC3339Nano)), "\x00")))
		e := events.Event{ID: markPrefix(form) + hex.EncodeToString(sum[:12]), Source: access.DeskSource, Type: kind,
			Subject: row.CaseCode, Department: row.Department, Time: at, Data: data}
		if !slices.ContainsFunc(out, func(x events.Event) bool { return x.ID == e.ID }) {
			out = append(out, e)
		}
	}
	for _, m := range said.steps {
		if m.start != nil {
			add(events.TypeStepStarted, said.clock.at(*m.start), &events.StepStarted{Step: m.step, RecordingOffsetMS: events.Some(m.start.Milliseconds())}, string(m.step), m.start.String())
		}
		if m.end != nil {
			add(events.TypeStepFinished, said.clock.at(*m.end), &events.StepFinished{Step: m.step, RecordingOffsetMS: events.Some(m.end.Milliseconds())}, string(m.step), m.end.String())
		}
	}
	for _, p := range said.points {
		note := p.TechniqueNoted
		note.By = events.Code(actor.Surgeon)
		add(events.TypeTechniqueNoted, said.at, &note, string(p.Step), string(p.TeachingPoint), string(p.Polarity), string(p.Consequence), fmt.Sprint(p.RecordingOffsetMS))
	}
	return out
}
