package fold

import (
	"slices"
	"time"

	"lensledger/events"
)

// The rules of what counts, and whose it is. Common practice, no source, unless
// a source is named.

// Counts says whether the case is an operation: it started, and was not
// cancelled before an incision. One abandoned after it counts.
func (c Case) Counts() bool { return c.MergedInto == "" && c.Started != nil }

// Reasons for which an operation stays out of the benchmarks.
const (
	ExcludedProcedure = "other-procedure" // planned other than as phacoemulsification
	ExcludedCombined  = "combined"        // with vitrectomy, glaucoma surgery or a graft
	ExcludedUnder18   = "under-18"
)

// Excluded gives the reason for which an operation stays out of the benchmarks,
// or "". The intention decides: a conversion stays in. What is unknown doesn't
// exclude.
func (c Case) Excluded() string {
	if b := c.Booked; b != nil {
		if b.Procedure != "" && b.Procedure != events.ProcedurePhaco && b.Procedure != events.ProcedureLaserAssisted {
			return ExcludedProcedure
		}
		if len(b.CombinedWith) > 0 {
			return ExcludedCombined
		}
	}
	if p := c.Preop; p != nil && p.AgeYears.Known && p.AgeYears.Value < 18 {
		return ExcludedUnder18
	}
	return ""
}

// OperatedOn is the calendar date at the start event's own offset.
func (c Case) OperatedOn() time.Time {
	y, m, d := c.StartedAt.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// OperatingTime is the time from start to finish; unknown when either is missing
// or the length is outside one minute to six hours.
func (c Case) OperatingTime() (time.Duration, bool) {
	d := c.FinishedAt.Sub(c.StartedAt)
	if c.Started == nil || c.FinishedAt.IsZero() || d < time.Minute || d > 6*time.Hour {
		return 0, false
	}
	return d, true
}

// Responsible is the consultant who answers for the operation: as started, else
// as booked.
func (c Case) Responsible() string {
	if c.Started != nil && c.Started.ResponsibleConsultant != "" {
		return string(c.Started.ResponsibleConsultant)
	}
	if c.Booked != nil {
		return string(c.Booked.ResponsibleConsultant)
	}
	return ""
}

// FirstOperator is who began the operation.
func (c Case) FirstOperator() string {
	if c.Started == nil {
		return ""
	}
	return string(c.Started.FirstOperator)
}

// Operators lists everyone who operated by the record of the start and the
// hand-overs, in that order. A step that names somebody else is flagged; it makes
// no operator.
func (c Case) Operators() []string {
	var out []string
	out = addOnce(out, c.FirstOperator())
	for _, ch := range c.Changes {
		out = addOnce(addOnce(out, string(ch.From)), string(ch.To))
	}
	return out
}

// people lists every surgeon of the case: operators, also of single steps, the
// planned one and the responsible consultant; sorted.
func (c Case) people() []string {
	out := addOnce(c.Operators(), c.Responsible())
	for _, s := range c.Steps {
		out = addOnce(out, s.Operator)
	}
	if c.Booked != nil {
		out = addOnce(out, string(c.Booked.PlannedFirstOperator))
	}
	slices.Sort(out)
	return out
}

// Unplanned says whether a hand-over was unplanned. When not stated, difficulty
// and complication mean that it was, planned and teaching that it wasn't.
func (ch Change) Unplanned() events.Fact {
	switch {
	case ch.Planned != events.Unknown:
		return events.FactOf(ch.Planned == events.No)
	case ch.Reason == events.ReasonDifficulty || ch.Reason == events.ReasonComplication:
		return events.Yes
	case ch.Reason != "":
		return events.No
	}
	return events.Unknown
}

// TakenOver says whether the surgeon was stopped unplanned.
func (c Case) TakenOver(surgeon string) events.Fact {
	out := events.No
	for _, ch := range c.Changes {
		if string(ch.From) != surgeon {
			continue
		}
		switch ch.Unplanned() {
		case events.Yes:
			return events.Yes
		case events.Unknown:
			out = events.Unknown
		}
	}
	return out
}

// OperatorAt is who operated at a time, by the start and the hand-overs.
func (c Case) OperatorAt(t time.Time) string {
	who := c.FirstOperator()
	for _, ch := range c.Changes {
		if !ch.At.After(t) {
			who = string(ch.To)
		}
	}
	return who
}

var (
	coreFirst = slices.Index(events.StepOrder, events.StepSculpting)
	coreLast  = slices.Index(events.StepOrder, events.StepCortex)
)

// core says where a step stands to the part from sculpting through cortex
// aspiration: -1 before, 0 in it, 1 after.
func core(s events.Step) int {
	switch i := slices.Index(events.StepOrder, s); {
	case i < coreFirst:
		return -1
	case i > coreLast:
		return 1
	}
	return 0
}

// CoreOperators lists who operated from sculpting through cortex aspiration. A
// hand-over without a step is placed by its time among the recorded steps; where
// that can't be done either, both surgeons are taken to have shared the part.
func (c Case) CoreOperators() []string {
	var out []string
	who := c.FirstOperator()
	var shared []string
	for _, ch := range c.Changes {
		switch c.changeAt(ch) {
		case -1:
			who = string(ch.To)
		case 0:
			shared = addOnce(addOnce(shared, string(ch.From)), string(ch.To))
		}
	}
	recorded := false
	for _, s := range c.Steps {
		if core(s.Step) == 0 && s.Operator != "" {
			recorded = true
			out = addOnce(out, s.Operator)
		}
	}
	if !recorded {
		out = addOnce(out, who)
	}
	for _, s := range shared {
		out = addOnce(out, s)
	}
	return out
}

// changeAt places a hand-over before, in or after the core part.
func (c Case) changeAt(ch Change) int {
	if c.beganWith(ch) {
		return -1
	}
	if ch.Step != "" {
		return core(ch.Step)
	}
	before, after := false, false
	for _, s := range c.Steps {
		t := s.at()
		switch at := core(s.Step); {
		case at == 0 && t.Before(ch.At):
			before = true
		case at == 0:
			after = true
		case at == 1 && t.Before(ch.At):
			before, after = true, false
		}
	}
	switch {
	case before && !after && c.coreEndedBy(ch.At):
		return 1
	case after && !before:
		return -1
	}
	return 0
}

// beganWith says whether the core part began with the hand-over: named with a step
// of that part, before any step of it began, to the one on record as operating it.
func (c Case) beganWith(ch Change) bool {
	if ch.Step == "" || core(ch.Step) != 0 {
		return false
	}
	took := false
	for _, s := range c.Steps {
		if core(s.Step) != 0 {
			continue
		}
		if s.at().Before(ch.At) {
			return false
		}
		took = took || s.Step == ch.Step && s.Operator == string(ch.To)
	}
	return took
}

// at is when the step began, or ended where that alone is known.
func (s Step) at() time.Time {
	if s.StartedAt.IsZero() {
		return s.FinishedAt
	}
	return s.StartedAt
}

// coreEndedBy says whether a step after the core part began before t.
func (c Case) coreEndedBy(t time.Time) bool {
	return slices.ContainsFunc(c.Steps, func(s Step) bool {
		return core(s.Step) == 1 && s.Step != "anterior-vitrectomy" && !s.StartedAt.IsZero() && s.StartedAt.Before(t)
	})
}

// Whole says whether the surgeon did the whole case: everything from sculpting
// through cortex aspiration. An operation abandoned before that is nobody's.
func (c Case) Whole(surgeon string) bool {
	if c.Abandoned() && !slices.ContainsFunc(c.Steps, func(s Step) bool { return s.Step == events.StepCortex }) {
		return false
	}
	ops := c.CoreOperators()
	return len(ops) == 1 && ops[0] == surgeon
}

// Abandoned says whether the operation was called off after the incision.
func (c Case) Abandoned() bool {
	return c.Started != nil && c.Cancelled != nil && c.FinishedAt.IsZero()
}

// InCore says whether the surgeon is on record as operating a step of the core
// part.
func (c Case) InCore(surgeon string) bool {
	return slices.ContainsFunc(c.Steps, func(s Step) bool { return core(s.Step) == 0 && s.Operator == surgeon })
}

// Rupture is the operation's capsule rupture, one at most: rupture of the
// posterior capsule with or without vitreous prolapse, or zonule rupture with
// vitreous prolapse; zonule dehiscence without vitreous does not count. The UK
// national definition.
func (c Case) Rupture() (Complication, bool) {
	for _, k := range c.Complications {
		switch k.Kind {
		case events.KindCapsuleRupture:
			return k, true
		case events.KindZonuleRupture, events.KindZonularDialysis:
			if k.Vitreous == events.VitreousProlapse || k.Vitreous == events.VitreousLoss {
				return k, true
			}
		}
	}
	return Complication{}, false
}

// OutcomeKnown says whether it is settled if the operation had a rupture: it is
// over, or one is recorded already, since a rupture never waits for paperwork.
func (c Case) OutcomeKnown() bool {
	if !c.FinishedAt.IsZero() || c.Cancelled != nil {
		return true
	}
	_, ruptured := c.Rupture()
	return ruptured
}

// CauseOf names the operator at cause of a complication: as recorded, which may
// be events.Undetermined; by default whoever operated last before an unplanned
// hand-over, else whoever operated when it was recorded.
func (c Case) CauseOf(k Complication) string {
	if k.CausedBy != "" {
		return string(k.CausedBy)
	}
	for _, ch := range c.Changes {
		if ch.Unplanned() == events.Yes {
			return string(ch.From)
		}
	}
	if !c.FinishedAt.IsZero() && k.At.After(c.FinishedAt) && len(c.Operators()) > 1 {
		return events.Undetermined // noticed in clinic after several hands
	}
	return c.OperatorAt(k.At)
}
