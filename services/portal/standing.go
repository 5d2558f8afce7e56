package portal

import (
	"fmt"
	"time"

	"lensledger/events"
	"lensledger/projections/alarm"
)

// State is where a chart stands, in words that are the same on every page. None
// of them is a verdict.
type State string

// The states.
const (
	StateTooFew     State = "Too few cases"
	StateNoSignal   State = "No signal"
	StateNear       State = "Near its line"
	StateCrossed    State = "Crossed its line, for review"
	StateReviewed   State = "Crossed its line, reviewed"
	StateRestarted  State = "Begins again"
	StateReached    State = "Evidence reached the set line"
	StateNotReached State = "Evidence hasn't reached the set line"
	StateClosed     State = "Closed"
)

// Settings of the states. Common practice, no source.
const (
	fewCases  = 25   // below them a chart says nothing, unless it crossed
	nearShare = 0.75 // of the line, from which on a chart is near it
)

// standing is what the words about a chart rest on.
type standing struct {
	Outcome, Kind string
	Cases, Events int
	Value, Line   float64
	Reached       bool          // competence charts: the line was reached
	ReachedCase   int           // case number then; 0 when not at hand
	Alarm         *alarm.Listed // the latest alarm, if any
	Restarted     bool          // begun again, and no case since
	Closed        bool
}

// standingOf reads a drawn chart; alarms are the surgeon's.
func standingOf(c alarm.Chart, alarms []alarm.Listed) standing {
	s := standing{Outcome: c.Design.Outcome, Kind: c.Design.Kind, Cases: len(c.Points), Events: c.Events, Value: c.Value(),
		Line: c.Design.Threshold, Reached: len(c.Reaching) > 0, Closed: c.Closed, Alarm: latest(c.Code, alarms)}
	if s.Reached {
		s.ReachedCase = c.Reaching[0].CaseNumber
	}
	s.Restarted = s.Alarm != nil && s.Alarm.Restarted && !restartedSince(c, s.Alarm.CrossedAt)
	if s.Restarted {
		s.Value = 0
	}
	return s
}

// restartedSince says whether a case after t is the first of a new stretch.
func restartedSince(c alarm.Chart, t time.Time) bool {
	for i := len(c.Points) - 1; i >= 0 && c.Points[i].StartedAt.After(t); i-- {
		if c.Points[i].Restarted {
			return true
		}
	}
	return false
}

// standingOfRow reads a chart's row. It can't tell whether a chart that was
// restarted has had a case since: such charts have to be drawn.
func standingOfRow(r alarm.ChartRow, alarms []alarm.Listed) standing {
	s := standing{Outcome: r.Outcome, Kind: r.Kind, Cases: int(r.Cases), Events: int(r.Events), Value: events.Millionths(r.Value).Float(),
		Line: events.Millionths(r.Threshold).Float(), Closed: r.Closed, Alarm: latest(r.Chart, alarms)}
	s.Reached = s.competence() && r.Alarms > 0
	return s
}

// latest is the alarm of a chart's last stretch that had one.
func latest(chart string, alarms []alarm.Listed) *alarm.Listed {
	var last *alarm.Listed
	for i, a := range alarms {
		if a.Chart == chart && (last == nil || a.Ordinal > last.Ordinal) {
			last = &alarms[i]
		}
	}
	return last
}

func (s standing) competence() bool { return s.Kind == string(events.KindCompetence) }

// State says where the chart stands.
func (s standing) State() State {
	switch {
	case s.competence() && s.Reached:
		return StateReached
	case s.Alarm != nil && !s.Alarm.Restarted && len(s.Alarm.Reviews) == 0:
		return StateCrossed
	case s.Alarm != nil && !s.Alarm.Restarted:
		return StateReviewed
	case s.Closed:
		return StateClosed
	case s.Restarted:
		return StateRestarted
	case s.Cases < fewCases:
		return StateTooFew
	case s.competence():
		return StateNotReached
	case s.Value >= s.Line*nearShare:
		return StateNear
	}
	return StateNoSignal
}

// Words say it in a sentence or two that begin with the state, with what the
// chart can't tell.
func (s standing) Words(f facts) string {
	count := fmt.Sprintf("%s among %s", plural(s.Events, singular(s.Outcome), plurals(s.Outcome)), plural(s.Cases, "case", "cases"))
	value := fmt.Sprintf("%s, line %s", decimal(s.Value, 2), decimal(s.Line, 2))
	switch state := s.State(); state {
	case StateReached:
		out := string(state)
		if s.ReachedCase > 0 {
			out += fmt.Sprintf(" at case number %s", whole(s.ReachedCase))
		}
		return out + " (" + count + "). That is evidence for a discussion; it decides nothing by itself." + s.wrong(f)
	case StateCrossed:
		return fmt.Sprintf("%s: case number %s on %s brought the chart to %s. A chart also crosses by chance.%s A named person looks at the cases and decides what it means.",
			state, whole(int(s.Alarm.CaseNumber)), day(s.Alarm.CrossedAt), millionths(s.Alarm.Value, s.Alarm.Threshold), s.wrong(f))
	case StateReviewed:
		r := s.Alarm.Reviews[len(s.Alarm.Reviews)-1]
		return fmt.Sprintf("%s: %s on %s found %s. The chart goes on from where it is (%s) until it is restarted.",
			state, r.ReviewedBy, day(r.ReviewedAt), findingWords(r.Finding), value)
	case StateClosed:
		if s.competence() {
			return "Closed without having reached the set line (" + count + "). That is no evidence against: the chart holds only for the number of cases it was made for."
		}
		return "Closed: it holds only for the number of cases it was made for (" + count + ")."
	case StateRestarted:
		return "Begins again at zero with the next operation, after a review."
	case StateTooFew:
		return fmt.Sprintf("Too few cases to say anything: %s; from %d cases on the chart is put in words.", count, fewCases)
	case StateNotReached:
		return fmt.Sprintf("%s (%s; %s). That is no evidence against.", state, value, count)
	case StateNear:
		return fmt.Sprintf("Near its line (%s) but not over it: %s.%s", value, count, s.miss(f))
	}
	return fmt.Sprintf("No signal (could still miss %s): %s, chart at %s.%s", change(f), count, value, s.miss(f))
}

// change is what a detection chart watches for.
func change(f facts) string {
	if !f.Known || ratio(f.OddsRatio) == "twice" {
		return "a doubling"
	}
	return "odds " + ratio(f.OddsRatio) + " as high"
}

func (s standing) miss(f facts) string {
	if !f.Known {
		return ""
	}
	return fmt.Sprintf(" If the odds became %s as high, half of such charts would still be below the line after %s cases.", ratio(f.OddsRatio), cases(f.SeenMedian))
}

func (s standing) wrong(f facts) string {
	switch {
	case !f.Known:
		return ""
	case s.competence():
		return fmt.Sprintf(" At a rate that is not acceptable, %s of such charts reach it all the same by case %s.", percent(f.FalseWithin), whole(f.Within))
	}
	return fmt.Sprintf(" At acceptable performance, %s of such charts cross by case %s.", percent(f.FalseWithin), whole(f.Within))
}

func millionths(value, line int64) string {
	return fmt.Sprintf("%s, line %s", decimal(events.Millionths(value).Float(), 2), decimal(events.Millionths(line).Float(), 2))
}

func findingWords(finding string) string {
	return map[string]string{
		"no-cause-found": "no cause", "case-mix": "the case mix to be the cause", "data-error": "an error in the data",
		"training-need": "a training need", "device-or-lot": "the device or its lot to be the cause", "other": "another cause",
	}[finding]
}
