package fold

import (
	"slices"
	"time"

	"lensledger/events"
)

// Case is one operated eye, from booking on, as its events tell it.
type Case struct {
	Code       string
	MergedInto string // the code that carries this operation's facts, when joined
	Trace      Trace
	Involved   []string // surgeons of the operation, who may see it; sorted

	Department    string // of the start, else of the booking, else of the first event
	Booked        *events.CaseBooked
	Assessments   []Assessment          // all, in order
	Preop         *events.PreopAssessed // the latest known before the first incision
	PreopLater    *events.PreopAssessed // the latest of all, when recorded after the start
	LensPlanned   *events.LensPlanned   // the latest before the start, else the latest
	PlannedLate   bool                  // it is dated after the start
	Started       *events.CaseStarted
	StartedAt     time.Time // with the offset as sent; zero when not started
	FinishedAt    time.Time // zero when not finished
	Cancelled     *events.CaseCancelled
	Steps         []Step
	Changes       []Change
	Complications []Complication
	Incisions     []Incision
	Adjuncts      []Adjunct
	Measurements  []Measurement
	Machines      []MachineReading
	Drugs         []Drug
	Techniques    []Technique
	Lens          *events.LensImplanted // of the operation's day, else the first after it
	Reimplanted   []time.Time           // implants of later days, which end what the first is judged by

	Acuities      []AcuityVisit
	Refractions   []RefractionVisit
	Keratometries []KeratometryVisit
	Findings      []Finding
	Closed        *Closing
	Reviews       []CaseReview
	Questions     []Question // what operators say is wrong in this record
	Answers       []Answer   // all, those whose question isn't here too

	Timeline  []Effective // every event that stands, in order
	Conflicts []events.Identity
	Retracted int
	Flags     []Flag
}

// Step is one run of one step. A step may repeat.
type Step struct {
	Step        events.Step
	Operator    string // empty when unknown
	Supervision events.Supervision
	StartedAt   time.Time // zero when only the end was recorded
	FinishedAt  time.Time // zero when only the start was recorded
}

// Change is a hand-over between operators.
type Change struct {
	events.OperatorChanged
	At time.Time
}

// Complication is a recorded complication.
type Complication struct {
	events.ComplicationRecorded
	At time.Time
}

// foldCase folds the events of one operation.
func foldCase(code string, r Resolved) Case {
	c := Case{Code: code, Timeline: r.Events, Conflicts: r.Conflicts, Retracted: r.Retracted, Flags: r.Flags}
	c.start(r.Events)
	for _, e := range r.Events {
		c.apply(e)
	}
	c.afterOperation()
	c.answerQuestions()
	c.flagOrder()
	c.flagEyes()
	c.flagImplant()
	c.flagFollowup()
	return c
}

// start finds the operation's start: the first case.started after the last
// cancellation before an incision. A list that was called off and taken up again
// under the same code is one operation, on the later date.
func (c *Case) start(es []Effective) {
	subject := "" // the code under which the start was sent
	for _, e := range es {
		switch d := e.Data.(type) {
		case *events.CaseCancelled:
			c.Cancelled = d
			if d.Stage != events.CancelAfterIncision {
				c.Started, c.StartedAt = nil, time.Time{}
			}
		case *events.CaseStarted:
			if c.Started != nil {
				c.flag("second-start", e, "the operation had already started at "+c.StartedAt.Format(time.RFC3339)+"; the first start counts")
				if e.Subject != subject && d.FirstOperator != c.Started.FirstOperator {
					c.flag("joined-surgeons-differ", e, "the joined codes name "+string(c.Started.FirstOperator)+" and "+
						string(d.FirstOperator)+" as first operator; the first start counts")
				}
				continue
			}
			if c.Cancelled != nil && c.Cancelled.Stage != events.CancelAfterIncision {
				c.Cancelled = nil
			}
			c.Started, c.StartedAt, c.Department = d, e.Time, e.Department
			subject = e.Subject
		}
	}
}

// apply folds one event. The switch names every type about a case: a test holds
// it against the catalogue.
func (c *Case) apply(e Effective) {
	if c.Department == "" {
		c.Department = e.Department
	}
	switch d := e.Data.(type) {
	case *events.CaseBooked:
		c.Booked = d
		if c.Started == nil {
			c.Department = e.Department
		}
	case *events.PreopAssessed:
		c.Assessments = append(c.Assessments, Assessment{d, e.Time})
		if c.Started == nil || !e.Time.After(c.StartedAt) {
			c.Preop = d
		} else {
			c.PreopLater = d
		}
	case *events.CaseStarted, *events.CaseCancelled, *events.CaseJoined:
		// read by start and Component
	case *events.StepStarted:
		c.Steps = append(c.Steps, Step{Step: d.Step, Operator: string(d.Operator), Supervision: d.Supervision, StartedAt: e.Time})
	case *events.StepFinished:
		c.finishStep(d, e.Time)
	case *events.OperatorChanged:
		c.Changes = append(c.Changes, Change{*d, e.Time})
	case *events.ComplicationRecorded:
		c.Complications = append(c.Complications, Complication{*d, e.Time})
	case *events.LensPlanned:
		c.plan(d, e)
	case *events.IncisionMade:
		c.Incisions = append(c.Incisions, Incision{*d, e.Time})
	case *events.AdjunctUsed:
		c.Adjuncts = append(c.Adjuncts, Adjunct{*d, e.Time})
	case *events.MeasurementTaken:
		c.Measurements = append(c.Measurements, Measurement{*d, e.Time})
	case *events.MachineRead:
		c.Machines = append(c.Machines, MachineReading{*d, e.Time})
	case *events.DrugGiven:
		c.Drugs = append(c.Drugs, Drug{*d, e.Time})
	case *events.TechniqueNoted:
		c.Techniques = append(c.Techniques, Technique{*d, e.Time})
	case *events.LensImplanted:
		c.implant(d, e)
	case *events.CaseFinished:
		c.FinishedAt = e.Time
	case *events.FollowupAcuity:
		c.Acuities = append(c.Acuities, AcuityVisit{*d, e.Time, e.Identity()})
	case *events.FollowupRefraction:
		c.Refractions = append(c.Refractions, RefractionVisit{*d, e.Time, e.Identity()})
	case *events.FollowupKeratometry:
		c.Keratometries = append(c.Keratometries, KeratometryVisit{*d, e.Time, e.Identity()})
	case *events.FollowupFinding:
		c.Findings = append(c.Findings, Finding{*d, e.Time, e.Identity()})
	case *events.FollowupClosed:
		c.Closed = &Closing{*d, e.Time, e.Identity()}
	case *events.CaseReviewed:
		c.Reviews = append(c.Reviews, CaseReview{*d, e.Time, e.Department})
	case *events.RecordQuestioned:
		c.Questions = append(c.Questions, Question{RecordQuestioned: *d, ID: e.Identity(), At: e.Time, Department: e.Department})
	case *events.RecordAnswered:
		c.Answers = append(c.Answers, Answer{*d, e.Time})
	default:
		c.flag("misplaced", e, string(e.Type)+" is not about a case")
	}
}

// finishStep closes the latest open run of the step, or records a run of which
// only the end is known.
func (c *Case) finishStep(d *events.StepFinished, at time.Time) {
	for i := len(c.Steps) - 1; i >= 0; i-- {
		s := &c.Steps[i]
		if s.Step == d.Step && s.FinishedAt.IsZero() {
			s.FinishedAt = at
			if s.Operator == "" {
				s.Operator = string(d.Operator)
			}
			return
		}
	}
	c.Steps = append(c.Steps, Step{Step: d.Step, Operator: string(d.Operator), Supervision: d.Supervision, FinishedAt: at})
}

// flagOrder lists what one event alone can't show: limits across events of
// common practice, no source.
func (c *Case) flagOrder() {
	if c.Started == nil {
		return
	}
	if !c.FinishedAt.IsZero() {
		switch d := c.FinishedAt.Sub(c.StartedAt); {
		case d < 0:
			c.Flags = append(c.Flags, Flag{Code: "finish-before-start", Detail: "the operation finishes before it starts; its length is unknown"})
		case d < time.Minute || d > 6*time.Hour:
			c.Flags = append(c.Flags, Flag{Code: "operating-time", Detail: "an operating time of " + d.String() + ", allowed 1 minute to 6 hours; its length is unknown"})
		case d < 5*time.Minute || d > 90*time.Minute:
			c.Flags = append(c.Flags, Flag{Code: "confirm", Detail: "an operating time of " + d.String() + ", usual 5 to 90 minutes"})
		}
	}
	for _, a := range c.Assessments {
		if dayOf(a.At).Before(c.OperatedOn().AddDate(-1, 0, 0)) {
			c.note("confirm", "an assessment more than 12 months before the operation")
		}
	}
	c.flagSteps()
	for _, s := range c.Steps {
		if s.Operator != "" && !slices.Contains(c.Operators(), s.Operator) {
			c.Flags = append(c.Flags, Flag{Code: "operator-unannounced", Detail: s.Operator + " operated in " + string(s.Step) + " without a hand-over"})
		}
	}
}

func (c *Case) flag(code string, e Effective, detail string) {
	c.Flags = append(c.Flags, Flag{Code: code, Source: e.Source, ID: e.ID, Detail: detail})
}

// note is a flag about the case as a whole.
func (c *Case) note(code, detail string) { c.Flags = append(c.Flags, Flag{Code: code, Detail: detail}) }
