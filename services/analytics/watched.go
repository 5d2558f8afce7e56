package analytics

import (
	"strings"

	"lensledger/events"
)

// Watched is what a chart watches for, in words.
type Watched struct {
	Title     string
	One, Many string // "capsule rupture", "capsule ruptures"
	None      string // the case went without
	Noun      string // "a capsule rupture"
}

// WatchedBy words the outcome of a chart.
func WatchedBy(outcome string) Watched {
	switch events.Outcome(outcome) {
	case events.OutcomeUnplannedTakeover:
		return Watched{"Unplanned take-over", "unplanned take-over", "unplanned take-overs", "no unplanned take-over", "an unplanned take-over"}
	case events.OutcomeRefractionMiss:
		return Watched{"Refraction far from the prediction", "refraction miss", "refraction misses", "no refraction miss", "a refraction miss"}
	case events.OutcomeVisualLoss:
		return Watched{"Visual loss", "visual loss", "visual losses", "no visual loss", "a visual loss"}
	}
	if step, ok := events.Outcome(outcome).Step(); ok {
		return Watched{"Unplanned hand-over in " + PlainWords(string(step)), "unplanned hand-over of the step", "unplanned hand-overs of the step",
			"not handed over unplanned", "an unplanned hand-over of this step"}
	}
	return Watched{"Capsule rupture", "capsule rupture", "capsule ruptures", "no capsule rupture", "a capsule rupture"}
}

// Happened words the outcome of one case on a chart.
func (w Watched) Happened(outcome int) string {
	if outcome == 1 {
		return w.One
	}
	return w.None
}

// ChartTitle names a chart.
func ChartTitle(outcome, kind string) string {
	purpose := "watching for more than expected"
	if kind == string(events.KindCompetence) {
		purpose = "gathering evidence that the rate is acceptable"
	}
	return WatchedBy(outcome).Title + ", " + purpose
}

// ChartAnchor is a chart's place on the page of its surgeon.
func ChartAnchor(outcome, kind string) string {
	return strings.ReplaceAll(outcome, ":", "-") + "-" + kind
}
