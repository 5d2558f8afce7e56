package events

// ChartDesigned sets a chart's limits for a scope. The subject is the design's code.
type ChartDesigned struct {
	Outcome          Outcome    `wire:"outcome,required"`
	Kind             ChartKind  `wire:"kind,required"`
	Scope            Code       `wire:"scope,required"` // a surgeon's code, or ScopeTrainees, ScopeIndependent
	Acceptable       Millionths `wire:"acceptable,required,min=0.0001,max=0.9"`
	Unacceptable     Millionths `wire:"unacceptable,required,min=0.0001,max=0.95"`
	Threshold        Millionths `wire:"threshold,required,min=0.1,max=50"`
	ChosenBy         Text       `wire:"chosen_by"`
	ClosesAfterCases Opt[int64] `wire:"closes_after_cases,min=1,max=100000"`
	RiskModel        Text       `wire:"risk_model"` // absent: every case has the acceptable risk
	RiskModelVersion Text       `wire:"risk_model_version"`
}

// Scopes of a chart design other than one surgeon.
const (
	ScopeTrainees    = "trainees"
	ScopeIndependent = "independent"
)

// AlarmAcknowledged: a named person has seen an alarm. The subject is the chart's
// code. It hides nothing, and the chart goes on.
type AlarmAcknowledged struct {
	Alarm Code `wire:"alarm,required"`
	Note  Text `wire:"note"`
	By    Code `wire:"by,required"`
}

// AlarmAssigned: somebody is to look into an alarm by a date. The subject is the
// chart's code. Of several the latest stands.
type AlarmAssigned struct {
	Alarm Code `wire:"alarm,required"`
	Owner Code `wire:"owner,required"`
	DueOn Date `wire:"due_on,required"`
	By    Code `wire:"by,required"`
}

// AlarmReviewed: a named person looked at an alarm. The subject is the chart's code.
type AlarmReviewed struct {
	Alarm   Code    `wire:"alarm,required"`
	Finding Finding `wire:"finding,required"`
	Action  Text    `wire:"action"`
	By      Code    `wire:"by,required"`
}

// ChartRestarted: a chart begins again at zero with the next operation. The
// subject is the chart's code.
type ChartRestarted AlarmReviewed
