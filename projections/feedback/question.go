package feedback

import (
	"context"
	_ "embed"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/fold"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/list_questions.sql
	listQuestionsSQL string
	//go:embed sql/find_question.sql
	findQuestionSQL string
)

// QuestionTable is the record_question table.
var QuestionTable = pg.Table{
	Name: "record_question",
	Key:  []string{"case_code", "number"},
	Columns: []string{"case_code", "number", "source", "question", "surgeon", "department", "asked_at", "about", "words", "answers",
		"answered_at", "answer", "answer_words", "answered_by"},
}

// Question is what an operator says is wrong in a case's record, with the latest
// answer of the department. It changes no figure.
type Question struct {
	CaseCode    string     `json:"case"`
	Number      string     `json:"-"` // ordinal among the case's questions in the order of the fold, from "1"
	Source      string     `json:"-"` // of the event
	Question    string     `json:"question"`
	Surgeon     string     `json:"surgeon"` // who asks
	Department  string     `json:"department"`
	AskedAt     time.Time  `json:"asked_at"`
	About       string     `json:"part"`
	Words       string     `json:"words"`
	Answers     int32      `json:"answers"`
	AnsweredAt  *time.Time `json:"answered_at"` // of the latest answer; null while open
	Answer      string     `json:"answer"`      // corrected, left-as-it-is or sent-on; empty while open
	AnswerWords string     `json:"answer_words"`
	AnsweredBy  string     `json:"answered_by"`
}

// Key is the case code and the number.
func (q Question) Key() [2]string { return [2]string{q.CaseCode, q.Number} }

// Values lists the row in the order of QuestionTable.Columns.
func (q Question) Values() []any {
	return []any{q.CaseCode, q.Number, q.Source, q.Question, q.Surgeon, q.Department, q.AskedAt, q.About, q.Words, q.Answers,
		q.AnsweredAt, q.Answer, q.AnswerWords, q.AnsweredBy}
}

// Open says whether nobody has answered yet.
func (q Question) Open() bool { return q.Answers == 0 }

// OpenDays is for how many whole days a question had been open at a time.
func (q Question) OpenDays(at time.Time) int { return max(0, int(at.Sub(q.AskedAt)/(24*time.Hour))) }

// QuestionsOf lists the questions about a folded case, whether or not it counts.
func QuestionsOf(c fold.Case) []Question {
	var out []Question
	for i, q := range c.Questions {
		row := Question{CaseCode: c.Code, Number: strconv.Itoa(i + 1), Source: q.ID.Source, Question: q.ID.ID, Surgeon: string(q.By),
			Department: c.Department, AskedAt: moment(q.At), About: string(q.Part), Words: string(q.Words), Answers: int32(len(q.Answers))}
		if n := len(q.Answers); n > 0 {
			last := q.Answers[n-1]
			at := moment(last.At)
			row.AnsweredAt, row.Answer, row.AnswerWords, row.AnsweredBy = &at, string(last.Answer), string(last.Words), string(last.By)
		}
		out = append(out, row)
	}
	return out
}

// Questions lists the questions that the reader sees: the open ones first, the
// oldest of them first, then the others, the latest answer first; at most limit of
// them. A department or a surgeon, where given, narrows the list, and so does
// onlyOpen. It is work to do, so it is read as of now only.
func Questions(ctx context.Context, tx pgx.Tx, department, surgeon string, onlyOpen bool, limit int) ([]Question, error) {
	out, err := pg.Structs[Question](ctx, tx, listQuestionsSQL, department, surgeon, onlyOpen, limit)
	if err != nil {
		return nil, fmt.Errorf("list questions about records: %w", err)
	}
	for i := range out {
		out[i].AskedAt = out[i].AskedAt.UTC()
		if at := out[i].AnsweredAt; at != nil {
			*at = at.UTC()
		}
	}
	return out, nil
}

// QuestionByID finds a question that the reader sees by the id of its event, in the
// record as it is now; false when there is none. An id that several sources use
// names the earliest that is open.
func QuestionByID(ctx context.Context, tx pgx.Tx, id string) (Question, bool, error) {
	found, err := pg.Structs[Question](ctx, tx, findQuestionSQL, id)
	if err != nil || len(found) == 0 {
		return Question{}, false, err
	}
	q := found[0]
	q.AskedAt = q.AskedAt.UTC()
	return q, true, nil
}
