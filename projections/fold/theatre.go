package fold

import (
	"time"

	"lensledger/events"
)

// Assessment is one assessment of the eye, before the operation or written
// down after it.
type Assessment struct {
	*events.PreopAssessed
	At time.Time
}

// Incision is an incision into the eye.
type Incision struct {
	events.IncisionMade
	At time.Time
}

// Adjunct is something used beyond the usual.
type Adjunct struct {
	events.AdjunctUsed
	At time.Time
}

// Measurement is a length measured during the operation.
type Measurement struct {
	events.MeasurementTaken
	At time.Time
}

// MachineReading is what the machine showed.
type MachineReading struct {
	events.MachineRead
	At time.Time
}

// Drug is a drug given in the operation.
type Drug struct {
	events.DrugGiven
	At time.Time
}

// Technique is a trainer's remark on a step.
type Technique struct {
	events.TechniqueNoted
	At time.Time
}

// CaseReview is what trainer and trainee made of the case.
type CaseReview struct {
	events.CaseReviewed
	At         time.Time
	Department string
}

// Limits of a step's length, common practice, no source.
const (
	longestStep   = 2 * time.Hour
	usualStepUpTo = 15 * time.Minute
)

// Length is how long one run of a step took; unknown when its start or end is
// missing, or when it would be less than nothing or more than two hours.
func (s Step) Length() (time.Duration, bool) {
	d := s.FinishedAt.Sub(s.StartedAt)
	if s.StartedAt.IsZero() || s.FinishedAt.IsZero() || d < 0 || d > longestStep {
		return 0, false
	}
	return d, true
}

// flagSteps lists steps of a length that can't be, and those outside the
// operation.
func (c *Case) flagSteps() {
	for _, s := range c.Steps {
		d := s.FinishedAt.Sub(s.StartedAt)
		_, known := s.Length()
		switch whole := !s.StartedAt.IsZero() && !s.FinishedAt.IsZero(); {
		case whole && !known:
			c.note("step-time", string(s.Step)+" of "+d.String()+", allowed up to 2 hours; its length is unknown")
		case whole && d > usualStepUpTo:
			c.note("confirm", string(s.Step)+" of "+d.String()+", usual up to 15 minutes")
		}
		if _, known := c.OperatingTime(); !known {
			continue
		}
		if !s.StartedAt.IsZero() && s.StartedAt.Before(c.StartedAt) || s.FinishedAt.After(c.FinishedAt) {
			c.note("step-outside", string(s.Step)+" lies outside the operation")
		}
	}
}

// Rhexis is the least and the greatest diameter of the capsulorhexis in
// micrometres, as last measured.
func (c Case) Rhexis() (least, greatest events.Opt[int64]) {
	for _, m := range c.Measurements {
		switch m.What {
		case events.MeasurementRhexisLeast:
			least = events.Some(m.ValueUM)
		case events.MeasurementRhexisGreatest:
			greatest = events.Some(m.ValueUM)
		}
	}
	return least, greatest
}

// flagRhexis: an opening as wide as the optic doesn't lie under it all round,
// and the least diameter isn't more than the greatest. Common practice, no
// source.
func (c *Case) flagRhexis() {
	least, greatest := c.Rhexis()
	if least.Known && greatest.Known && least.Value > greatest.Value {
		c.note("confirm", "the least diameter of the capsulorhexis is more than the greatest")
	}
	if c.Lens == nil || !c.Lens.OpticUM.Known {
		return
	}
	widest := max(least.Value, greatest.Value)
	if widest >= c.Lens.OpticUM.Value {
		c.note("confirm", "the capsulorhexis isn't under the optic all round by its diameter")
	}
}
