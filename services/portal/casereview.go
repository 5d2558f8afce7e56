package portal

import (
	"context"
	"crypto/rand"
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
	"lensledger/projections/feedback"
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
	Points      string // codes with commas between
	Action      string
	Supervision string

	Stages       []choice
	Supervisions []choice
	Known        string // codes noted in this case or advised before, to choose from
}

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
	at     time.Time
	points []string
}

// read fills the form from what was sent and says what is wrong with it.
func (f *caseReviewForm) read(r *http.Request, now time.Time) (caseReview, []problemView) {
	f.ID, f.OpenedAt = r.PostFormValue("form"), r.PostFormValue("opened_at")
	f.Stage, f.Supervision = r.PostFormValue("at_this_stage"), r.PostFormValue("supervision_next")
	f.Points = strings.TrimSpace(r.PostFormValue("teaching_points"))
	// Text of an event is one line: the breaks of the field become spaces.
	f.Action = strings.Join(strings.Fields(r.PostFormValue("agreed_action")), " ")
	f.list()
	var problems []problemView
	fault := func(field, words string) { problems = append(problems, problemView{field, words}) }
	if stageChoices[f.Stage] == "" {
		fault("at-this-stage", "Choose how the case was beside what is usual at this stage, or leave it open.")
	}
	var out caseReview
	for _, word := range strings.FieldsFunc(f.Points, func(c rune) bool { return strings.ContainsRune(",; \t\r\n", c) }) {
		switch {
		case !caseCode.MatchString(word):
			fault("teaching-points", fmt.Sprintf("“%s” isn't a code of a teaching point: letters, digits, - and _, at most 40.", word))
		case !slices.Contains(out.points, word):
			out.points = append(out.points, word)
		}
	}
	if n := len(out.points); n > maxTeachingPoints {
		fault("teaching-points", fmt.Sprintf("There are %d teaching points; keep %d.", n, maxTeachingPoints))
	}
	if n := utf8.RuneCountInString(f.Action); n > maxActionCharacters {
		fault("agreed-action", fmt.Sprintf("The action has %d characters; shorten it to %d.", n, maxActionCharacters))
	}
	if f.Supervision != "" && !slices.Contains(supervisions, f.Supervision) {
		fault("supervision-next", "Choose one of the listed kinds of supervision, or that nothing was agreed.")
	}
	if f.Stage == stageOpen && len(out.points) == 0 && f.Action == "" && f.Supervision == "" && len(problems) == 0 {
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

// event is a function of the form and the reviewer alone: a form that is sent
// twice makes the same event, and the second one is a duplicate. Other words from
// the same form make another event, not one identity with two contents, of which
// neither would count.
func (f *caseReviewForm) event(actor access.Actor, row outcome.Row, review caseReview) events.Event {
	said := analytics.CaseReview{AtThisStage: f.Stage, TeachingPoints: review.points, AgreedAction: f.Action, SupervisionNext: f.Supervision}
	if f.Stage == stageOpen {
		said.AtThisStage = ""
	}
	e := analytics.CaseReviewEvent(actor, row, said, review.at)
	e.ID = reviewPrefix(f.ID) + strings.TrimPrefix(e.ID, anyReview)
	return e
}

// anyReview begins the identity of every review made here.
const anyReview = "case-review-"

func reviewPrefix(form string) string { return anyReview + strings.ToLower(form) + "-" }

// sentBefore says whether the record holds another review from the same form.
func sentBefore(c fold.Case, form string, e events.Event) bool {
	return slices.ContainsFunc(c.Timeline, func(x fold.Effective) bool {
		return x.Source == e.Source && x.ID != e.ID && strings.HasPrefix(x.ID, reviewPrefix(form))
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
	e := form.event(actor, record.Row, review)
	if sentBefore(record.Case, form.ID, e) {
		form.ID = rand.Text()
		return s.casePage(w, r, actor, http.StatusUnprocessableEntity, form, []problemView{{"at-this-stage",
			"A review from this form is recorded already, with other words. Send it again only if this is a second review."}})
	}
	result, err := s.cfg.Desk.PublishAs(r.Context(), actor, e)
	if status, why := notStored(err); status != 0 {
		for _, words := range why {
			problems = append(problems, problemView{"agreed-action", words})
		}
		return s.casePage(w, r, actor, status, form, problems)
	}
	if err != nil {
		return err
	}
	if result.Status != intake.Kept {
		s.await(r.Context(), []uint64{result.Sequence})
	}
	http.Redirect(w, r, "/cases/"+url.PathEscape(record.Case.Code)+"?recorded="+url.QueryEscape(e.ID)+"#reviews", http.StatusSeeOther)
	return nil
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

// knownPoints lists the codes that the case and what was advised before it name,
// for a reviewer to choose from.
func knownPoints(s *feedback.Stage) string {
	if s == nil {
		return ""
	}
	var codes []string
	for _, g := range s.Points {
		for _, p := range g.Points {
			codes = append(codes, p.TeachingPoint)
		}
	}
	codes = append(codes, s.CameBack...)
	for _, o := range s.NotNoted {
		codes = append(codes, o.TeachingPoint)
	}
	slices.Sort(codes)
	return list(slices.Compact(codes))
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
