package learning

import (
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// What a surgeon's part comes to: the whole case, a part that enters the charts, or
// one that doesn't. "A case enters a surgeon's rupture chart if they operated from
// sculpting through cortex aspiration, or were stopped unplanned": common practice,
// no source.
func TestPartsOfCases(t *testing.T) {
	all := func(by string) []fold.Step {
		return []fold.Step{run("capsulorhexis", "T", 1, 4), run("sculpting", by, 6, 9), run("cracking", by, 9, 12), run("cortex-aspiration", by, 20, 25)}
	}
	abandoned := func(steps ...fold.Step) fold.Case {
		c := operation(steps)
		c.Cancelled, c.FinishedAt = &events.CaseCancelled{Stage: events.CancelAfterIncision}, time.Time{}
		return c
	}
	ruptured := abandoned()
	ruptured.Complications = []fold.Complication{{ComplicationRecorded: events.ComplicationRecorded{Kind: events.KindCapsuleRupture}, At: minute(5)}}
	for name, test := range map[string]struct {
		c    fold.Case
		want map[string]string
	}{
		"alone":                            {operation(all("T")), map[string]string{"T": "whole"}},
		"handed over as sculpting begins":  {operation(all("C"), change(6, "sculpting", events.ReasonTeaching)), map[string]string{"T": "part", "C": "whole"}},
		"handed over before it begins":     {operation(all("C"), change(5, "sculpting", events.ReasonTeaching)), map[string]string{"T": "part", "C": "whole"}},
		"handed over while it is done":     {operation(all("C"), change(7, "sculpting", events.ReasonTeaching)), map[string]string{"T": "part", "C": "part"}},
		"stopped as sculpting begins":      {operation(all("C"), change(6, "sculpting", events.ReasonDifficulty)), map[string]string{"T": "enters", "C": "whole"}},
		"handed over, who did it unknown":  {operation(all(""), change(6, "sculpting", events.ReasonTeaching)), map[string]string{"T": "part", "C": "part"}},
		"handed over, the other did it":    {operation(all("T"), change(6, "sculpting", events.ReasonTeaching)), map[string]string{"T": "part", "C": "part"}},
		"abandoned before sculpting":       {abandoned(run("capsulorhexis", "T", 1, 4)), map[string]string{"T": "part"}},
		"abandoned while sculpting":        {abandoned(run("sculpting", "T", 6, 9)), map[string]string{"T": "enters"}},
		"abandoned after the cortex":       {abandoned(all("T")...), map[string]string{"T": "whole"}},
		"abandoned for a rupture, no step": {ruptured, map[string]string{"T": "enters"}},
	} {
		t.Run(name, func(t *testing.T) {
			row := outcome.Row{StartedAt: &test.c.StartedAt, OutcomeKnown: true}
			got := map[string]string{}
			for _, e := range EntriesOf(test.c, row) {
				switch {
				case e.Whole && e.Enters:
					got[e.Surgeon] = "whole"
				case e.Enters:
					got[e.Surgeon] = "enters"
				default:
					got[e.Surgeon] = "part"
				}
			}
			if len(got) != len(test.want) {
				t.Errorf("found %v, expected %v", got, test.want)
			}
			for surgeon, want := range test.want {
				if got[surgeon] != want {
					t.Errorf("%s: found %q, expected %q", surgeon, got[surgeon], want)
				}
			}
		})
	}
}
