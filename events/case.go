package events

// CaseBooked: an eye is listed for an operation.
type CaseBooked struct {
	Patient               Code       `wire:"patient,required"`
	Eye                   Eye        `wire:"eye,required"`
	ResponsibleConsultant Code       `wire:"responsible_consultant"`
	PlannedFirstOperator  Code       `wire:"planned_first_operator"`
	PlannedOn             Date       `wire:"planned_on"`
	FirstOrSecondEye      EyeOrder   `wire:"first_or_second_eye"`
	Procedure             Procedure  `wire:"procedure"`
	CombinedWith          []Combined `wire:"combined_with"`
	Urgency               Urgency    `wire:"urgency"`
	ListKind              ListKind   `wire:"list_kind"`
}

// CaseStarted: the operation begins with its first operator.
type CaseStarted struct {
	ResponsibleConsultant Code          `wire:"responsible_consultant"`
	FirstOperator         Code          `wire:"first_operator,required"`
	Supervision           Supervision   `wire:"supervision"`
	Anaesthesia           []Anaesthesia `wire:"anaesthesia"`
}

// CaseFinished: the operation ends. It has no data.
type CaseFinished struct{}

// CaseCancelled: the operation doesn't take place, or is abandoned.
type CaseCancelled struct {
	Stage  CancelStage  `wire:"stage,required"`
	Reason CancelReason `wire:"reason"`
}

// CaseJoined: another case code is the same operation. The two sets of events
// are folded as one.
type CaseJoined struct {
	OtherCase Code `wire:"other_case,required"`
}

// StepStarted: a step of the operation begins.
type StepStarted struct {
	Step              Step        `wire:"step,required"`
	Operator          Code        `wire:"operator"`
	Supervision       Supervision `wire:"supervision"`
	RecordingOffsetMS Opt[int64]  `wire:"recording_offset_ms,min=0,max=86400000"`
}

// StepFinished: a step of the operation ends.
type StepFinished StepStarted

// OperatorChanged: another surgeon takes over.
type OperatorChanged struct {
	From    Code         `wire:"from,required"`
	To      Code         `wire:"to,required"`
	Planned Fact         `wire:"planned"`
	Reason  ChangeReason `wire:"reason"`
	Step    Step         `wire:"step"`
}

// ComplicationRecorded: a complication, with where and by whom it was noticed
// and, apart from that, caused. CausedBy and CausedInStep may be "undetermined".
type ComplicationRecorded struct {
	Kind          ComplicationKind `wire:"kind,required"`
	NoticedInStep Step             `wire:"noticed_in_step"`
	NoticedBy     Code             `wire:"noticed_by"`
	CausedInStep  Step             `wire:"caused_in_step,or=undetermined"`
	CausedBy      Code             `wire:"caused_by"`                // or Undetermined
	ClockHours    Opt[int64]       `wire:"clock_hours,min=1,max=12"` // extent of a zonular dialysis
	Vitreous      Vitreous         `wire:"vitreous"`
	Management    Text             `wire:"management"`
}

// Undetermined is the operator or step of a cause that could not be settled.
const Undetermined = "undetermined"
