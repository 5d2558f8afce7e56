package measure

import (
	"math"
	"strconv"

	"gonum.org/v1/gonum/mathext"
)

// PoissonMidP gives limits of observed over expected that count only half of
// the chance of the observed number itself: narrower than the exact ones. With
// no event the lower limit is exactly 0.
//
// Source: the mid-P principle of Lancaster HO. J Am Stat Assoc 1961;56:223-234
// (from memory), by bisection on the Poisson tails.
func PoissonMidP(o int, e, conf float64) (Interval, error) {
	if err := checkExpected(o, e, conf); err != nil {
		return Interval{}, err
	}
	tail := (1 - conf) / 2
	high := float64(o) + float64(20*math.Sqrt(float64(o))) + 50
	lower := 0.0
	if o > 0 {
		lower = root(0, high, func(mean float64) float64 {
			return poissonAtLeast(o+1, mean) + float64(0.5*poissonPoint(o, mean)) - tail
		}) / e
	}
	upper := root(0, high, func(mean float64) float64 {
		return tail - (1 - poissonAtLeast(o, mean) + float64(0.5*poissonPoint(o, mean)))
	}) / e
	return Interval{Method: "poisson-mid-p", Lower: lower, Upper: upper}, nil
}

// poissonAtLeast is the chance of k or more events when mean are expected.
func poissonAtLeast(k int, mean float64) float64 {
	switch {
	case k <= 0:
		return 1
	case mean <= 0:
		return 0
	}
	return mathext.GammaIncReg(float64(k), mean)
}

func poissonPoint(k int, mean float64) float64 {
	if mean <= 0 {
		if k == 0 {
			return 1
		}
		return 0
	}
	logFactorial, _ := math.Lgamma(float64(k) + 1)
	return math.Exp(float64(float64(k)*math.Log(mean)) - mean - logFactorial)
}

// Limits are what observed minus expected may be after one case, in events.
type Limits struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// ObservedMinusExpectedLimits gives, after each case, the limits of observed
// minus expected when every case has its own risk: the chance to be below Lower
// at that case, and the chance to be above Upper, are each at most (1-conf)/2.
// They are exact, from the distribution of the number of events in the list, and
// count whole events: what lies on a limit is inside.
//
// They hold at one case named in advance, not at all cases together: a line that
// is watched at every case leaves them far more often. An alarm for that is what
// a chart with a threshold is for.
//
// Source: the convolution of Bernoulli distributions, see NewPoissonBinomial.
func ObservedMinusExpectedLimits(risks []float64, conf float64) ([]Limits, error) {
	if err := checkConf(conf); err != nil {
		return nil, err
	}
	if err := checkList(risks); err != nil {
		return nil, err
	}
	tail := (1 - conf) / 2
	point := make([]float64, 1, len(risks)+1)
	point[0] = 1
	out := make([]Limits, len(risks))
	expected := 0.0
	for i, p := range risks {
		point = withCase(point, p)
		expected += p
		out[i] = Limits{Lower: float64(fewestEvents(point, tail)) - expected, Upper: float64(mostEvents(point, tail)) - expected}
	}
	return out, nil
}

// withCase is the distribution of the number of events with one more case.
func withCase(point []float64, p float64) []float64 {
	point = append(point, 0)
	for k := len(point) - 1; k > 0; k-- {
		point[k] = float64(point[k]*(1-p)) + float64(point[k-1]*p)
	}
	point[0] = float64(point[0] * (1 - p))
	return point
}

// fewestEvents is the largest count with no more than tail below it.
func fewestEvents(point []float64, tail float64) int {
	sum := 0.0
	for k, chance := range point {
		if sum += chance; sum > tail {
			return k
		}
	}
	return len(point) - 1
}

// mostEvents is the smallest count with no more than tail above it.
func mostEvents(point []float64, tail float64) int {
	sum := 0.0
	for k := len(point) - 1; k >= 0; k-- {
		if sum += point[k]; sum > tail {
			return k
		}
	}
	return 0
}

func checkList(risks []float64) error {
	if len(risks) == 0 {
		return ErrNoCases
	}
	if len(risks) > maxList {
		return outsideCount("number of risks", len(risks), "1 to 20000")
	}
	for i, p := range risks {
		if !(p >= 0 && p <= 1) {
			return outside("risk of case "+strconv.Itoa(i+1), p, "0 to 1")
		}
	}
	return nil
}
