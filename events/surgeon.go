package events

// SurgeonEnrolled: a surgeon's post and the operations done before the record begins.
type SurgeonEnrolled struct {
	Post              Post       `wire:"post,required"`
	TrainingStartedOn Date       `wire:"training_started_on"`
	PriorWholeCases   Opt[int64] `wire:"prior_whole_cases,min=0,max=100000"`
	PriorPartCases    Opt[int64] `wire:"prior_part_cases,min=0,max=100000"`
	VerifiedBy        Code       `wire:"verified_by"`
}

// SurgeonMoved: from a date on, a surgeon works in another department. The date
// may lie ahead.
type SurgeonMoved struct {
	Department Code `wire:"department,required"`
	FromOn     Date `wire:"from_on,required"`
}
