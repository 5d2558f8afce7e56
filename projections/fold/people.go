package fold

import "lensledger/events"

// surgeonsNamed lists the surgeons an event names. For an amendment they stand in
// its replacement data, read as any type it may turn out to replace.
func surgeonsNamed(e events.Event, set []Recorded) []events.Code {
	d, ok := e.Data.(*events.EventAmended)
	if !ok {
		return surgeonsIn(e.Data)
	}
	var out []events.Code
	kinds := []events.Type{d.TargetType}
	for _, r := range set {
		if r.Event.Source == string(d.TargetSource) && r.Event.ID == string(d.TargetID) {
			kinds = append(kinds, r.Event.Type)
		}
	}
	for _, kind := range kinds {
		if data, problems := events.DecodeData(kind, d.Data); len(problems) == 0 {
			out = append(out, surgeonsIn(data)...)
		}
	}
	return out
}

func surgeonsIn(data any) []events.Code {
	switch d := data.(type) {
	case *events.CaseBooked:
		return []events.Code{d.ResponsibleConsultant, d.PlannedFirstOperator}
	case *events.CaseStarted:
		return []events.Code{d.ResponsibleConsultant, d.FirstOperator}
	case *events.StepStarted:
		return []events.Code{d.Operator}
	case *events.StepFinished:
		return []events.Code{d.Operator}
	case *events.OperatorChanged:
		return []events.Code{d.From, d.To}
	case *events.ComplicationRecorded:
		return []events.Code{d.NoticedBy, d.CausedBy}
	case *events.TechniqueNoted:
		return []events.Code{d.By}
	case *events.CaseReviewed:
		return []events.Code{d.Trainer}
	case *events.RecordQuestioned:
		return []events.Code{d.By}
	}
	return nil
}
