package events

import (
	"fmt"
	"time"
)

// Rules across the fields of one payload that refuse it. Each runs only when
// its fields are right one by one.

func (a *Acuity) check(report func(name, code, detail string)) {
	switch {
	case a.LogMARHundredths.Known && a.LowVision != "":
		report("low_vision", CodeNotAllowed, "low_vision: found beside logmar_hundredths, allowed one of the two")
	case !a.LogMARHundredths.Known && a.LowVision == "":
		report("logmar_hundredths", CodeMissing, "logmar_hundredths: missing, required: this or low_vision")
	case a.LowVision != "" && a.Convention == "":
		report("convention", CodeMissing, "convention: missing, required with low_vision: the convention under which the code was written")
	}
}

func (o *OperatorChanged) check(report func(name, code, detail string)) {
	if o.From == o.To {
		report("to", CodeNotAllowed, fmt.Sprintf("to: found %q as in from, allowed another surgeon", o.To))
	}
}

func (c *ChartDesigned) check(report func(name, code, detail string)) {
	if c.Unacceptable <= c.Acceptable {
		report("unacceptable", CodeOutOfRange, fmt.Sprintf("unacceptable: found %s, allowed more than acceptable (%s)",
			c.Unacceptable, c.Acceptable))
	}
	if c.RiskModelVersion != "" && c.RiskModel == "" {
		report("risk_model", CodeMissing, "risk_model: missing, required with risk_model_version")
	}
}

// check holds the rules between envelope and data.
func (e *Event) check(t *tree) {
	switch d := e.Data.(type) {
	case *CaseJoined:
		if string(d.OtherCase) == e.Subject {
			t.report("/data/other_case", CodeNotAllowed, "other_case: found the subject %q, allowed another case", e.Subject)
		}
	case *EventRetracted:
		e.checkTarget(t, d.TargetSource, d.TargetID)
	case *EventAmended:
		e.checkTarget(t, d.TargetSource, d.TargetID)
		if d.TargetType == "" {
			return
		}
		if types[d.TargetType].entry.About == AboutCorrection {
			t.report("/data/target_type", CodeNotAllowed,
				"target_type: found %q, allowed other types; a correction is retracted, not amended", d.TargetType)
			return
		}
		_, problems := DecodeData(d.TargetType, d.Data)
		for _, p := range problems {
			t.report("/data/data"+p.Pointer, p.Code, "%s", p.Detail)
		}
	}
}

func (e *Event) checkTarget(t *tree, source Code, id ID) {
	if string(source) == e.Source && string(id) == e.ID {
		t.report("/data/target_id", CodeNotAllowed, "target_id: found the correction itself, allowed an earlier event")
	}
}

// clockTolerance is how far a sender's clock may run ahead.
const clockTolerance = 10 * time.Minute

// CheckTime refuses what lies in the future of received, the time of arrival,
// by more than ten minutes: the event's time, the corrected time of an
// amendment, and dates of things past.
func (e Event) CheckTime(received time.Time) []Problem {
	var problems []Problem
	latest := received.Add(clockTolerance)
	check := func(pointer, name string, t time.Time) {
		if t.After(latest) {
			problems = append(problems, Problem{Pointer: pointer, Code: CodeTime, Detail: fmt.Sprintf(
				"%s: found %s, allowed up to 10 minutes after arrival at %s", name,
				appendInstant(nil, t), appendInstant(nil, received.UTC().Truncate(time.Second)))})
		}
	}
	check("/time", "time", e.Time)
	switch d := e.Data.(type) {
	case *EventAmended:
		if d.OccurredAt.Known {
			check("/data/occurred_at", "occurred_at", d.OccurredAt.Value)
		}
	case *SurgeonEnrolled:
		// A date has no offset, so it is past once it has begun anywhere.
		if year, month, day, ok := parseDate(string(d.TrainingStartedOn)); ok {
			if time.Date(year, month, day, 0, 0, 0, 0, zone(14*60)).After(latest) {
				problems = append(problems, Problem{Pointer: "/data/training_started_on", Code: CodeTime,
					Detail: fmt.Sprintf("training_started_on: found %s, allowed dates not in the future", d.TrainingStartedOn)})
			}
		}
	}
	return problems
}
