package fold

import (
	"cmp"
	"slices"
	"time"

	"lensledger/events"
)

// Question says that something in the case's record is wrong, with what the
// department answered. It changes nothing else of the case.
type Question struct {
	events.RecordQuestioned
	ID         events.Identity
	At         time.Time
	Department string
	Answers    []Answer // in order
}

// Answer is what came of a question.
type Answer struct {
	events.RecordAnswered
	At time.Time
}

// Open says whether nobody has answered yet.
func (q Question) Open() bool { return len(q.Answers) == 0 }

// answerQuestions puts each answer with the questions of its id. One to an id that
// the case doesn't hold waits for it: a question may arrive after its answer.
func (c *Case) answerQuestions() {
	for _, a := range c.Answers {
		for i := range c.Questions {
			if q := &c.Questions[i]; q.ID.ID == string(a.Question) {
				q.Answers = append(q.Answers, a)
			}
		}
	}
	slices.SortStableFunc(c.Questions, func(a, b Question) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID.ID, b.ID.ID)) })
}

// Operated says whether a surgeon operated in the case, if only for a single step.
func (c Case) Operated(surgeon string) bool {
	return surgeon != "" && (slices.Contains(c.Operators(), surgeon) ||
		slices.ContainsFunc(c.Steps, func(s Step) bool { return s.Operator == surgeon }))
}
