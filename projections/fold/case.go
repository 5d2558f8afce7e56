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
	Preop         *events.PreopAssessed // the latest known before the first incision
	PreopLater    *events.PreopAssessed // the latest of all, when recorded after the start
	Started       *events.CaseStarted
	StartedAt     time.Time // with the offset as sent; zero when not started
	FinishedAt    time.Time // zero when not finished
	Cancelled     *events.CaseCancelled
	Steps         []Step
	Changes       []Change
	Complications []Complication
	Lens          *events.LensImplanted

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
	c.flagOrder()
	return c
}

// start finds the operation's start: the first case.started after the last
// cancellation before an incision. A list that was called off and taken up again
// under the same code is one operation, on the later date.
func (c *Case) start(es []Effective) {
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
				continue
			}
			if c.Cancelled != nil && c.Cancelled.Stage != events.CancelAfterIncision {
				c.Cancelled = nil
			}
			c.Started, c.StartedAt, c.Department = d, e.Time, e.Department
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
	case *events.LensImplanted:
		c.Lens = d
	case *events.CaseFinished:
		c.FinishedAt = e.Time
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
	for _, s := range c.Steps {
		if s.Operator != "" && !slices.Contains(c.Operators(), s.Operator) {
			c.Flags = append(c.Flags, Flag{Code: "operator-unannounced", Detail: s.Operator + " operated in " + string(s.Step) + " without a hand-over"})
		}
	}
}

func (c *Case) flag(code string, e Effective, detail string) {
	c.Flags = append(c.Flags, Flag{Code: code, Source: e.Source, ID: e.ID, Detail: detail})
}
