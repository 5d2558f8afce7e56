package portal

import (
	"fmt"
	"sync"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/measure"
)

// Numbers of cases within which the chance of a false alarm is said where the
// design doesn't close. Common practice, no source.
const (
	withinTrainee     = 100
	withinIndependent = 300
)

// facts are what a chart's design does, by exact run lengths for cases of equal
// risk. Known is false where measure can't give them.
type facts struct {
	Known        bool
	OddsRatio    float64 // unacceptable against acceptable
	Within       int     // cases
	FalseWithin  float64 // chance of a false crossing within them
	FalseAverage float64 // average number of cases to a false crossing
	SeenMedian   float64 // cases by which half of the charts see what they watch for
	SeenWithin   float64 // chance of seeing it within Within
}

type designKey struct {
	kind                              string
	acceptable, unacceptable, theLine float64
	within                            int
}

// designs remembers facts: they follow from the design alone and take some
// milliseconds to work out.
type designs struct {
	mu    sync.Mutex
	known map[designKey]facts
}

// maxDesigns bounds what is remembered; a department has a handful of designs.
const maxDesigns = 500

func (d *designs) of(a alarm.Design) facts {
	key := designKey{a.Kind, a.Acceptable, a.Unacceptable, a.Threshold, within(a)}
	d.mu.Lock()
	f, ok := d.known[key]
	d.mu.Unlock()
	if ok {
		return f
	}
	f = factsOf(a)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.known == nil || len(d.known) >= maxDesigns {
		d.known = map[designKey]facts{}
	}
	d.known[key] = f
	return f
}

func within(a alarm.Design) int {
	switch {
	case a.ClosesAfter > 0 && a.ClosesAfter <= 10000:
		return a.ClosesAfter
	case a.Scope == events.ScopeTrainees:
		return withinTrainee
	}
	return withinIndependent
}

func factsOf(a alarm.Design) facts {
	f := facts{Within: within(a)}
	d, err := measure.NewDesign(measure.DesignRequest{Kind: measure.Kind(a.Kind), Acceptable: a.Acceptable,
		Unacceptable: a.Unacceptable, Threshold: a.Threshold, WithinCases: f.Within})
	if err != nil {
		return f // outside what can be worked out: the page says so
	}
	f.Known = true
	f.OddsRatio = a.Unacceptable / (1 - a.Unacceptable) * (1 - a.Acceptable) / a.Acceptable
	f.FalseAverage, f.SeenMedian = d.InControl.AverageRunLength, d.OutOfControl.MedianRunLength
	f.FalseWithin, f.SeenWithin = chance(d.InControl, f.Within), chance(d.OutOfControl, f.Within)
	return f
}

func chance(r measure.RunLength, cases int) float64 {
	for _, a := range r.AlarmWithin {
		if a.Cases == cases {
			return a.Chance
		}
	}
	return 0
}

// designWords say what a chart watches for, where its line is, how often it is
// wrong and what it can't see.
func designWords(a alarm.Design, f facts) []string {
	event := eventNoun(a.Outcome)
	out := []string{fmt.Sprintf("Acceptable is %s of cases with %s, not acceptable %s; its line is at %s.",
		percent(a.Acceptable), event, percent(a.Unacceptable), decimal(a.Threshold, 2))}
	if a.RiskModel != "" && a.Kind == string(events.KindDetection) {
		out = append(out, fmt.Sprintf("Each case is expected by its own risk factors (model %s, version %s), centred on the acceptable rate; the operator's grade never enters.",
			a.RiskModel, a.RiskVersion))
	}
	switch {
	case !f.Known:
		out = append(out, "How often this chart is wrong can't be worked out for this design.")
	case a.Kind == string(events.KindCompetence):
		out = append(out,
			fmt.Sprintf("How often it is wrong: at a rate that is not acceptable, %s of charts reach the line all the same by case %s.", percent(f.FalseWithin), whole(f.Within)),
			fmt.Sprintf("What it can't see: at an acceptable rate, half of charts reach the line by case %s, and %s by case %s. Not having reached it is no evidence against.",
				cases(f.SeenMedian), percent(f.SeenWithin), whole(f.Within)))
	default:
		out = append(out,
			fmt.Sprintf("How often it is wrong: at acceptable performance, %s of charts cross the line by chance by case %s; on average the first such crossing takes %s cases.",
				percent(f.FalseWithin), whole(f.Within), cases(f.FalseAverage)),
			fmt.Sprintf("What it can't see: if the odds became %s as high, half of such charts would still be below the line after %s cases, and %s of such charts would have crossed by case %s.",
				ratio(f.OddsRatio), cases(f.SeenMedian), percent(f.SeenWithin), whole(f.Within)))
	}
	if a.ChosenBy != "" {
		out = append(out, "The line was chosen so: "+a.ChosenBy+".")
	}
	if a.ClosesAfter > 0 {
		out = append(out, fmt.Sprintf("It closes after %s: beyond that number it would be wrong more often than stated.", plural(a.ClosesAfter, "case", "cases")))
	}
	return append(out, "Chances and numbers of cases are exact for cases of equal risk; the real case mix moves them a little.")
}

func cases(n float64) string { return whole(int(n + 0.5)) }
