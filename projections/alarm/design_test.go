package alarm

import (
	"fmt"
	"testing"

	"lensledger/events"
	"lensledger/projections/learning"
	"lensledger/projections/measure"
)

// The thresholds of the standard designs keep the chance of a wrong crossing that
// ChosenBy states, by exact run lengths, and hardly more than needed.
func TestStandardsKeepTheirChances(t *testing.T) {
	want := map[string]struct {
		chance float64
		within int
	}{
		"standard-rupture-trainees":     {0.05, 100},
		"standard-rupture-independent":  {0.05, 300},
		"standard-takeover-trainees":    {0.05, 100},
		"standard-takeover-independent": {0.05, 300},
		"standard-rupture-competence":   {0.10, 300},
		"standard-takeover-competence":  {0.10, 100},
	}
	for _, step := range events.CriticalSteps {
		want["standard-"+string(step)+"-competence"] = want["standard-takeover-competence"]
	}
	if len(Standards) != len(want) {
		t.Errorf("%d standard designs, want %d", len(Standards), len(want))
	}
	for _, d := range Standards {
		w, ok := want[d.Code]
		if !ok {
			t.Errorf("%s has no stated chance", d.Code)
			continue
		}
		request := measure.DesignRequest{Kind: measure.Kind(d.Kind), Acceptable: d.Acceptable, Unacceptable: d.Unacceptable,
			FalseAlarmChance: w.chance, WithinCases: w.within}
		exact, err := measure.NewDesign(request)
		if err != nil {
			t.Fatal(d.Code, err)
		}
		if d.Threshold < exact.Threshold-1e-9 || d.Threshold > exact.Threshold+0.02 {
			t.Errorf("%s: threshold %.4f, needed for %g by case %d is %.4f", d.Code, d.Threshold, w.chance, w.within, exact.Threshold)
		}
		if stated := fmt.Sprintf("%d of 100 charts by case %d", int(w.chance*100), w.within); !contains(d.ChosenBy, stated) {
			t.Errorf("%s states %q, not %q", d.Code, d.ChosenBy, stated)
		}
		if d.ClosesAfter != 0 && d.ClosesAfter != w.within {
			t.Errorf("%s closes after %d, its chance holds to %d", d.Code, d.ClosesAfter, w.within)
		}
	}
}

func contains(s, part string) bool {
	for i := 0; i+len(part) <= len(s); i++ {
		if s[i:i+len(part)] == part {
			return true
		}
	}
	return false
}

// A design for the surgeon comes before one for the group, that before the
// standard; among equals the latest, then the greater code.
func TestWhichDesignIsInForce(t *testing.T) {
	trainee := learning.Surgeon{Surgeon: "S-1", Department: "D", Trainee: true}
	design := func(code, scope string, day int) Design {
		return Design{Code: code, Scope: scope, Department: "D", Outcome: "capsule-rupture", Kind: "detection", DesignedAt: at(day)}
	}
	foreign := design("a", "S-1", 1)
	foreign.Department = "E"
	for name, test := range map[string]struct {
		set  []Design
		want string
	}{
		"none set":              {nil, "standard-rupture-trainees"},
		"by another department": {[]Design{foreign}, "standard-rupture-trainees"},
		"for the others":        {[]Design{design("a", "independent", 1), design("b", "S-2", 1)}, "standard-rupture-trainees"},
		"for the group":         {[]Design{design("a", "trainees", 1)}, "a"},
		"for the surgeon":       {[]Design{design("a", "S-1", 1), design("b", "trainees", 2)}, "a"},
		"the latest":            {[]Design{design("a", "S-1", 2), design("b", "S-1", 1)}, "a"},
		"of one day, by code":   {[]Design{design("b", "S-1", 1), design("a", "S-1", 1)}, "b"},
	} {
		if d, ok := DesignFor(trainee, "capsule-rupture", "detection", test.set); !ok || d.Code != test.want {
			t.Errorf("%s: %s, want %s", name, d.Code, test.want)
		}
	}
	if _, ok := DesignFor(learning.Surgeon{Surgeon: "C-1"}, "capsule-rupture", "competence", nil); ok {
		t.Error("an independent surgeon has a competence chart")
	}
}
