package feedback

import (
	"slices"

	"lensledger/events"
	"lensledger/projections/fold"
)

// Reasons for which a case asks for a case discussion, whatever a chart says.
const (
	DiscussRupture         = "capsule-rupture"
	DiscussDroppedNucleus  = "dropped-nucleus"
	DiscussWrongImplant    = "wrong-implant"
	DiscussWrongEye        = "wrong-eye"
	DiscussEndophthalmitis = "endophthalmitis"
	DiscussTakeOvers       = "two-take-overs-in-a-row"
)

// Discussion lists the reasons of a case, in a fixed order: any capsule rupture,
// dropped nucleus, wrong implant, wrong eye or endophthalmitis, and an unplanned
// take-over when the surgeon's case before had one too. Common practice, no source.
// It looks at no time and at no count of cases.
func Discussion(c fold.Case, takenOverBefore bool) []string {
	out := []string{}
	if _, ruptured := c.Rupture(); ruptured {
		out = append(out, DiscussRupture)
	}
	for _, k := range []struct {
		kind   events.ComplicationKind
		reason string
	}{
		{events.KindDroppedNucleus, DiscussDroppedNucleus},
		{events.KindWrongImplant, DiscussWrongImplant},
		{events.KindWrongEye, DiscussWrongEye},
	} {
		if slices.ContainsFunc(c.Complications, func(x fold.Complication) bool { return x.Kind == k.kind }) {
			out = append(out, k.reason)
		}
	}
	if slices.ContainsFunc(c.Findings, func(f fold.Finding) bool {
		return f.Kind == events.FindingEndophthalmitis && !f.At.Before(c.StartedAt)
	}) {
		out = append(out, DiscussEndophthalmitis)
	}
	if takenOverBefore && c.TakenOver(c.FirstOperator()) == events.Yes {
		out = append(out, DiscussTakeOvers)
	}
	return out
}
