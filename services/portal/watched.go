package portal

import (
	"strings"

	"lensledger/events"
)

// watched is what a chart watches for, in words.
type watched struct {
	title     string
	one, many string // "capsule rupture", "capsule ruptures"
	none      string // the case went without
	noun      string // "a capsule rupture"
}

// watchedBy words the outcome of a chart.
func watchedBy(outcome string) watched {
	switch events.Outcome(outcome) {
	case events.OutcomeUnplannedTakeover:
		return watched{"Unplanned take-over", "unplanned take-over", "unplanned take-overs", "no unplanned take-over", "an unplanned take-over"}
	case events.OutcomeRefractionMiss:
		return watched{"Refraction far from the prediction", "refraction miss", "refraction misses", "no refraction miss", "a refraction miss"}
	case events.OutcomeVisualLoss:
		return watched{"Visual loss", "visual loss", "visual losses", "no visual loss", "a visual loss"}
	}
	if step, ok := events.Outcome(outcome).Step(); ok {
		return watched{"Unplanned hand-over in " + plain(string(step)), "unplanned hand-over of the step", "unplanned hand-overs of the step",
			"not handed over unplanned", "an unplanned hand-over of this step"}
	}
	return watched{"Capsule rupture", "capsule rupture", "capsule ruptures", "no capsule rupture", "a capsule rupture"}
}

func singular(outcome string) string { return watchedBy(outcome).one }

func plurals(outcome string) string { return watchedBy(outcome).many }

// eventNoun is what a chart counts, for one case.
func eventNoun(outcome string) string { return watchedBy(outcome).noun }

// isStep says whether a chart watches one step of the operation.
func isStep(outcome string) bool {
	_, ok := events.Outcome(outcome).Step()
	return ok
}

// chartTitle names a chart.
func chartTitle(outcome, kind string) string {
	purpose := "watching for more than expected"
	if kind == string(events.KindCompetence) {
		purpose = "gathering evidence that the rate is acceptable"
	}
	return watchedBy(outcome).title + ", " + purpose
}

// chartAnchor is a chart's place on the page of its surgeon.
func chartAnchor(outcome, kind string) string {
	return strings.ReplaceAll(outcome, ":", "-") + "-" + kind
}
