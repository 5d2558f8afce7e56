package events

import (
	"crypto/sha256"
	"fmt"
	"strings"
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

func (i *IncisionMade) check(report func(name, code, detail string)) {
	if i.WidthUM.Known {
		incisionWidths[i.Kind].check("width_um", string(i.Kind), i.WidthUM.Value, report)
	}
}

func (m *MeasurementTaken) check(report func(name, code, detail string)) {
	lengths[m.What].check("value_um", string(m.What), m.ValueUM, report)
}

func (m *MachineRead) check(report func(name, code, detail string)) {
	if m.EnergyIndex.Known && m.Machine == "" {
		report("machine", CodeMissing, "machine: missing, required with energy_index: it has a meaning on its own machine only")
	}
}

func (f *FollowupAcuity) check(report func(name, code, detail string)) {
	if len(f.Acuity) == 0 {
		report("acuity", CodeMissing, "acuity: found an empty list, required: one acuity or more")
	}
}

func (f *FollowupFinding) check(report func(name, code, detail string)) {
	if f.Certainty != "" && f.Kind != FindingEndophthalmitis {
		report("certainty", CodeNotAllowed, fmt.Sprintf("certainty: found beside the kind %q, allowed with %s", f.Kind, FindingEndophthalmitis))
	}
}

func (f *FiguresReleased) check(report func(name, code, detail string)) {
	if f.To < f.From { // dates of one width: in the order of the calendar
		report("to", CodeOutOfRange, fmt.Sprintf("to: found %s, allowed from (%s) or later", f.To, f.From))
	}
	if len(f.SHA256) != 2*sha256.Size || strings.Trim(string(f.SHA256), "0123456789abcdef") != "" {
		report("sha256", CodeNotAllowed, fmt.Sprintf("sha256: found %q, allowed 64 lower-case hexadecimal digits", cut(string(f.SHA256), 80)))
	}
}

// span is the hard limits of a length and what of it is usual, in micrometres.
type span struct{ min, max, low, high int64 }

// Limits that depend on what is measured. Common practice, no source.
var (
	incisionWidths = map[IncisionKind]span{
		IncisionMain:     {min: 800, max: 14000, low: 1800, high: 3200},
		IncisionSidePort: {min: 300, max: 3000, low: 600, high: 1400},
	}
	lengths = map[MeasurementKind]span{
		MeasurementRhexisLeast:    {min: 2000, max: 10000, low: 4500, high: 5800},
		MeasurementRhexisGreatest: {min: 2000, max: 10000, low: 4500, high: 5800},
		MeasurementPupil:          {min: 500, max: 11000, low: 5000, high: 11000}, // dilated
	}
)

func (s span) check(name, what string, value int64, report func(name, code, detail string)) {
	if value < s.min || value > s.max {
		report(name, CodeOutOfRange, fmt.Sprintf("%s: found %d, allowed %d to %d for %s", name, value, s.min, s.max, what))
	}
}

func (s span) confirm(name, what string, value int64, confirm func(name, format string, args ...any)) {
	if value < s.low || value > s.high {
		confirm(name, "%s: found %d, usual %d to %d for %s", name, value, s.low, s.high, what)
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
