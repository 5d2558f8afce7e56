package portal

import (
	"context"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/services/access"
	"lensledger/services/intake"
)

// noDesk takes nothing: pages on paper only show that something could be sent.
type noDesk struct{}

func (noDesk) PublishAs(context.Context, access.Actor, events.Event) (intake.Result, error) {
	panic("not used")
}

// fixedForm is the identity of every form on paper.
const fixedForm = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// asked are two questions of S-014, one of them answered.
func asked() []feedback.Question {
	answered := fixedNow.AddDate(0, 0, -3)
	return []feedback.Question{
		{CaseCode: "HB-2025-00417", Number: "1", Question: "question-b", Surgeon: "S-014", Department: "HARBOUR", AskedAt: fixedNow.AddDate(0, 0, -12), About: "operator",
			Words: `The last "quadrant" was mine`},
		{CaseCode: "HB-2025-00300", Number: "1", Question: "question-a", Surgeon: "S-014", Department: "HARBOUR", AskedAt: fixedNow.AddDate(0, 0, -20), About: "implant",
			Words: "The power was 22.5 D", Answers: 1, AnsweredAt: &answered, Answer: "corrected", AnswerWords: "Amended by the theatre", AnsweredBy: "quality"},
	}
}

// questionsOf is the part of a case's page about its record, with fixed forms.
func questionsOf(s *Service, by access.Actor, r outcome.Record) recordQuestionsView {
	s.cfg.Desk = noDesk{}
	defer func() { s.cfg.Desk = nil }()
	if r.Case.Code == "HB-2025-00417" && by.Role != access.Trainer {
		r.Case.Questions = []fold.Question{
			{RecordQuestioned: events.RecordQuestioned{Part: "operator", Words: "The last <quadrant> was mine", By: "S-014"}, ID: events.Identity{Source: "quality-desk", ID: "question-b"}, At: fixedNow},
			{RecordQuestioned: events.RecordQuestioned{Part: "implant", Words: "The power was 22.5 D", By: "S-014"}, At: fixedNow.AddDate(0, 0, -9),
				Answers: []fold.Answer{{RecordAnswered: events.RecordAnswered{Answer: events.AnswerSentOn, By: "quality"}, At: fixedNow.AddDate(0, 0, -2)},
					{RecordAnswered: events.RecordAnswered{Answer: events.AnswerCorrected, Words: "Amended by the theatre", By: "quality"}, At: fixedNow}}}}
	}
	v := s.recordQuestions(by, r, "question-b")
	if v.Form != nil {
		v.Form.ID = fixedForm
	}
	return v
}

// eyesOfSurgeon are those of the department's fixtures.
func eyesOfSurgeon(t *testing.T) department.EyesOfSurgeon {
	t.Helper()
	a := astigmatism(t)
	e := department.EyesOfSurgeon{Surgeon: "S-014", Operations: 148, Vision: vision(t), Refraction: refraction(t), Settled: a.Settled, Early: a.Early,
		SettledWindow: a.SettledWindow, EarlyWindow: a.EarlyWindow, NotInduced: a.Excluded, AsOf: fixedAt}
	from, to := -0.25, 0.0
	e.Refraction.AllEyes.Classes = []department.ErrorClass{{To: &from, Count: 20}, {From: &from, To: &to, Count: 60}, {From: &to, Count: 11}}
	return e
}

func logbooked(n int) learning.Logbook {
	yes, no := true, false
	b := learning.Logbook{Surgeon: "S-014", From: "2025-01-06", To: "2025-06-30", Cases: []learning.LogbookCase{
		{Case: "HB-2025-00300", CaseNumber: 61, OperatedOn: "2025-01-06", StartedAt: fixedNow, Department: "HARBOUR", Eye: "right", Role: learning.RoleFirstOperator, Whole: true,
			Supervision: "scrubbed", ResponsibleConsultant: "S-002", Steps: []string{"capsulorhexis", "cortex-aspiration"}, TakenOver: &no, OutcomeKnown: true,
			AcuityBefore: "known", AcuityAfter: "known", Refraction: "missing"},
		{Case: "HB-2025-00301", CaseNumber: 61, OperatedOn: "2025-01-07", StartedAt: fixedNow, Department: "HARBOUR", Eye: "left", Role: learning.RoleFirstOperator,
			TakenOver: &yes, Rupture: true, Complications: []string{"posterior-capsule-rupture", "iris-trauma"}, OutcomeKnown: true, AcuityBefore: "missing", AcuityAfter: "waiting",
			Refraction: "not-expected", FollowupClosed: "moved"},
		{Case: "HB-2025-00302", CaseNumber: 61, OperatedOn: "2025-01-08", StartedAt: fixedNow, Department: "HARBOUR", Role: learning.RoleLaterOperator, Supervision: "operating"},
		{Case: "HB-2025-00303", CaseNumber: 61, OperatedOn: "2025-01-09", StartedAt: fixedNow, Department: "HARBOUR", Role: learning.RoleFirstOperator, Whole: true, TakenOver: &no,
			Excluded: fold.ExcludedCombined, OutcomeKnown: true},
	}[:n]}
	b.Totals = learning.LogbookTotals{Operations: n}
	if n > 0 {
		b.Totals = learning.LogbookTotals{Operations: 4, Whole: 1, Part: 2, FirstOperator: 2, TakenOver: 1, Rupture: 1, AcuityKnown: 1, RefractionMissing: 1, Excluded: 1}
	}
	return b
}

// traineePages adds the pages of the trainee, and the department's page of what it
// has to answer.
func traineePages(t *testing.T, s *Service, add func(name, page string, view any)) {
	t.Helper()
	ctx := t.Context()
	charts := append(drawn(45, 30), alarm.StepCharts(standingS014, entries(45), stepEntries(45), nil)...)
	for name, l := range map[string]learned{
		"progress-trainee": {progress60(t), feedback.Sum("S-014", done(60), notes(), caseReviews()), charts, eyesOfSurgeon(t), asked(), peersOfBands()},
		"progress-empty": {progress: learning.Progress{Surgeon: "S-014", Trainee: true}.Against(learning.Minimums), points: feedback.Sum("S-014", nil, nil, nil),
			eyes: department.EyesOfSurgeon{Surgeon: "S-014"}},
	} {
		view := s.progressWords(trainer, l)
		view.frame = s.frame(ctx, trainer, "Where does the learning stand, and what is missing?", &fixedAt)
		view.Choices = surgeonChoices(trainer, "S-014")
		add(name, "progress", view)
	}
	for name, n := range map[string]int{"logbook": 4, "logbook-empty": 0} {
		view := logbookView{Surgeon: "S-014", Own: true, From: "2025-01-06", To: "2025-06-30"}
		view.words(logbooked(n))
		view.frame = s.frame(ctx, trainee, "Which operations are in the logbook, and what came of them?", &fixedAt)
		add(name, "logbook", view)
	}
	wrong := logbookView{frame: s.frame(ctx, trainer, "Which operations are in the logbook, and what came of them?", &fixedAt), Surgeon: "S-014", From: "2025-06-30", To: `"yesterday"`,
		Problems: []problemView{daysProblem("to")}, Choices: surgeonChoices(trainer, "S-014"), Answer: "No operation is shown, because the period can't be read."}
	add("logbook-wrong", "logbook", wrong)

	form := newQuestionForm("HB-2025-00417", fixedNow, fixedForm)
	form.Part, form.Words = "operator", `The last "quadrant" was mine`
	form.list()
	add("question", "question", questionView{frame: s.frame(ctx, trainee, "What is wrong in this record?", nil), Form: form, Case: form.Case,
		Problems: []problemView{{"question-part", "The form lay open for too long."}}})
	for name, list := range map[string][]feedback.Question{"questions": asked(), "questions-none": nil, "questions-answered": asked()[1:]} {
		s.cfg.Desk = noDesk{}
		view := s.questionsWords("HARBOUR", list, fixedAt, nil)
		s.cfg.Desk = nil
		for i := range view.Open {
			view.Open[i].Form.ID = fixedForm
		}
		view.frame = s.frame(ctx, quality, "Which records does somebody say are wrong?", &fixedAt)
		add(name, "questions", view)
	}
}

// A form that is sent twice makes one event, and the catalogue takes it.
func TestQuestionEvents(t *testing.T) {
	form := &questionForm{ID: fixedForm, Part: "step", Words: "It took longer"}
	c := fold.Case{Code: "HB-1", Department: "HARBOUR"}
	e := form.event(trainee, c, fixedNow)
	if again := form.event(trainee, c, fixedNow); again.ID != e.ID || len(e.ID) > 100 {
		t.Errorf("%s, then %s", e.ID, again.ID)
	}
	if other := form.event(trainee, c, fixedNow.Add(time.Second)); other.ID == e.ID {
		t.Error("another time is the same event")
	}
	if _, problems := events.Decode(events.Header{"content-type": {events.ContentTypeEvent}}, e.Encode()); len(problems) > 0 {
		t.Errorf("%+v", problems)
	}
	for _, w := range events.Words[events.RecordPart]() {
		if partWords[w] == "" {
			t.Errorf("%s has no words", w)
		}
	}
	for _, w := range events.Words[events.RecordAnswer]() {
		if questionAnswers[w] == "" {
			t.Errorf("%s has no words", w)
		}
	}
}
