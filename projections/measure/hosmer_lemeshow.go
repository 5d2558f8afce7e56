package measure

import (
	"slices"
	"strconv"

	"gonum.org/v1/gonum/mathext"
)

// QuantileGroups cuts the cases at the unique deciles of risk (rule 7), each
// group up to and including its upper cut. Equal risks share a group, so there
// are fewer than ten groups when many are equal, and one when all are. It fails
// below 10 cases.
//
// Source: the deciles of risk of Hosmer DW, Lemeshow S. Applied Logistic
// Regression (from memory); Deciles is their other reading.
func QuantileGroups(risks []float64, events []bool) ([]RiskGroup, error) {
	if err := checkRisks(risks, events); err != nil {
		return nil, err
	}
	if len(risks) < 10 {
		return nil, outsideCount("risks", len(risks), "at least 10")
	}
	order := byRisk(risks)
	sorted := make([]float64, len(order))
	for place, i := range order {
		sorted[place] = risks[i]
	}
	var cuts []float64
	for tenth := 1; tenth <= 10; tenth++ {
		cut := quantileOf(sorted, float64(tenth)/10, 7)
		if len(cuts) == 0 || cut > cuts[len(cuts)-1] {
			cuts = append(cuts, cut)
		}
	}
	// The first interval has both ends, so a cut at the smallest risk makes none.
	if len(cuts) > 1 && cuts[0] == sorted[0] {
		cuts = cuts[1:]
	}
	groups := make([]RiskGroup, len(cuts))
	for _, i := range order {
		place, _ := slices.BinarySearch(cuts, risks[i])
		groups[place].add(risks[i], events[i])
	}
	return slices.DeleteFunc(groups, func(g RiskGroup) bool { return g.N == 0 }), nil
}

// add takes a case into a group; cases come in order of risk.
func (g *RiskGroup) add(risk float64, event bool) {
	if g.N == 0 {
		g.Lowest = risk
	}
	g.N++
	g.Highest = risk
	g.Expected += risk
	if event {
		g.Observed++
	}
}

// HosmerLemeshow compares observed and expected events over groups of risk. P is
// the chance of a sum as large or larger when the risks are right and come from
// elsewhere, on as many degrees of freedom as there are groups. PFitted is for
// risks fitted to these same cases, on two less; it is nil below three groups.
// A large P is no proof of a good model: with few events the test sees little.
type HosmerLemeshow struct {
	Groups     int      `json:"groups"`
	ChiSquared float64  `json:"chi_squared"`
	P          float64  `json:"p"`
	PFitted    *float64 `json:"p_fitted"`
}

// NewHosmerLemeshow tests the groups of Deciles or of QuantileGroups. It fails
// with ErrNoCases without groups, and on a group without cases or one whose
// expected number is not more than 0 and less than its cases.
//
// Source: Hosmer DW, Lemeshow S. Commun Stat Theory Methods 1980;9:1043-1069
// (from memory).
func NewHosmerLemeshow(groups []RiskGroup) (HosmerLemeshow, error) {
	if len(groups) == 0 {
		return HosmerLemeshow{}, ErrNoCases
	}
	h := HosmerLemeshow{Groups: len(groups)}
	for i, g := range groups {
		name := "groups[" + strconv.Itoa(i) + "]"
		if g.N < 1 || g.N > maxCases {
			return HosmerLemeshow{}, outsideCount(name+".n", g.N, "1 to 1000000000")
		}
		if g.Observed < 0 || g.Observed > g.N {
			return HosmerLemeshow{}, outsideCount(name+".observed", g.Observed, "0 to n")
		}
		mean := g.Expected / float64(g.N)
		if err := checkProbability(name+".expected", mean); err != nil {
			return HosmerLemeshow{}, outside(name+".expected", g.Expected, "more than 0 and less than n")
		}
		off := float64(g.Observed) - g.Expected
		h.ChiSquared += float64(off*off) / float64(float64(g.N)*float64(mean*(1-mean)))
	}
	h.P = chiSquaredAbove(h.ChiSquared, len(groups))
	if len(groups) > 2 {
		p := chiSquaredAbove(h.ChiSquared, len(groups)-2)
		h.PFitted = &p
	}
	return h, nil
}

// chiSquaredAbove is the chance of more than x on df degrees of freedom.
func chiSquaredAbove(x float64, df int) float64 {
	return mathext.GammaIncRegComp(float64(df)/2, x/2)
}
