package fold

import (
	"slices"
	"strconv"
	"time"

	"lensledger/events"
)

// AcuityVisit is acuity at one visit after the operation.
type AcuityVisit struct {
	events.FollowupAcuity
	At time.Time
	ID events.Identity
}

// RefractionVisit is refraction at one visit after the operation.
type RefractionVisit struct {
	events.FollowupRefraction
	At time.Time
	ID events.Identity
}

// KeratometryVisit is corneal power at one visit after the operation.
type KeratometryVisit struct {
	events.FollowupKeratometry
	At time.Time
	ID events.Identity
}

// Finding is what was found in the eye after the operation.
type Finding struct {
	events.FollowupFinding
	At time.Time
	ID events.Identity
}

// Closing ends the follow-up.
type Closing struct {
	events.FollowupClosed
	At time.Time
	ID events.Identity
}

// Windows of follow-up in days after the operation, by local calendar dates,
// both ends included. Common practice, no source, unless one is named in the
// definitions of the measures.
const (
	AcuityFromDay        = 14
	AcuityToDay          = 180
	RefractionFromDay    = 28
	RefractionToDay      = 120
	EarlyToDay           = 14 // corneal power until then is of the healing eye
	SettledFromDay       = 28
	SettledToDay         = 120
	EndophthalmitisToDay = 42
	HealingBeforeDay     = 28 // corneal oedema before then is healing
)

// EarlyCornealOedema is a corneal oedema found before HealingBeforeDay: healing,
// no outcome.
const EarlyCornealOedema events.FindingKind = "early-corneal-oedema"

// dayOf is the calendar date at a time's own offset.
func dayOf(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// DaysAfter counts the calendar days from the operation to a time, each at its
// own offset: 0 on the day itself.
func (c Case) DaysAfter(t time.Time) int {
	return int(dayOf(t).Sub(c.OperatedOn()) / (24 * time.Hour))
}

// within says whether a time lies in a window of days after the operation.
func (c Case) within(t time.Time, from, to int) bool {
	d := c.DaysAfter(t)
	return d >= from && d <= to
}

// end is when the operation was over, or its start where the end isn't known.
func (c Case) end() time.Time {
	if _, ok := c.OperatingTime(); ok {
		return c.FinishedAt
	}
	return c.StartedAt
}

// afterOperation keeps out, and flags, follow-up that is dated before the
// operation was over: its date or its case is wrong. Without a start nothing can
// be said yet.
func (c *Case) afterOperation() {
	if c.Started == nil {
		if len(c.Acuities)+len(c.Refractions)+len(c.Keratometries)+len(c.Findings) > 0 {
			c.note("followup-without-operation", "follow-up is recorded, but no start of an operation")
		}
		return
	}
	end := c.end()
	early := func(what string, at time.Time, id events.Identity) bool {
		if !at.Before(end) {
			return false
		}
		c.Flags = append(c.Flags, Flag{Code: "followup-before-operation", Source: id.Source, ID: id.ID,
			Detail: what + " is dated before the operation was over; it doesn't count"})
		return true
	}
	c.Acuities = slices.DeleteFunc(c.Acuities, func(v AcuityVisit) bool { return early("acuity", v.At, v.ID) })
	c.Refractions = slices.DeleteFunc(c.Refractions, func(v RefractionVisit) bool { return early("refraction", v.At, v.ID) })
	c.Keratometries = slices.DeleteFunc(c.Keratometries, func(v KeratometryVisit) bool { return early("keratometry", v.At, v.ID) })
	c.Findings = slices.DeleteFunc(c.Findings, func(f Finding) bool { return early(string(f.Kind), f.At, f.ID) })
	if c.Closed != nil && early("the end of follow-up", c.Closed.At, c.Closed.ID) {
		c.Closed = nil
	}
}

// flagFollowup lists follow-up that seldom is right: more than two years after
// the operation, after a death, and an acuity worse than before by 30
// hundredths of logMAR. Common practice, no source.
func (c *Case) flagFollowup() {
	if c.Started == nil {
		return
	}
	last := c.OperatedOn().AddDate(2, 0, 0)
	check := func(what string, at time.Time, id events.Identity) {
		if dayOf(at).After(last) {
			c.Flags = append(c.Flags, Flag{Code: "confirm", Source: id.Source, ID: id.ID,
				Detail: what + " " + strconv.Itoa(c.DaysAfter(at)) + " days after the operation, usual up to 2 years"})
		}
		if c.Closed != nil && c.Closed.Reason == "died" && dayOf(at).After(dayOf(c.Closed.At)) {
			c.Flags = append(c.Flags, Flag{Code: "followup-after-death", Source: id.Source, ID: id.ID,
				Detail: what + " is dated after follow-up ended with a death"})
		}
	}
	for _, v := range c.Acuities {
		check("acuity", v.At, v.ID)
	}
	for _, v := range c.Refractions {
		check("refraction", v.At, v.ID)
	}
	for _, v := range c.Keratometries {
		check("keratometry", v.At, v.ID)
	}
	for _, f := range c.Findings {
		check(string(f.Kind), f.At, f.ID)
	}
	before, okBefore := c.AcuityBefore()
	after, okAfter := c.AcuityAfter()
	if okBefore && okAfter && rank(after.Acuity) >= rank(before.Acuity)+30 {
		c.note("confirm", "the acuity after the operation is worse than before by 30 hundredths of logMAR or more")
	}
}

// Endophthalmitis is the first day on which an infection inside the eye was
// found within 42 days of the operation, and how sure it became within them.
func (c Case) Endophthalmitis() (on time.Time, certainty events.Certainty, found bool) {
	for _, f := range c.Findings {
		if f.Kind != events.FindingEndophthalmitis || !c.within(f.At, 0, EndophthalmitisToDay) {
			continue
		}
		if !found {
			on, found = dayOf(f.At), true
		}
		if certainty != events.CertaintyCultureProven && f.Certainty != "" {
			certainty = f.Certainty
		}
	}
	return on, certainty, found
}

// FindingKinds lists what was found, each kind once, sorted. A corneal oedema
// that was found only before day 28 stands as EarlyCornealOedema.
func (c Case) FindingKinds() []string {
	var out []string
	for _, f := range c.Findings {
		kind := f.Kind
		if kind == events.FindingCornealOedema && c.DaysAfter(f.At) < HealingBeforeDay {
			kind = EarlyCornealOedema
		}
		out = addOnce(out, string(kind))
	}
	if slices.Contains(out, string(events.FindingCornealOedema)) {
		out = slices.DeleteFunc(out, func(s string) bool { return s == string(EarlyCornealOedema) })
	}
	slices.Sort(out)
	return out
}

// ComplicationKinds lists the recorded complications, each kind once, sorted.
func (c Case) ComplicationKinds() []string {
	var out []string
	for _, k := range c.Complications {
		out = addOnce(out, string(k.Kind))
	}
	slices.Sort(out)
	return out
}

// Found says whether something was found after the operation.
func (c Case) Found(kind events.FindingKind) bool {
	return slices.ContainsFunc(c.Findings, func(f Finding) bool { return f.Kind == kind })
}

// Returned says whether the eye went back to theatre.
func (c Case) Returned() bool {
	_, again := c.laterProcedure()
	return again
}

// laterProcedure is the day of the first procedure inside the eye after this
// operation, as far as this case records it: a return to theatre or another
// implant.
func (c Case) laterProcedure() (time.Time, bool) {
	var first time.Time
	note := func(at time.Time) {
		if d := dayOf(at); first.IsZero() || d.Before(first) {
			first = d
		}
	}
	for _, f := range c.Findings {
		if f.Kind == events.FindingReturnToTheatre {
			note(f.At)
		}
	}
	for _, at := range c.Reimplanted {
		note(at)
	}
	return first, !first.IsZero()
}

// beforeLaterProcedure says whether a time belongs to this operation alone.
func (c Case) beforeLaterProcedure(t time.Time) bool {
	day, again := c.laterProcedure()
	return !again || dayOf(t).Before(day)
}
