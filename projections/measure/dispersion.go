package measure

import (
	"math"
	"sort"
)

// WinsorShare is the part of the units at each end whose z scores are drawn in.
const WinsorShare = 0.1

// Dispersion is how much more units differ than chance explains. Low and High
// are the z scores at which the extreme ones were cut. Phi is the mean square of
// the z scores then, about 1 or less when there is only chance (drawing in the
// ends lowers it). Tau2 is the variance between units beyond chance, of rates as
// proportions; it is 0 when Phi asks for none.
type Dispersion struct {
	Units       int     `json:"units"`
	WinsorShare float64 `json:"winsor_share"`
	Low         float64 `json:"low"`
	High        float64 `json:"high"`
	Phi         float64 `json:"phi"`
	Tau2        float64 `json:"tau2"`
}

// NewDispersion estimates the spread of two or more units, each with a case,
// about a target. The winsorising rule: z scores below the winsor quantile, and
// above the 1-winsor quantile, are set to these quantiles, of type 7 (linear
// between order statistics, Hyndman RJ, Fan Y. Am Stat 1996;50:361-365). winsor
// is from 0, which cuts nothing, to less than 0.5.
//
// Source: Spiegelhalter DJ. Qual Saf Health Care 2005;14:347-351, which leaves
// the quantile rule open; tau2 as in Spiegelhalter D, Sherlaw-Johnson C,
// Bardsley M, et al. J R Stat Soc A 2012;175:1-47 (formulas from memory).
func NewDispersion(target float64, units []Unit, winsor float64) (Dispersion, error) {
	if err := checkProbability("target", target); err != nil {
		return Dispersion{}, err
	}
	if !(winsor >= 0 && winsor < 0.5) {
		return Dispersion{}, outside("winsor", winsor, "0 to less than 0.5")
	}
	if len(units) < 2 || len(units) > maxUnits {
		return Dispersion{}, outsideCount("number of units", len(units), "2 to 100000")
	}
	scores := make([]float64, len(units))
	weights, squares := 0.0, 0.0
	for i, u := range units {
		if err := u.check(i); err != nil {
			return Dispersion{}, err
		}
		if u.N == 0 {
			return Dispersion{}, ErrNoCases
		}
		scores[i] = u.z(target)
		weight := float64(u.N) / float64(target*(1-target))
		weights += weight
		squares += float64(weight * weight)
	}
	sort.Float64s(scores)
	d := Dispersion{Units: len(units), WinsorShare: winsor, Low: quantileOf(scores, winsor, 7), High: quantileOf(scores, 1-winsor, 7)}
	sum := 0.0
	for _, z := range scores {
		z = math.Min(d.High, math.Max(d.Low, z))
		sum += float64(z * z)
	}
	k := float64(len(units))
	d.Phi = sum / k
	if excess := sum - (k - 1); excess > 0 {
		d.Tau2 = excess / (weights - squares/weights)
	}
	return d, nil
}

// ZScore is a unit's distance from the target in standard errors that include
// the spread between units; with tau2 0 it is the plain z score.
//
// Source: as for NewDispersion.
func ZScore(u Unit, target, tau2 float64) (float64, error) {
	if err := checkFunnel(target, u.N, 0.95); err != nil {
		return 0, err
	}
	if err := checkCounts(u.Events, u.N); err != nil {
		return 0, err
	}
	if err := checkTau2(tau2); err != nil {
		return 0, err
	}
	return (float64(u.Events)/float64(u.N) - target) / withSpread(target, u.N, tau2), nil
}

// AdditiveFunnelLimits gives target -+ z sqrt(s2 + tau2), kept inside 0 to 1:
// units differ by tau2 whatever their size. NewFunnel's wider limits are these.
//
// Source: as for NewDispersion.
func AdditiveFunnelLimits(target float64, n int, conf, tau2 float64) (Interval, error) {
	if err := checkFunnel(target, n, conf); err != nil {
		return Interval{}, err
	}
	if err := checkTau2(tau2); err != nil {
		return Interval{}, err
	}
	return additive(target, n, conf, tau2), nil
}

// MultiplicativeFunnelLimits gives target -+ z s sqrt(phi), kept inside 0 to 1.
// A phi below 1 does not narrow them.
//
// Source: as for NewDispersion.
func MultiplicativeFunnelLimits(target float64, n int, conf, phi float64) (Interval, error) {
	if err := checkFunnel(target, n, conf); err != nil {
		return Interval{}, err
	}
	if !(phi >= 0 && phi <= maxCases) {
		return Interval{}, outside("phi", phi, "0 to 1000000000")
	}
	half := float64(float64(twoSided(conf)*standardError(target, n)) * math.Sqrt(math.Max(1, phi)))
	return aboutTarget("normal-multiplicative", target, half), nil
}

func additive(target float64, n int, conf, tau2 float64) Interval {
	return aboutTarget("normal-additive", target, float64(twoSided(conf)*withSpread(target, n, tau2)))
}

func withSpread(target float64, n int, tau2 float64) float64 {
	return math.Sqrt(float64(target*(1-target))/float64(n) + tau2)
}

func checkTau2(tau2 float64) error {
	if !(tau2 >= 0 && tau2 <= 1) {
		return outside("tau2", tau2, "0 to 1")
	}
	return nil
}
