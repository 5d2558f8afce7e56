package alarm

import (
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// State is where a chart stands, by code. None is a verdict.
type State string

// The states.
const (
	StateTooFew     State = "too-few"
	StateDataLate   State = "data-late"
	StateNoSignal   State = "no-signal"
	StateNear       State = "near-line"
	StateCrossed    State = "crossed"          // for review
	StateReviewed   State = "crossed-reviewed" // and the chart goes on
	StateRestarted  State = "begins-again"     // and no case since
	StateReached    State = "evidence-reached"
	StateNotReached State = "evidence-not-reached"
	StateClosed     State = "closed"
)

// States lists the states of a chart.
var AllStates = []State{StateTooFew, StateDataLate, StateNoSignal, StateNear, StateCrossed, StateReviewed, StateRestarted, StateReached,
	StateNotReached, StateClosed}

// Settings of the states. Common practice, no source.
const (
	FewCases   = 25   // below them a chart says nothing, unless it crossed
	nearShare  = 0.75 // of the line, from which on a chart is near it
	lateCases  = 3    // data is late from so many cases without a known outcome on,
	lateShare  = 0.1  // if they are at least this share of those that enter,
	lateOfEyes = 0.3  // and of eyes if follow-up is missing of more than this share
)

// Standing is what the words about a chart rest on.
type Standing struct {
	Outcome, Kind string
	Cases, Events int // cases of a department's chart are eyes
	LeftOut       int // whose outcome isn't known; of a department's chart eyes without the follow-up
	Value, Line   float64
	Reached       bool    // a chart that raises no alarm reached its line
	ReachedAt     *Point  // there; nil when not at hand
	Alarm         *Listed // the latest alarm, if any
	Restarted     bool    // begun again, and no case since
	Closed        bool
	Group         bool   // a department's chart: it is no person's
	CompleteTo    string // of a department's chart: the day up to which follow-up is over
	Provisional   int    // eyes after it
}

// StandingOf reads a drawn chart; alarms are the surgeon's.
func StandingOf(c Chart, alarms []Listed) Standing {
	s := Standing{Outcome: c.Design.Outcome, Kind: c.Design.Kind, Cases: len(c.Points), Events: c.Events, LeftOut: c.LeftOut, Value: c.Value(),
		Line: c.Design.Threshold, Reached: len(c.Reaching) > 0, Closed: c.Closed, Alarm: latestOf(c.Code, alarms)}
	if s.Reached {
		s.ReachedAt = &c.Reaching[0]
	}
	s.Restarted = s.Alarm != nil && s.Alarm.Restarted && !restartedSince(c, s.Alarm.CrossedAt)
	if s.Restarted {
		s.Value = 0
	}
	return s
}

// StandingOfGroup reads a department's chart.
func StandingOfGroup(g GroupChart) Standing {
	s := StandingOf(g.Chart, nil)
	s.Group, s.CompleteTo, s.Provisional, s.LeftOut = true, g.CompleteTo, len(g.Provisional), 0
	for _, reason := range followupMissing {
		s.LeftOut += g.Excluded[reason]
	}
	return s
}

// followupMissing are the reasons for which follow-up leaves an eye out of a
// department's chart.
var followupMissing = []string{outcome.NoAcuityAfter, outcome.NoAcuityEither, fold.NoRefraction}

// restartedSince says whether a case after t is the first of a new stretch.
func restartedSince(c Chart, t time.Time) bool {
	for i := len(c.Points) - 1; i >= 0 && c.Points[i].StartedAt.After(t); i-- {
		if c.Points[i].Restarted {
			return true
		}
	}
	return false
}

// StandingOfRow reads a chart's row. It can't tell whether a chart that was
// restarted has had a case since: such charts have to be drawn.
func StandingOfRow(r ChartRow, alarms []Listed) Standing {
	s := Standing{Outcome: r.Outcome, Kind: r.Kind, Cases: int(r.Cases), Events: int(r.Events), LeftOut: int(r.LeftOut), Value: events.Millionths(r.Value).Float(),
		Line: events.Millionths(r.Threshold).Float(), Closed: r.Closed, Alarm: latestOf(r.Chart, alarms)}
	s.Reached = s.Competence() && r.Alarms > 0
	return s
}

// latestOf is the alarm of a chart's last stretch that had one.
func latestOf(chart string, alarms []Listed) *Listed {
	var last *Listed
	for i, a := range alarms {
		if a.Chart == chart && (last == nil || a.Ordinal > last.Ordinal) {
			last = &alarms[i]
		}
	}
	return last
}

// Competence says whether the chart gathers evidence that a rate is acceptable.
func (s Standing) Competence() bool { return s.Kind == string(events.KindCompetence) }

// late says whether so many outcomes aren't known yet that the chart says little.
func (s Standing) late() bool {
	all := float64(s.Cases + s.LeftOut)
	if s.Group {
		return s.LeftOut > 0 && float64(s.LeftOut) > lateOfEyes*all
	}
	return s.LeftOut >= lateCases && float64(s.LeftOut) >= lateShare*all
}

// State says where the chart stands.
func (s Standing) State() State {
	switch {
	case s.Competence() && s.Reached:
		return StateReached
	case s.Group && s.Reached:
		return StateCrossed
	case s.Alarm != nil && s.Alarm.Open():
		return StateCrossed
	case s.Alarm != nil && !s.Alarm.Restarted:
		return StateReviewed
	case s.Closed:
		return StateClosed
	case s.Restarted:
		return StateRestarted
	case s.late():
		return StateDataLate
	case s.Cases < FewCases:
		return StateTooFew
	case s.Competence():
		return StateNotReached
	case s.Value >= s.Line*nearShare:
		return StateNear
	}
	return StateNoSignal
}

// Nearness is how far the chart has come to its line, 1 at the line. It is of the
// chart, which moves by chance too, and no order of persons.
func (s Standing) Nearness() float64 { return s.Value / s.Line }
