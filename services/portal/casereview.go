package portal

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// caseReviewForm is a review of a case as typed in, and as shown again when it
// wasn't stored.
type caseReviewForm struct {
	Case     string
	ID       string // of this form, made with it: what is sent twice from it is one review
	OpenedAt string // when the form was made, RFC 3339; the review's time

	Stage       string
	Strengths   string // codes that aren't among Known, with commas between
	Points      string // to work on, likewise
	Action      string
	Supervision string
	chosen      map[string][]string // codes of Known by field

	Stages       []choice
	Supervisions []choice
	Known        []knownPoint // to choose from
}

// Fields of the form that name teaching points: chosen ones, and typed ones.
const (
	fieldStrength     = "strength"
	fieldImprove      = "improve"
	fieldMoreStrength = "strengths"
	fieldMoreImprove  = "teaching_points"
)

const (
	maxTeachingPoints = 20     // as events.CaseReviewed has it
	stageOpen         = "open" // nothing is said about the stage
)

var formID = regexp.MustCompile(`^[A-Z2-7]{26}$`)

func newCaseReviewForm(code string, now time.Time, id string) *caseReviewForm {
	f := &caseReviewForm{Case: code, ID: id, OpenedAt: now.UTC().Format(time.RFC3339)}
	f.list()
	return f
}

func (f *caseReviewForm) list() {
	f.Stages = []choice{{"", "Choose", f.Stage == ""}}
	for _, w := range []string{string(events.StageAbove), string(events.StageAs), string(events.StageBelow), stageOpen} {
		f.Stages = append(f.Stages, choice{w, stageChoices[w], f.Stage == w})
	}
	f.Supervisions = []choice{{"", "Nothing agreed", f.Supervision == ""}}
	for _, w := range supervisions {
		f.Supervisions = append(f.Supervisions, choice{w, sentence(supervision(w)), f.Supervision == w})
	}
}

var stageChoices = map[string]string{
	string(events.StageAbove): "Above what is usual at this stage", string(events.StageAs): "As is usual at this stage",
	string(events.StageBelow): "Below what is usual at this stage", stageOpen: "Leave it open",
}

// supervisions are from the closest to none.
var supervisions = []string{"operating", "scrubbed", "in-theatre", "on-site", "none"}

// caseReview is what a form says, checked.
type caseReview struct {
	at                time.Time
	strengths, points []string
}

// read fills the form from what was sent and says what is wrong with it.
func (f *caseReviewForm) read(r *http.Request, now time.Time) (caseReview, []problemView) {
	f.ID, f.OpenedAt = r.PostFormValue("form"), r.PostFormValue("opened_at")
	f.Stage, f.Supervision = r.PostFormValue("at_this_stage"), r.PostFormValue("supervision_next")
	f.Strengths, f.Points = strings.TrimSpace(r.PostFormValue(fieldMoreStrength)), strings.TrimSpace(r.PostFormValue(fieldMoreImprove))
	f.chosen = map[string][]string{fieldStrength: r.PostForm[fieldStrength], fieldImprove: r.PostForm[fieldImprove]}
	// Text of an event is one line: the breaks of the field become spaces.
	f.Action = strings.Join(strings.Fields(r.PostFormValue("agreed_action")), " ")
	f.list()
	var problems []problemView
	fault := func(field, words string) { problems = append(problems, problemView{field, words}) }
	if stageChoices[f.Stage] == "" {
		fault("at-this-stage", "Choose how the case was beside what is usual at this stage, or leave it open.")
	}
	var out caseReview
	for _, list := range []struct {
		id, typed string
		chosen    []string
		into      *[]string
	}{{"strengths", f.Strengths, f.chosen[fieldStrength], &out.strengths}, {"teaching-points", f.Points, f.chosen[fieldImprove], &out.points}} {
		codes, wrong := codesOf(list.chosen, list.typed)
		for _, words := range wrong {
			fault(list.id, words)
		}
		if n := len(codes); n > maxTeachingPoints {
			fault(list.id, fmt.Sprintf("There are %d teaching points; keep %d.", n, maxTeachingPoints))
		}
		*list.into = codes
	}
	for _, code := range out.strengths {
		if slices.Contains(out.points, code) {
			fault("strengths", fmt.Sprintf("“%s” stands among what went well and among what to work on. Keep it in one of them.", code))
		}
	}
	if n := utf8.RuneCountInString(f.Action); n > maxActionCharacters {
		fault("agreed-action", fmt.Sprintf("The action has %d characters; shorten it to %d.", n, maxActionCharacters))
	}
	if f.Supervision != "" && !slices.Contains(supervisions, f.Supervision) {
		fault("supervision-next", "Choose one of the listed kinds of supervision, or that nothing was agreed.")
	}
	if f.Stage == stageOpen && len(out.points)+len(out.strengths) == 0 && f.Action == "" && f.Supervision == "" && len(problems) == 0 {
		fault("at-this-stage", "The review says nothing yet: choose a stage, name a teaching point, or write what was agreed.")
	}
	at, err := time.Parse(time.RFC3339, f.OpenedAt)
	if err != nil || at.After(now.Add(time.Minute)) || now.Sub(at) > formLife || !formID.MatchString(f.ID) {
		f.ID, f.OpenedAt = rand.Text(), now.UTC().Format(time.RFC3339)
		fault("at-this-stage", "The form lay open for too long. Check that nothing has changed above, and send it again.")
	}
	out.at = at.UTC()
	return out, problems
}

// events are a function of the form and the reviewer alone: a form that is sent
// twice makes the same events, and the second ones are duplicates. Other words from
// the same form make another event, not one identity with two contents, of which
// neither would count. What went well is noted as remarks on technique.
func (f *caseReviewForm) events(actor access.Actor, row outcome.Row, review caseReview) []events.Event {
	said := analytics.CaseReview{AtThisStage: f.Stage, TeachingPoints: review.points, AgreedAction: f.Action, SupervisionNext: f.Supervision}
	if f.Stage == stageOpen {
		said.AtThisStage = ""
	}
	e := analytics.CaseReviewEvent(actor, row, said, review.at)
	e.ID = reviewPrefix(f.ID) + strings.TrimPrefix(e.ID, anyReview)
	out := []events.Event{e}
	for _, code := range review.strengths {
		sum := sha256.Sum256([]byte(strings.Join([]string{row.CaseCode, e.Time.Format(time.RFC3339), actor.Surgeon, code}, "\x00")))
		out = append(out, events.Event{ID: strengthPrefix(f.ID) + hex.EncodeToString(sum[:12]), Source: access.DeskSource, Type: events.TypeTechniqueNoted,
			Subject: row.CaseCode, Department: row.Department, Time: review.at,
			Data: &events.TechniqueNoted{TeachingPoint: events.Code(code), Polarity: events.PolarityStrength, By: events.Code(actor.Surgeon)}})
	}
	return out
}

// anyReview and anyStrength begin the identities of what a review made here says.
const (
	anyReview   = "case-review-"
	anyStrength = "case-strength-"
)

func reviewPrefix(form string) string   { return anyReview + strings.ToLower(form) + "-" }
func strengthPrefix(form string) string { return anyStrength + strings.ToLower(form) + "-" }

// sentOtherwise says whether the record holds events of the desk with one of the
// prefixes that aren't among es: the same form was sent with other words.
func sentOtherwise(c fold.Case, es []events.Event, prefixes ...string) bool {
	return slices.ContainsFunc(c.Timeline, func(x fold.Effective) bool {
		return x.Source == access.DeskSource &&
			slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(x.ID, p) }) &&
			!slices.ContainsFunc(es, func(e events.Event) bool { return e.ID == x.ID })
	})
}

// canReview says whether the actor may review the operation: a trainer, of
// somebody supervised, in a department of the trainer's token.
func (s *Service) canReview(actor access.Actor, row outcome.Row) bool {
	return s.cfg.Desk != nil && row.Counts && may(actor.Role, http.MethodPost, caseReviewRoute) && actor.Surgeon != "" &&
		slices.Contains(actor.Supervises, row.FirstOperator) && row.FirstOperator != actor.Surgeon && actor.InDepartment(row.Department)
}

// reviewCase serves POST /cases/{case}/reviews.
func (s *Service) reviewCase(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.Desk == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Reviews can't be recorded through this service. Ask whoever runs it."}
	}
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	record, err := s.readCase(r.Context(), actor, mux.Vars(r)["case"])
	if err != nil {
		return err
	}
	if !s.canReview(actor, record.Row) {
		return &web.Error{Code: web.CodeForbidden, Message: "A case is reviewed by a trainer who supervises its first operator and works in its department."}
	}
	form := &caseReviewForm{Case: record.Case.Code}
	review, problems := form.read(r, s.cfg.Now())
	if len(problems) > 0 {
		return s.casePage(w, r, actor, http.StatusUnprocessableEntity, form, problems)
	}
	es := form.events(actor, record.Row, review)
	if sentOtherwise(record.Case, es, reviewPrefix(form.ID), strengthPrefix(form.ID)) {
		form.ID = rand.Text()
		return s.casePage(w, r, actor, http.StatusUnprocessableEntity, form, []problemView{{"at-this-stage",
			"A review from this form is recorded already, with other words. Send it again only if this is a second review."}})
	}
	status, why, err := s.publishAll(r.Context(), actor, es)
	if err != nil {
		return err
	}
	if status != 0 {
		for _, words := range why {
			problems = append(problems, problemView{"agreed-action", words})
		}
		return s.casePage(w, r, actor, status, form, problems)
	}
	http.Redirect(w, r, "/cases/"+url.PathEscape(record.Case.Code)+"?recorded="+url.QueryEscape(es[0].ID)+"#reviews", http.StatusSeeOther)
	return nil
}

// publishAll stores events of the desk one after another and waits until they are
// read in. status is 0 when all are stored; else the rest weren't sent, and sending
// the same events again is safe. why says it in words for whoever typed them in.
func (s *Service) publishAll(ctx context.Context, actor access.Actor, es []events.Event) (status int, why []string, err error) {
	var stored []uint64
	for _, e := range es {
		result, err := s.cfg.Desk.PublishAs(ctx, actor, e)
		if status, why := notStored(err); status != 0 {
			return status, why, nil
		}
		if err != nil {
			return 0, nil, err
		}
		if result.Status != intake.Kept {
			stored = append(stored, result.Sequence)
		}
	}
	s.await(ctx, stored)
	return 0, nil, nil
}

// readCase reads a case that the actor may see.
func (s *Service) readCase(ctx context.Context, actor access.Actor, code string) (record outcome.Record, err error) {
	err = s.read(ctx, reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		record, err = outcome.Read(ctx, tx, code, asOf)
		return err
	})
	return record, err
}

// notStored says why an event wasn't taken, where the one who typed it in can do
// something about it; else the status is 0.
func notStored(err error) (status int, words []string) {
	var refused *web.Error
	switch {
	case !errors.As(err, &refused):
	case refused.Code == web.CodeRefused:
		for _, fault := range refused.Faults {
			words = append(words, "Not stored: "+fault.Detail+".")
		}
		return http.StatusUnprocessableEntity, words
	case refused.Code == web.CodeUnavailable:
		// Sent again from the same form, it makes the same event.
		return http.StatusServiceUnavailable, []string{"Not stored yet: " + refused.Message}
	}
	return 0, nil
}

// recordedReview answers a review that was just sent.
func recordedReview(c fold.Case, id string) string {
	if !strings.HasPrefix(id, anyReview) {
		return ""
	}
	if slices.ContainsFunc(c.Timeline, func(e fold.Effective) bool { return e.Source == access.DeskSource && e.ID == id }) {
		return "Your review is recorded."
	}
	return "Your review is stored and will show here once it is read in. Open this page again in a moment."
}
