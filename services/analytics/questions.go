package analytics

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// RecordQuestion says what is wrong in a case's record.
type RecordQuestion struct {
	Part    string `json:"part"`     // a word of the events' vocabulary
	Words   string `json:"words"`    // free text, at most 500 characters
	AskedAt string `json:"asked_at"` // as Review's ReviewedAt
}

// RecordAnswer is what came of a question.
type RecordAnswer struct {
	Answer     string `json:"answer"` // a word of the events' vocabulary
	Words      string `json:"words"`  // free text, at most 500 characters
	AnsweredAt string `json:"answered_at"`
}

// MayQuestion says whether the actor may say that a case's record is wrong: who
// operated in it, if only in one step.
func MayQuestion(who access.Actor, c fold.Case) bool {
	return (who.Role == access.Trainee || who.Role == access.Trainer) && c.Operated(who.Surgeon)
}

// ForDepartment is the actor as one who may publish about a department's case. A
// trainee's token names no department: that of the case is the one to be asked.
func ForDepartment(who access.Actor, department string) access.Actor {
	who.Departments = []string{department}
	return who
}

// QuestionEvent is the desk's event of a question. It is a function of what is
// given, its id included, so that a question that is sent twice makes the same
// event and the second one is a duplicate.
func QuestionEvent(who access.Actor, c fold.Case, said RecordQuestion, at time.Time) events.Event {
	at = at.UTC()
	return events.Event{ID: noteID("question-", c.Code, at, who.Surgeon, said.Part, said.Words), Source: access.DeskSource,
		Type: events.TypeRecordQuestioned, Subject: c.Code, Department: c.Department, Time: at,
		Data: &events.RecordQuestioned{Part: events.RecordPart(said.Part), Words: events.Text(said.Words), By: events.Code(who.Surgeon)}}
}

// AnswerEvent is the desk's event of an answer, a function of what is given.
func AnswerEvent(who access.Actor, q feedback.Question, said RecordAnswer, at time.Time) events.Event {
	at = at.UTC()
	by := PersonCode(who)
	return events.Event{ID: noteID("answer-", q.Question, at, string(by), said.Answer, said.Words), Source: access.DeskSource,
		Type: events.TypeRecordAnswered, Subject: q.CaseCode, Department: q.Department, Time: at,
		Data: &events.RecordAnswered{Question: events.ID(q.Question), Answer: events.RecordAnswer(said.Answer), Words: events.Text(said.Words), By: by}}
}

func noteID(prefix, about string, at time.Time, said ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(append([]string{about, at.Format(time.RFC3339)}, said...), "\x00")))
	return prefix + hex.EncodeToString(sum[:12])
}

// postQuestion serves POST /v1/cases/{case}/questions.
func (s *Service) postQuestion(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var said RecordQuestion
	if _, err := readBody(r, &said); err != nil {
		s.fail(w, r, err)
		return
	}
	var record outcome.Record
	err = s.readNow(r, who, func(tx pgx.Tx, asOf archive.AsOf) error {
		record, err = outcome.Read(r.Context(), tx, mux.Vars(r)["case"], asOf)
		return err
	})
	if err == nil && !MayQuestion(who, record.Case) {
		err = &web.Error{Code: web.CodeForbidden, Message: "Whoever operated in the case says that its record is wrong. You aren't among its operators on record; ask one of them, or the quality officer of the department."}
	}
	at := time.Time{}
	if err == nil {
		at, err = noteTime("asked_at", said.AskedAt, s.cfg.Now())
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.publishNote(w, r, ForDepartment(who, record.Case.Department), QuestionEvent(who, record.Case, said, at))
}

// postAnswer serves POST /v1/questions/{question}/answers.
func (s *Service) postAnswer(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var said RecordAnswer
	if _, err := readBody(r, &said); err != nil {
		s.fail(w, r, err)
		return
	}
	var asked feedback.Question
	err = s.readNow(r, who, func(tx pgx.Tx, _ archive.AsOf) error {
		var found bool
		if asked, found, err = feedback.QuestionByID(r.Context(), tx, mux.Vars(r)["question"]); err == nil && (!found || !who.InDepartment(asked.Department)) {
			err = web.NotFound()
		}
		return err
	})
	at := time.Time{}
	if err == nil {
		at, err = noteTime("answered_at", said.AnsweredAt, s.cfg.Now())
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.publishNote(w, r, who, AnswerEvent(who, asked, said, at))
}

// readNow reads, as of now, what the actor may see.
func (s *Service) readNow(r *http.Request, who access.Actor, read func(tx pgx.Tx, asOf archive.AsOf) error) error {
	return pg.AsActor(r.Context(), s.cfg.Pool, Reader(who), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, "")
		if err != nil {
			return err
		}
		return read(tx, asOf)
	})
}

// publishNote stores one event about a case and answers with it.
func (s *Service) publishNote(w http.ResponseWriter, r *http.Request, who access.Actor, e events.Event) {
	result, err := s.cfg.Desk.PublishAs(r.Context(), who, e)
	if err != nil {
		s.fail(w, r, intoCaseReview(err))
		return
	}
	web.WriteJSON(w, http.StatusAccepted, ReviewedCase{Case: e.Subject,
		Events: []PublishedNote{{ID: result.ID, Type: e.Type, Status: result.Status, Sequence: result.Sequence}}})
}

// noteTime reads when something was said; the name is the field's.
func noteTime(name, given string, now time.Time) (time.Time, error) {
	if given == "" {
		return now.UTC().Truncate(time.Second), nil
	}
	at, err := time.Parse(time.RFC3339, given)
	switch {
	case err != nil:
		return at, refused(web.Fault{Pointer: "/" + name, Code: events.CodeTime,
			Detail: fmt.Sprintf("%s: found %q, allowed a time with an offset such as 2025-03-12T10:41:07+00:00", name, short(given))})
	case at.After(now.Add(time.Minute)) || now.Sub(at) > reviewLife:
		return at, refused(web.Fault{Pointer: "/" + name, Code: events.CodeTime,
			Detail: fmt.Sprintf("%s: found %s, allowed within the last %d hours", name, short(given), int(reviewLife.Hours()))})
	}
	return at.UTC().Truncate(time.Second), nil
}

// questions is the answer: questions about records, the open ones first.
type questions struct {
	Basis
	N         int              `json:"n"`
	Questions []listedQuestion `json:"questions"`
	Next      *string          `json:"next"`
}

// listedQuestion is one question with its age.
type listedQuestion struct {
	feedback.Question
	OpenDays *int `json:"open_days"` // whole days up to the record's latest time; null once answered
}

// mostQuestions bounds the list: it is work to do, and older answers stand in the
// record of their case.
const mostQuestions = 5000

// getQuestions serves GET /v1/questions.
func (s *Service) getQuestions(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "open", "after", "limit")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	only, err := oneOf(query, "open", "true")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.readPage(r, query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p.asOf = "" // what is open is read as of now, on every page
	s.answer(w, r, question{reader: Reader(who), query: query, page: p, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		list, err := feedback.Questions(r.Context(), tx, "", "", only != "", mostQuestions)
		if err != nil {
			return nil, err
		}
		list = slices.DeleteFunc(list, func(q feedback.Question) bool { return questionKey(q) <= p.After })
		list, next := cut(p, asOf, list, questionKey)
		out := questions{Basis: basis(asOf), N: len(list), Questions: []listedQuestion{}, Next: next}
		for _, q := range list {
			listed := listedQuestion{Question: q}
			if q.Open() {
				days := q.OpenDays(asOf.RecordedAt)
				listed.OpenDays = &days
			}
			out.Questions = append(out.Questions, listed)
		}
		return out, nil
	}})
}

// questionKey sorts as the list is sorted.
func questionKey(q feedback.Question) string {
	if q.Open() {
		return fmt.Sprintf("0 %019d %s %s", q.AskedAt.UnixMicro(), q.CaseCode, q.Number)
	}
	return fmt.Sprintf("1 %019d %s %s", 1<<62-q.AnsweredAt.UnixMicro(), q.CaseCode, q.Number)
}

// caseQuestion is a question in the record of its case.
type caseQuestion struct {
	Question string       `json:"question"`
	By       string       `json:"by"`
	AskedAt  time.Time    `json:"asked_at"`
	Part     string       `json:"part"`
	Words    string       `json:"words"`
	Answers  []caseAnswer `json:"answers"` // in order
}

type caseAnswer struct {
	AnsweredAt time.Time `json:"answered_at"`
	By         string    `json:"by"`
	Answer     string    `json:"answer"`
	Words      string    `json:"words"`
}

func caseQuestionsOf(c fold.Case) []caseQuestion {
	return listOf(c.Questions, func(q fold.Question) caseQuestion {
		return caseQuestion{q.ID.ID, string(q.By), q.At, string(q.Part), string(q.Words), listOf(q.Answers, func(a fold.Answer) caseAnswer {
			return caseAnswer{a.At, string(a.By), string(a.Answer), string(a.Words)}
		})}
	})
}
