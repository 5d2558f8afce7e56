package events

// CaseReviewed: a trainer and a trainee went through the case. It says how the
// case was beside what is usual at this stage, and what was agreed; never a
// verdict on a person.
type CaseReviewed struct {
	Trainer         Code        `wire:"trainer,required"`
	AtThisStage     Stage       `wire:"at_this_stage"`
	TeachingPoints  []Code      `wire:"teaching_points"`
	AgreedAction    Text        `wire:"agreed_action"`
	SupervisionNext Supervision `wire:"supervision_next"`
}
