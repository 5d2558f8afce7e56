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
	_, ruptured := c.Rupture()
	infected := slices.ContainsFunc(c.Findings, func(f fold.Finding) bool {
		return f.Kind == events.FindingEndophthalmitis && !f.At.Before(c.StartedAt)
	})
	return reasons(ruptured, c.ComplicationKinds(), infected, takenOverBefore && c.TakenOver(c.FirstOperator()) == events.Yes)
}

// reasons is the one rule, for a folded case and for its rows.
func reasons(ruptured bool, complications []string, infected, takenOverTwice bool) []string {
	out := []string{}
	if ruptured {
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
		if slices.Contains(complications, string(k.kind)) {
			out = append(out, k.reason)
		}
	}
	if infected {
		out = append(out, DiscussEndophthalmitis)
	}
	if takenOverTwice {
		out = append(out, DiscussTakeOvers)
	}
	return out
}
