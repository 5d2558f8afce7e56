package measure

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Ratio is observed over expected events, 1 when as many came as were expected,
// with two 95 % intervals of that ratio.
type Ratio struct {
	Observed int      `json:"observed"`
	Expected float64  `json:"expected"`
	Ratio    float64  `json:"ratio"`
	Exact    Interval `json:"interval_95_exact"`
	Byar     Interval `json:"interval_95_byar"`
}

// ObservedExpected compares o observed events with e expected ones, e the sum
// of the cases' risks. The exact limits take o as a Poisson count (quantiles of
// the gamma distribution); Byar's are the usual approximation to them.
//
// Source: Breslow NE, Day NE. Statistical methods in cancer research, vol II.
// IARC 1987 (exact and Byar's limits).
func ObservedExpected(o int, e float64) (Ratio, error) {
	exact, err := PoissonExact(o, e, 0.95)
	if err != nil {
		return Ratio{}, err
	}
	byar, err := Byar(o, e, 0.95)
	if err != nil {
		return Ratio{}, err
	}
	return Ratio{Observed: o, Expected: e, Ratio: float64(o) / e, Exact: exact, Byar: byar}, nil
}

// PoissonExact gives exact limits of observed over expected. With no event the
// lower limit is exactly 0.
func PoissonExact(o int, e, conf float64) (Interval, error) {
	if err := checkExpected(o, e, conf); err != nil {
		return Interval{}, err
	}
	tail := (1 - conf) / 2
	lower := 0.0
	if o > 0 {
		lower = gammaQuantile(tail, float64(o)) / e
	}
	return Interval{Method: "poisson-exact", Lower: lower, Upper: gammaQuantile(1-tail, float64(o)+1) / e}, nil
}

// Byar gives Byar's limits of observed over expected. A cube below 0, which the
// formula gives for one event at a very high confidence, is shown as 0.
func Byar(o int, e, conf float64) (Interval, error) {
	if err := checkExpected(o, e, conf); err != nil {
		return Interval{}, err
	}
	z := twoSided(conf)
	lower := 0.0
	if o > 0 {
		lower = byarLimit(float64(o), -z)
	}
	return Interval{Method: "byar", Lower: math.Max(0, lower) / e, Upper: byarLimit(float64(o)+1, z) / e}, nil
}

func byarLimit(o, z float64) float64 {
	root := 1 - 1/float64(9*o) + z/float64(3*math.Sqrt(o))
	return float64(float64(float64(o*root)*root) * root)
}

func checkExpected(o int, e, conf float64) error {
	if o < 0 || o > maxCases {
		return outsideCount("observed", o, "0 to 1000000000")
	}
	if !(e >= 1e-9 && e <= maxCases) {
		return outside("expected", e, "more than 0 and at most 1000000000")
	}
	return checkConf(conf)
}

// gammaQuantile inverts the regularised lower incomplete gamma function.
func gammaQuantile(p, a float64) float64 {
	high := a + float64(20*math.Sqrt(a)) + 50
	return root(0, high, func(x float64) float64 { return mathext.GammaIncReg(a, x) - p })
}

// Reference is the dated rate of a named population, with which an adjusted
// rate is multiplied. Rate is a proportion from 0 to 1.
type Reference struct {
	Population string  `json:"population"`
	Rate       float64 `json:"rate"`
	Source     string  `json:"source"`
}

// PopulationError says that a model and a reference rate come from different
// populations, so that multiplying them would mean nothing.
type PopulationError struct {
	Model     string
	Reference string
}

func (e *PopulationError) Error() string {
	return fmt.Sprintf("the risk model is calibrated to %q, the reference rate is of %q: recalibrate the model to the reference first",
		e.Model, e.Reference)
}

// Adjusted is a rate adjusted for case mix by indirect standardisation, a
// proportion that can pass 1 when the expected number is very small.
type Adjusted struct {
	Ratio     Ratio     `json:"observed_expected"`
	Rate      float64   `json:"rate"`
	Exact     Interval  `json:"interval_95_exact"`
	Reference Reference `json:"reference"`
}

// AdjustedRate is observed over expected times the reference rate. The model
// that gave the expected number must be calibrated to the reference's own
// population, else it fails with a *PopulationError.
//
// Source: indirect standardisation, as in Sparrow JM, Taylor H, Qureshi K, et al.
// Eye 2011;25:1010-1015 (that the paper used this form is from memory).
func AdjustedRate(o int, e float64, model Model, reference Reference) (Adjusted, error) {
	if model.Population == "" || model.Population != reference.Population {
		return Adjusted{}, &PopulationError{Model: model.Population, Reference: reference.Population}
	}
	if err := checkProbability("reference rate", reference.Rate); err != nil {
		return Adjusted{}, err
	}
	ratio, err := ObservedExpected(o, e)
	if err != nil {
		return Adjusted{}, err
	}
	exact := Interval{Method: ratio.Exact.Method,
		Lower: float64(ratio.Exact.Lower * reference.Rate), Upper: float64(ratio.Exact.Upper * reference.Rate)}
	return Adjusted{Ratio: ratio, Rate: float64(ratio.Ratio * reference.Rate), Exact: exact, Reference: reference}, nil
}

// PoissonBinomial is the exact distribution of the number of events in a given
// list of cases, each with its own risk.
type PoissonBinomial struct {
	point []float64 // point[k] is the chance of exactly k events
}

// maxList bounds the list of risks: the work grows with its square.
const maxList = 20_000

// NewPoissonBinomial takes each case's risk, from 0 to 1, ends included.
//
// Source: the convolution of Bernoulli distributions; Hong Y. Comput Stat Data
// Anal 2013;59:41-51 names the distribution and compares methods.
func NewPoissonBinomial(risks []float64) (PoissonBinomial, error) {
	if err := checkList(risks); err != nil {
		return PoissonBinomial{}, err
	}
	point := make([]float64, 1, len(risks)+1)
	point[0] = 1
	for _, p := range risks {
		point = withCase(point, p)
	}
	return PoissonBinomial{point: point}, nil
}

// Exactly is the chance of exactly k events.
func (d PoissonBinomial) Exactly(k int) float64 {
	if k < 0 || k >= len(d.point) {
		return 0
	}
	return d.point[k]
}

// AtLeast is the chance of k or more events, summed from the far end so that a
// small tail keeps its digits.
func (d PoissonBinomial) AtLeast(k int) float64 {
	if k <= 0 {
		return 1
	}
	sum := 0.0
	for i := len(d.point) - 1; i >= k; i-- {
		sum += d.point[i]
	}
	return math.Min(1, sum)
}

// AtMost is the chance of k or fewer events.
func (d PoissonBinomial) AtMost(k int) float64 {
	if k >= len(d.point)-1 {
		return 1
	}
	sum := 0.0
	for i := 0; i <= k; i++ {
		sum += d.point[i]
	}
	return math.Min(1, sum)
}

// UpperMidP is the chance of more than k events and half that of exactly k.
func (d PoissonBinomial) UpperMidP(k int) float64 {
	return d.AtLeast(k+1) + float64(0.5*d.Exactly(k))
}
