package measure

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"
)

func TestHosmerLemeshowEqualsReference(t *testing.T) {
	d := readLogistic(t)
	half := must[Logistic](t)(FitLogistic(d.terms[:1000], d.events[:1000], 5))
	later := d.later(t, half)
	groupings := map[string]func([]float64, []bool) ([]RiskGroup, error){
		"quantile7_unique": QuantileGroups, "equal_size_by_p_then_row": Deciles,
	}
	groups, tests := map[string][]RiskGroup{}, map[string]HosmerLemeshow{}
	for grouping, cut := range groupings {
		for model, c := range map[string]struct {
			risks  []float64
			events []bool
		}{"apparent": {d.fitted, d.events}, "external": {d.external, d.events}, "split_test": {later, d.events[1000:]}} {
			key := model + " " + grouping
			groups[key] = must[[]RiskGroup](t)(cut(c.risks, c.events))
			tests[key] = must[HosmerLemeshow](t)(NewHosmerLemeshow(groups[key]))
		}
	}
	counted := map[string]int{}
	for _, r := range readRows(t, "logistic_hl_groups") {
		key := r.text("model") + " " + r.text("grouping")
		counted[key]++
		if len(groups[key]) < counted[key] {
			t.Fatalf("%s: only %d groups", r.where, len(groups[key]))
		}
		g := groups[key][r.whole("group")-1]
		r.absolute("n", float64(g.N), 0)
		r.absolute("observed", float64(g.Observed), 0)
		r.absolute("expected", g.Expected, 1e-10)
		r.absolute("p_min", g.Lowest, 1e-12)
		r.absolute("p_max", g.Highest, 1e-12)
	}
	for key, g := range groups {
		if counted[key] != len(g) {
			t.Errorf("%s: %d groups, want %d", key, len(g), counted[key])
		}
	}
	tested := 0
	for _, r := range readRows(t, "logistic_fit") {
		rest, ok := strings.CutPrefix(r.text("name"), "hl_")
		if !ok {
			continue
		}
		tested++
		for grouping := range groupings {
			what, ok := strings.CutSuffix(rest, "_"+grouping)
			if !ok {
				continue
			}
			h := tests[r.text("section")+" "+grouping]
			switch what {
			case "chi2":
				r.relative("value", h.ChiSquared, 1e-7)
				if r.text("note") != "groups="+strconv.Itoa(h.Groups) {
					t.Errorf("%s: %d groups, want %s", r.where, h.Groups, r.text("note"))
				}
			case "p":
				r.relative("value", *h.PFitted, 1e-7)
			case "p_dfG":
				r.relative("value", h.P, 1e-7)
			default:
				t.Errorf("%s: what is %s", r.where, what)
			}
		}
	}
	if tested != 18 {
		t.Errorf("tested %d rows, want 18", tested)
	}
}

// By hand: 20 cases, one group of ten with 1 event of 2 expected and one with 4 of
// 3: (1-2)^2/1.6 + (4-3)^2/2.1.
func TestHosmerLemeshowByHand(t *testing.T) {
	h := must[HosmerLemeshow](t)(NewHosmerLemeshow([]RiskGroup{{N: 10, Observed: 1, Expected: 2}, {N: 10, Observed: 4, Expected: 3}}))
	near(t, "chi squared", h.ChiSquared, 1/1.6+1/2.1, 1e-14)
	near(t, "p on 2", h.P, math.Exp(-h.ChiSquared/2), 1e-14)
	if h.PFitted != nil {
		t.Errorf("two groups leave no degree of freedom to fitted risks: %g", *h.PFitted)
	}
}

// Equal risks stay together, and all alike are one group, as R's cut does it.
func TestQuantileGroupsKeepEqualRisksTogether(t *testing.T) {
	risks, events := make([]float64, 40), make([]bool, 40)
	for i := range risks {
		risks[i], events[i] = .2, i%5 == 0
	}
	if got := must[[]RiskGroup](t)(QuantileGroups(risks, events)); len(got) != 1 || got[0].N != 40 || got[0].Observed != 8 {
		t.Errorf("all alike: %+v", got)
	}
	for i := range 30 {
		risks[i] = .1
	}
	// The cuts are 0.1 and 0.2, so one interval, with both its ends.
	if got := must[[]RiskGroup](t)(QuantileGroups(risks, events)); len(got) != 1 || got[0].Lowest != .1 || got[0].Highest != .2 {
		t.Errorf("two risks: %+v", got)
	}
}

func TestHosmerLemeshowRefuses(t *testing.T) {
	if _, err := NewHosmerLemeshow(nil); !errors.Is(err, ErrNoCases) {
		t.Errorf("no groups: %v", err)
	}
	good := RiskGroup{N: 10, Observed: 1, Expected: 1}
	for want, bad := range map[string][]RiskGroup{
		"groups[1].n":        {{N: 0}, {N: -1}},
		"groups[1].observed": {{N: 1, Observed: 2, Expected: .5}, {N: 1, Observed: -1, Expected: .5}},
		"groups[1].expected": {{N: 1}, {N: 1, Expected: 1}, {N: 1, Expected: math.NaN()}, {N: 1, Expected: math.Inf(1)}, {N: 1, Expected: -1}},
	} {
		for _, g := range bad {
			_, err := NewHosmerLemeshow([]RiskGroup{good, g})
			refused(t, want, err, want)
		}
	}
}
