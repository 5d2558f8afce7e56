package portal

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// questionsView is the page of what a department has to answer.
type questionsView struct {
	frame
	Problems []problemView
	Recorded string
	Answer   string
	Open     []openQuestion
	Hidden   string // how far the list goes
	Answered tableView
}

// openQuestion is one that waits, with the form for its answer.
type openQuestion struct {
	Anchor, Case, Title, Asked, Words string
	Form                              *answerForm // nil when nothing can be stored here
}

// answerForm is an answer as typed in, and as shown again when it wasn't stored.
type answerForm struct {
	Department, Question string
	Key                  string // makes the ids of the form's fields
	ID                   string // of this form
	OpenedAt             string
	Answer, Words        string
	Answers              []choice
}

// maxQuestions bounds the page.
const maxQuestions = 100

func (f *answerForm) list() {
	f.Answers = []choice{{"", "Choose an answer", f.Answer == ""}}
	for _, w := range events.Words[events.RecordAnswer]() {
		f.Answers = append(f.Answers, choice{string(w), questionAnswers[w], f.Answer == string(w)})
	}
}

// read fills the form from what was sent and says what is wrong with it.
func (f *answerForm) read(r *http.Request, now time.Time) (time.Time, []problemView) {
	f.ID, f.OpenedAt, f.Answer = r.PostFormValue("form"), r.PostFormValue("opened_at"), r.PostFormValue("answer")
	f.Words = strings.Join(strings.Fields(r.PostFormValue("words")), " ")
	f.list()
	var problems []problemView
	if questionAnswers[events.RecordAnswer(f.Answer)] == "" {
		problems = append(problems, problemView{"answer-" + f.Key, "Choose what came of the question."})
	}
	if n := utf8.RuneCountInString(f.Words); n > maxActionCharacters {
		problems = append(problems, problemView{"words-" + f.Key, fmt.Sprintf("There are %d characters; shorten them to %d.", n, maxActionCharacters)})
	}
	at, err := time.Parse(time.RFC3339, f.OpenedAt)
	if err != nil || at.After(now.Add(time.Minute)) || now.Sub(at) > formLife || !formID.MatchString(f.ID) {
		f.ID, f.OpenedAt = rand.Text(), now.UTC().Format(time.RFC3339)
		problems = append(problems, problemView{"answer-" + f.Key, "The form lay open for too long. Check that nobody has answered meanwhile, and send it again."})
	}
	return at.UTC(), problems
}

// questions serves GET /departments/{department}/questions.
func (s *Service) questions(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.questionsPage(w, r, actor, http.StatusOK, nil, nil)
}

// questionsPage lists a department's questions; sent is an answer that wasn't
// stored, and why.
func (s *Service) questionsPage(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, sent *answerForm, problems []problemView) error {
	department := mux.Vars(r)["department"]
	var view questionsView
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		list, err := feedback.Questions(r.Context(), tx, department, "", false, maxQuestions+1)
		if err != nil {
			return err
		}
		view = s.questionsWords(department, list, asOf, sent)
		view.frame = s.frame(r.Context(), actor, "Which records does somebody say are wrong?", &asOf)
		return nil
	})
	if err != nil {
		return err
	}
	for i, p := range problems { // the form has its place on the page only now
		problems[i].Field = strings.Replace(p.Field, "-"+unplaced, "-"+sent.Key, 1)
		if sent.Key == unplaced { // answered meanwhile, so that no form is left
			problems[i].Field = "main"
		}
	}
	view.Problems = problems
	if id := r.URL.Query().Get("recorded"); strings.HasPrefix(id, answerPrefix) {
		view.Recorded = "Your answer is stored. Who asked sees it on the case and under their progress."
	}
	return s.render(w, status, "questions", view)
}

const answerPrefix = "answer-"

// unplaced is the key of a form that was sent, before it is found on the page.
const unplaced = "sent"

// questionsWords word a department's questions: the open ones with their age and a
// form, the oldest first.
func (s *Service) questionsWords(department string, list []feedback.Question, asOf archive.AsOf, sent *answerForm) questionsView {
	v := questionsView{Answered: tableView{Name: "Answered", Caption: "Answered, the latest first", None: "None is answered yet.",
		Head: heads("Case", "Asked", "By", "About", "What was said", "Answer")}}
	if len(list) > maxQuestions {
		list = list[:maxQuestions]
		v.Hidden = "Only " + whole(maxQuestions) + " are listed here; answering them brings up the others."
	}
	for i, q := range list {
		if !q.Open() {
			row := cells(q.CaseCode, day(q.AskedAt), q.Surgeon, partWords[events.RecordPart(q.About)], "“"+q.Words+"”",
				answerLine(q.Answer, q.AnswerWords, q.AnsweredBy, *q.AnsweredAt))
			row[0].Href = caseHref(q.CaseCode)
			v.Answered.Rows = append(v.Answered.Rows, row)
			continue
		}
		key := whole(i + 1)
		open := openQuestion{Anchor: "open-" + key, Case: q.CaseCode, Title: partWords[events.RecordPart(q.About)], Words: q.Words,
			Asked: fmt.Sprintf("Asked by %s on %s, open for %s.", q.Surgeon, day(q.AskedAt), plural(q.OpenDays(asOf.RecordedAt), "day", "days"))}
		if s.cfg.Desk != nil {
			open.Form = &answerForm{Department: department, Question: q.Question, Key: key, ID: rand.Text(), OpenedAt: s.cfg.Now().UTC().Format(time.RFC3339)}
			open.Form.list()
			if sent != nil && sent.Question == q.Question {
				sent.Key, sent.Department = key, department
				open.Form = sent
			}
		}
		v.Open = append(v.Open, open)
	}
	switch n := len(v.Open); {
	case len(list) == 0:
		v.Answer = "Nobody has said that a record of this department is wrong."
	case n == 0:
		v.Answer = "No question waits for an answer."
	default:
		waits := "question waits for an answer"
		if n > 1 {
			waits = "questions wait for an answer"
		}
		v.Answer = fmt.Sprintf("%s %s, the oldest for %s.", whole(n), waits, plural(list[0].OpenDays(asOf.RecordedAt), "day", "days"))
	}
	return v
}

// answerQuestion serves POST /departments/{department}/questions/{question}/answers.
func (s *Service) answerQuestion(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.Desk == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Answers can't be recorded through this service. Ask whoever runs it."}
	}
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	asked, err := s.findQuestion(r.Context(), actor, mux.Vars(r)["department"], mux.Vars(r)["question"])
	if err != nil {
		return err
	}
	form := &answerForm{Question: asked.Question, Key: unplaced}
	at, problems := form.read(r, s.cfg.Now())
	if len(problems) > 0 {
		return s.questionsPage(w, r, actor, http.StatusUnprocessableEntity, form, problems)
	}
	e := analytics.AnswerEvent(actor, asked, analytics.RecordAnswer{Answer: form.Answer, Words: form.Words}, at)
	e.ID = answerPrefix + strings.ToLower(form.ID) + "-" + strings.TrimPrefix(e.ID, answerPrefix)
	result, err := s.cfg.Desk.PublishAs(r.Context(), actor, e)
	if status, why := notStored(err); status != 0 {
		for _, words := range why {
			problems = append(problems, problemView{"words-" + form.Key, words})
		}
		return s.questionsPage(w, r, actor, status, form, problems)
	}
	if err != nil {
		return err
	}
	if result.Status != intake.Kept {
		s.await(r.Context(), []uint64{result.Sequence})
	}
	http.Redirect(w, r, departmentHref(questionsRoute, asked.Department)+"?recorded="+url.QueryEscape(e.ID), http.StatusSeeOther)
	return nil
}

// findQuestion gives a question about a case of the department.
func (s *Service) findQuestion(ctx context.Context, actor access.Actor, department, id string) (found feedback.Question, err error) {
	err = s.read(ctx, reader(actor), func(tx pgx.Tx, _ archive.AsOf) error {
		var ok bool
		if found, ok, err = feedback.QuestionByID(ctx, tx, id); err == nil && (!ok || found.Department != department) {
			err = web.NotFound()
		}
		return err
	})
	return found, err
}
