package analytics

import (
	"fmt"

	"lensledger/events"
	"lensledger/projections/alarm"
)

// The sentences about charts, which answers and pages share. None is a verdict.

// stateWords are the states of a chart as its sentence begins.
var stateWords = map[alarm.State]string{
	alarm.StateTooFew: "Too few cases", alarm.StateDataLate: "Data late", alarm.StateNoSignal: "No signal", alarm.StateNear: "Near its line",
	alarm.StateCrossed: "Crossed its line, for review", alarm.StateReviewed: "Crossed its line, reviewed", alarm.StateRestarted: "Begins again",
	alarm.StateReached: "Evidence reached the set line", alarm.StateNotReached: "Evidence hasn't reached the set line", alarm.StateClosed: "Closed",
}

// StateWords says a chart's state in a few words.
func StateWords(s alarm.State) string { return stateWords[s] }

// ChartWords says in one sentence where a chart stands, beginning with its state.
func ChartWords(s alarm.Standing, l alarm.Lengths) string {
	watched := WatchedBy(s.Outcome)
	count := Plural(s.Events, watched.One, watched.Many) + " among " + cases(s, s.Cases)
	value := Decimal(s.Value, 2) + ", line " + Decimal(s.Line, 2)
	state := s.State()
	words := StateWords(state)
	switch state {
	case alarm.StateReached:
		words += " (" + count + ")"
	case alarm.StateCrossed:
		words += ": " + crossedWords(s)
	case alarm.StateReviewed:
		r := s.Alarm.Reviews[len(s.Alarm.Reviews)-1]
		words += fmt.Sprintf(": %s on %s found %s. The chart goes on from where it is (%s) until it is restarted",
			r.ReviewedBy, DayWords(r.ReviewedAt), foundWords[r.Finding], value)
	case alarm.StateClosed:
		if s.Competence() {
			words += " without having reached the set line"
		}
		words += " (" + count + "): it holds only for the number of cases it was made for"
	case alarm.StateRestarted:
		words += " at zero with the next operation, after a review"
	case alarm.StateDataLate:
		missing := "the outcome isn't known yet"
		if s.Group {
			missing = "the follow-up is missing"
		}
		words += fmt.Sprintf(": of %s more %s, so little can be said (%s)", cases(s, s.LeftOut), missing, count)
	case alarm.StateTooFew:
		words += fmt.Sprintf(" to say anything: %s; from %d on the chart is put in words", count, alarm.FewCases)
	case alarm.StateNotReached:
		words += " (" + value + "; " + count + ")"
	case alarm.StateNear:
		words += " (" + value + ") but not over it: " + count
	default:
		words += " (could still miss " + changeWords(l) + "): " + count + ", chart at " + value
	}
	if s.Provisional > 0 {
		words += fmt.Sprintf("; %s operated on after %s may still change", Plural(s.Provisional, "eye", "eyes"), dateWords(s.CompleteTo))
	}
	return words + "."
}

func crossedWords(s alarm.Standing) string {
	if s.Alarm == nil {
		at := s.ReachedAt
		return fmt.Sprintf("eye %s, operated on %s, brought the chart to %s, line %s", Whole(at.CaseNumber), DayWords(at.StartedAt), Decimal(at.Value, 2), Decimal(s.Line, 2))
	}
	a := s.Alarm
	words := fmt.Sprintf("case number %s on %s brought the chart to %s, line %s", Whole(int(a.CaseNumber)), DayWords(a.CrossedAt),
		Decimal(events.Millionths(a.Value).Float(), 2), Decimal(events.Millionths(a.Threshold).Float(), 2))
	if with := LifeWords(*a); a.Life() != alarm.LifeCrossed {
		words += "; " + with
	}
	return words
}

// MeaningWords say what a chart's state means, and what it can't tell; they follow
// ChartWords.
func MeaningWords(s alarm.Standing, l alarm.Lengths) string {
	wrong, miss := "", ""
	if l.Known {
		if s.Competence() {
			wrong = fmt.Sprintf(" At a rate that is not acceptable, %s of such charts reach it all the same by case %s.", PercentWords(l.FalseWithin), Whole(l.Within))
		} else {
			wrong = fmt.Sprintf(" At acceptable performance, %s of such charts cross by case %s.", PercentWords(l.FalseWithin), Whole(l.Within))
			miss = " " + missWords(l) + "."
		}
	}
	switch s.State() {
	case alarm.StateReached:
		words := "That is evidence for a discussion; it decides nothing by itself." + wrong
		if s.ReachedAt != nil {
			words = "It did at case number " + Whole(s.ReachedAt.CaseNumber) + ". " + words
		}
		return words
	case alarm.StateCrossed:
		return "A chart also crosses by chance." + wrong + " A named person looks at the cases and decides what it means."
	case alarm.StateNotReached:
		return "That is no evidence against."
	case alarm.StateClosed:
		if s.Competence() {
			return "That is no evidence against."
		}
	case alarm.StateNoSignal, alarm.StateNear:
		return miss[min(1, len(miss)):]
	}
	return ""
}

// missWords say what a detection chart would miss.
func missWords(l alarm.Lengths) string {
	return fmt.Sprintf("If the odds became %s as high, half of such charts would still be below the line after %s cases", RatioWords(l.OddsRatio), medianCases(l))
}

func medianCases(l alarm.Lengths) string { return Whole(int(l.OutOfControl.MedianRunLength + 0.5)) }

// changeWords are what a detection chart watches for.
func changeWords(l alarm.Lengths) string {
	if !l.Known || RatioWords(l.OddsRatio) == "twice" {
		return "a doubling"
	}
	return "odds " + RatioWords(l.OddsRatio) + " as high"
}

// CannotSee says what a chart of a design can't show.
func CannotSee(d alarm.Design, l alarm.Lengths) string {
	switch {
	case !l.Known:
		return "How often this chart is wrong can't be worked out for its design, so no signal shows little."
	case d.Kind == string(events.KindCompetence):
		return fmt.Sprintf("At an acceptable rate, half of such charts reach the line by case %s, and %s by case %s. Not having reached it is no evidence against.",
			medianCases(l), PercentWords(l.SeenWithin), Whole(l.Within))
	}
	return fmt.Sprintf("%s, and %s of such charts would have crossed by case %s.", missWords(l), PercentWords(l.SeenWithin), Whole(l.Within))
}

// FalseWords says how often a chart of a design is wrong; empty where it can't be
// worked out.
func FalseWords(d alarm.Design, l alarm.Lengths) string {
	switch {
	case !l.Known:
		return ""
	case d.Kind == string(events.KindCompetence):
		return fmt.Sprintf("At a rate that is not acceptable, %s of such charts reach the line all the same by case %s.", PercentWords(l.FalseWithin), Whole(l.Within))
	}
	return fmt.Sprintf("At acceptable performance, %s of such charts cross the line by chance by case %s; on average the first such crossing takes %s cases.",
		PercentWords(l.FalseWithin), Whole(l.Within), Whole(int(l.InControl.AverageRunLength+0.5)))
}

// DesignWords say what a chart watches for, where its line is, and how the line was
// chosen.
func DesignWords(d alarm.Design) []string {
	out := []string{fmt.Sprintf("Acceptable is %s of cases with %s, not acceptable %s; its line is at %s.",
		PercentWords(d.Acceptable), WatchedBy(d.Outcome).Noun, PercentWords(d.Unacceptable), Decimal(d.Threshold, 2))}
	if d.RiskModel != "" && d.Kind == string(events.KindDetection) {
		out = append(out, fmt.Sprintf("Each case is expected by its own risk factors (model %s, version %s), centred on the acceptable rate; the operator's grade never enters.",
			d.RiskModel, d.RiskVersion))
	}
	if d.ChosenBy != "" {
		out = append(out, "The line was chosen so: "+d.ChosenBy+".")
	}
	if d.ClosesAfter > 0 {
		out = append(out, fmt.Sprintf("It closes after %s: beyond that number it would be wrong more often than stated.", Cases(d.ClosesAfter)))
	}
	return append(out, "Chances and numbers of cases are exact for cases of equal risk; the real case mix moves them a little.")
}

// CanTellWords say what a chart can tell at its own volume.
func CanTellWords(c *alarm.CanTell) string {
	if c == nil {
		return ""
	}
	if c.FalseAYear == nil {
		return fmt.Sprintf("In its last year the chart had %s. It raises no signal.", Cases(c.CasesAYear))
	}
	return fmt.Sprintf("At this volume (%s in the last year on the chart), %s false signals a year are to be expected of it, were performance exactly as acceptable.",
		Cases(c.CasesAYear), AboutWords(*c.FalseAYear))
}

// AboutWords write an expected number.
func AboutWords(n float64) string {
	if n < 0.05 {
		return "fewer than 0.1"
	}
	return "about " + Decimal(n, 1)
}

// cases are what a chart counts.
func cases(s alarm.Standing, n int) string {
	if s.Group {
		return Plural(n, "eye", "eyes")
	}
	return Cases(n)
}

// foundWords end a sentence that says what a review found.
var foundWords = map[string]string{
	"no-cause-found": "no cause", "case-mix": "the case mix to be the cause", "data-error": "an error in the data",
	"training-need": "a training need", "device-or-lot": "the device or its lot to be the cause", "other": "another cause",
}

// LifeWords say how far a signal has come: who has it, until when, what was found.
func LifeWords(l alarm.Listed) string {
	switch l.Life() {
	case alarm.LifeCrossed:
		return "nobody has acknowledged it yet"
	case alarm.LifeAcknowledged:
		last := l.Handling[len(l.Handling)-1]
		return fmt.Sprintf("acknowledged by %s on %s; nobody owns it yet", last.HandledBy, DayWords(last.HandledAt))
	case alarm.LifeUnderReview:
		a := l.Assignment()
		return fmt.Sprintf("under review by %s, due on %s", a.Owner, dateWords(a.DueOn))
	}
	return reviewedWords(l)
}

func reviewedWords(l alarm.Listed) string {
	words := ""
	// A restart says what was found too, but the review says it first.
	for _, review := range l.Reviews {
		if !review.Restart {
			words = fmt.Sprintf("closed by %s on %s: %s", review.ReviewedBy, DayWords(review.ReviewedAt), PlainWords(review.Finding))
		}
	}
	if !l.Restarted {
		return words
	}
	if words != "" {
		words += "; "
	}
	return words + "the chart has begun again at zero since"
}

// AlarmWords says in one sentence what became of an alarm.
func AlarmWords(l alarm.Listed) string {
	return fmt.Sprintf("crossed its line at case number %s; %s", Whole(int(l.CaseNumber)), LifeWords(l))
}
