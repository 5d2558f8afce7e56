package portal

import (
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/gorilla/mux"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// recordQuestionsView is the part of a case's page about whether its record is
// right.
type recordQuestionsView struct {
	Asked    []askedView
	Recorded string        // what became of a question just sent
	Form     *questionForm // nil when the reader didn't operate
	Who      string        // who may ask, where the reader may not
}

// askedView is a question with its answers, in words.
type askedView struct {
	Question string
	Answers  []string
}

// questionForm says what is wrong, as typed in, and as shown again when it wasn't
// stored.
type questionForm struct {
	Case     string
	ID       string // of this form, made with it
	OpenedAt string // when the form was made, RFC 3339; the question's time
	Part     string
	Words    string
	Parts    []choice
}

// questionView is the page of a question that wasn't stored.
type questionView struct {
	frame
	Problems []problemView
	Form     *questionForm
	Case     string
}

// partWords name what of a record may be wrong.
var partWords = map[events.RecordPart]string{
	"step": "A step or its time", "operator": "Who operated, or when somebody took over", "complication": "A complication",
	"outcome": "What came of the eye afterwards", "implant": "The implant", "other": "Something else",
}

// questionAnswers say what came of a question.
var questionAnswers = map[events.RecordAnswer]string{
	events.AnswerCorrected: "Corrected", events.AnswerLeftAsItIs: "Left as it is", events.AnswerSentOn: "Sent on to who keeps that part",
}

func newQuestionForm(code string, now time.Time, id string) *questionForm {
	f := &questionForm{Case: code, ID: id, OpenedAt: now.UTC().Format(time.RFC3339)}
	f.list()
	return f
}

func (f *questionForm) list() {
	f.Parts = []choice{{"", "Choose what is wrong", f.Part == ""}}
	for _, w := range events.Words[events.RecordPart]() {
		f.Parts = append(f.Parts, choice{string(w), partWords[w], f.Part == string(w)})
	}
}

// read fills the form from what was sent and says what is wrong with it.
func (f *questionForm) read(r *http.Request, now time.Time) (time.Time, []problemView) {
	f.ID, f.OpenedAt, f.Part = r.PostFormValue("form"), r.PostFormValue("opened_at"), r.PostFormValue("part")
	f.Words = strings.Join(strings.Fields(r.PostFormValue("words")), " ")
	f.list()
	var problems []problemView
	if partWords[events.RecordPart(f.Part)] == "" {
		problems = append(problems, problemView{"question-part", "Choose which part of the record is wrong."})
	}
	switch n := utf8.RuneCountInString(f.Words); {
	case n == 0:
		problems = append(problems, problemView{"question-words", "Write what is wrong and what is right, so that the department can put it right."})
	case n > maxActionCharacters:
		problems = append(problems, problemView{"question-words", fmt.Sprintf("There are %d characters; shorten them to %d.", n, maxActionCharacters)})
	}
	at, err := time.Parse(time.RFC3339, f.OpenedAt)
	if err != nil || at.After(now.Add(time.Minute)) || now.Sub(at) > formLife || !formID.MatchString(f.ID) {
		f.ID, f.OpenedAt = rand.Text(), now.UTC().Format(time.RFC3339)
		problems = append(problems, problemView{"question-part", "The form lay open for too long. Check that nothing has changed in the record, and send it again."})
	}
	return at.UTC(), problems
}

// recordQuestions is the part of a case's page about its record.
func (s *Service) recordQuestions(actor access.Actor, record outcome.Record, recorded string) recordQuestionsView {
	v := recordQuestionsView{Asked: askedWords(record.Case)}
	if strings.HasPrefix(recorded, questionPrefix) {
		v.Recorded = "What you wrote is stored and will show here once it is read in. Open this page again in a moment."
		if slices.ContainsFunc(record.Case.Questions, func(q fold.Question) bool { return q.ID.ID == recorded }) {
			v.Recorded = "What you wrote is recorded. The department answers it; the answer will stand here and under your progress."
		}
	}
	switch {
	case s.canQuestion(actor, record.Case):
		v.Form = newQuestionForm(record.Case.Code, s.cfg.Now(), rand.Text())
	case actor.Role == access.Quality:
		v.Who = "Whoever operated in this case can say here that its record is wrong."
	default:
		v.Who = "Whoever operated in this case can say here that its record is wrong; you aren't among its operators on record. If that is what is wrong, tell the quality officer of the department."
	}
	return v
}

// questionPrefix begins the identity of every question made here.
const questionPrefix = "question-"

func (s *Service) canQuestion(actor access.Actor, c fold.Case) bool {
	return s.cfg.Desk != nil && may(actor.Role, http.MethodPost, caseQuestionRoute) && analytics.MayQuestion(actor, c)
}

// askedWords word a case's questions and their answers.
func askedWords(c fold.Case) []askedView {
	var out []askedView
	for _, q := range c.Questions {
		v := askedView{Question: fmt.Sprintf("%s on %s, about “%s”: “%s”", q.By, day(q.At), strings.ToLower(partWords[q.Part]), q.Words)}
		for _, a := range q.Answers {
			v.Answers = append(v.Answers, answerLine(string(a.Answer), string(a.Words), string(a.By), a.At))
		}
		if q.Open() {
			v.Answers = []string{"Not answered yet."}
		}
		out = append(out, v)
	}
	return out
}

// answerLine words one answer.
func answerLine(answer, words, by string, at time.Time) string {
	out := questionAnswers[events.RecordAnswer(answer)] + ", " + by + " on " + day(at)
	if words != "" {
		out += ": “" + words + "”"
	}
	return out
}

// askCase serves POST /cases/{case}/questions.
func (s *Service) askCase(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.Desk == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Questions can't be recorded through this service. Ask whoever runs it."}
	}
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	record, err := s.readCase(r.Context(), actor, mux.Vars(r)["case"])
	if err != nil {
		return err
	}
	if !s.canQuestion(actor, record.Case) {
		return &web.Error{Code: web.CodeForbidden, Message: "Whoever operated in the case says that its record is wrong. You aren't among its operators on record: tell the quality officer of the department."}
	}
	form := &questionForm{Case: record.Case.Code}
	at, problems := form.read(r, s.cfg.Now())
	status := http.StatusUnprocessableEntity
	if len(problems) == 0 {
		e := form.event(actor, record.Case, at)
		result, err := s.cfg.Desk.PublishAs(r.Context(), analytics.ForDepartment(actor, e.Department), e)
		refused, why := notStored(err)
		if refused == 0 && err != nil {
			return err
		}
		if refused == 0 {
			if result.Status != intake.Kept {
				s.await(r.Context(), []uint64{result.Sequence})
			}
			http.Redirect(w, r, caseHref(record.Case.Code)+"?recorded="+url.QueryEscape(e.ID)+"#questions", http.StatusSeeOther)
			return nil
		}
		status = refused
		for _, words := range why {
			problems = append(problems, problemView{"question-words", words})
		}
	}
	view := questionView{frame: s.frame(r.Context(), actor, "What is wrong in this record?", nil), Problems: problems, Form: form, Case: record.Case.Code}
	return s.render(w, status, "question", view)
}

// event is a function of the form alone: one that is sent twice makes the same
// event, and the second one is a duplicate.
func (f *questionForm) event(actor access.Actor, c fold.Case, at time.Time) events.Event {
	e := analytics.QuestionEvent(actor, c, analytics.RecordQuestion{Part: f.Part, Words: f.Words}, at)
	e.ID = questionPrefix + strings.ToLower(f.ID) + "-" + strings.TrimPrefix(e.ID, questionPrefix)
	return e
}
