package measure

import (
	"cmp"
	"math"
	"slices"
	"strconv"
)

// fewestToJudge is the least number of events, and of cases without, from which
// a model is judged at all: below it a slope or a c-statistic says nothing.
const fewestToJudge = 10

// Coefficient is an estimate with its standard error.
type Coefficient struct {
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
}

// Calibration compares a model's risks with what happened. A perfect model has
// an intercept in the large of 0 and a slope of 1; a slope below 1 says that its
// risks are too extreme. Intercept goes with Slope, InTheLarge stands alone.
// ScaledBrier is 1 for perfect risks, 0 for the overall rate given to everybody,
// and negative for worse than that.
type Calibration struct {
	N                int         `json:"n"`
	Events           int         `json:"events"`
	Expected         float64     `json:"expected"`
	InTheLarge       Coefficient `json:"calibration_in_the_large"`
	Intercept        Coefficient `json:"calibration_intercept"`
	Slope            Coefficient `json:"calibration_slope"`
	CStatistic       Coefficient `json:"c_statistic"`
	CInterval        Interval    `json:"c_statistic_interval_95"`
	Brier            float64     `json:"brier"`
	ScaledBrier      float64     `json:"brier_scaled"`
	LogLoss          float64     `json:"log_loss"`
	ObservedExpected float64     `json:"observed_expected"`
}

// NewCalibration judges risks, probabilities, by the events. It fails with a
// *TooFewEventsError below 10 events or 10 cases without, with ErrCollinear when
// all risks are alike, and on a risk outside 0 to 1 or at either end.
//
// Source: Cox DR. Biometrika 1958;45:562-565 (from memory) for intercept and
// slope; DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837-845
// (from memory) for the standard error of the c-statistic; its interval is 1.96
// of these either way, kept inside 0 to 1. Steyerberg EW et al. Epidemiology
// 2010;21:128-138 (from memory) for the scaled Brier score.
func NewCalibration(risks []float64, events []bool) (Calibration, error) {
	if err := checkRisks(risks, events); err != nil {
		return Calibration{}, err
	}
	if err := enoughEvents(events, fewestToJudge); err != nil {
		return Calibration{}, err
	}
	c := Calibration{N: len(risks), Events: countEvents(events)}
	logits, terms := make([]float64, len(risks)), make([][]float64, len(risks))
	for i, p := range risks {
		logits[i] = math.Log(p) - math.Log1p(-p)
		terms[i] = logits[i : i+1]
		c.Expected += p
	}
	both, err := fit(terms, nil, events)
	if err != nil {
		return Calibration{}, err
	}
	large, err := fit(nil, logits, events)
	if err != nil {
		return Calibration{}, err
	}
	c.Intercept = Coefficient{both.Coefficients[0], both.StandardErrors[0]}
	c.Slope = Coefficient{both.Coefficients[1], both.StandardErrors[1]}
	c.InTheLarge = Coefficient{large.Coefficients[0], large.StandardErrors[0]}
	c.ObservedExpected = float64(c.Events) / c.Expected
	c.CStatistic = cStatistic(risks, events)
	half := float64(twoSided(0.95) * c.CStatistic.SE)
	c.CInterval = Interval{Method: "delong", Lower: math.Max(0, c.CStatistic.Value-half), Upper: math.Min(1, c.CStatistic.Value+half)}
	c.Brier = brier(risks, events)
	c.ScaledBrier = scaledBrier(c.Brier, c.Events, c.N)
	c.LogLoss = logLoss(risks, events)
	return c, nil
}

// CStatistic is the chance that a case with the event had a higher risk than
// one without; a tie counts one half. It fails as NewCalibration does.
//
// Source: see NewCalibration.
func CStatistic(risks []float64, events []bool) (Coefficient, error) {
	if err := checkRisks(risks, events); err != nil {
		return Coefficient{}, err
	}
	if err := enoughEvents(events, fewestToJudge); err != nil {
		return Coefficient{}, err
	}
	return cStatistic(risks, events), nil
}

// Brier is the mean squared distance of the risks from the outcomes, 0 to 1,
// smaller is better. It fails with ErrNoCases on an empty list.
//
// Source: Brier GW. Mon Weather Rev 1950;78:1-3 (from memory).
func Brier(risks []float64, events []bool) (float64, error) {
	if err := checkRisks(risks, events); err != nil {
		return 0, err
	}
	return brier(risks, events), nil
}

// ScaledBrier sets the Brier score against that of the overall rate given to
// everybody: 1 is perfect, 0 is no better than the rate, below 0 is worse. It
// fails as Brier does, and when all cases or none have the event.
//
// Source: see NewCalibration.
func ScaledBrier(risks []float64, events []bool) (float64, error) {
	if err := checkRisks(risks, events); err != nil {
		return 0, err
	}
	if err := enoughEvents(events, 1); err != nil {
		return 0, err
	}
	return scaledBrier(brier(risks, events), countEvents(events), len(events)), nil
}

func scaledBrier(brier float64, events, n int) float64 {
	rate := float64(events) / float64(n)
	return 1 - brier/float64(rate*(1-rate))
}

// LogLoss is the mean of minus the logarithm of the chance that the risks gave to
// what happened, 0 or more, smaller is better. It fails as Brier does.
//
// Source: Good IJ. J R Stat Soc B 1952;14:107-114 (from memory).
func LogLoss(risks []float64, events []bool) (float64, error) {
	if err := checkRisks(risks, events); err != nil {
		return 0, err
	}
	return logLoss(risks, events), nil
}

func logLoss(risks []float64, events []bool) float64 {
	sum := 0.0
	for i, p := range risks {
		if events[i] {
			sum -= math.Log(p)
		} else {
			sum -= math.Log1p(-p)
		}
	}
	return sum / float64(len(risks))
}

func brier(risks []float64, events []bool) float64 {
	sum := 0.0
	for i, p := range risks {
		if events[i] {
			p = 1 - p
		}
		sum += float64(p * p)
	}
	return sum / float64(len(risks))
}

func checkRisks(risks []float64, events []bool) error {
	if len(risks) != len(events) {
		return outsideCount("events", len(events), "one for each of "+strconv.Itoa(len(risks))+" risks")
	}
	if len(risks) == 0 {
		return ErrNoCases
	}
	for i, p := range risks {
		if err := checkProbability("risks["+strconv.Itoa(i)+"]", p); err != nil {
			return err
		}
	}
	return nil
}

// byRisk gives the cases in order of risk, equal risks in their own order.
func byRisk(risks []float64) []int {
	order := make([]int, len(risks))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(risks[a], risks[b]) })
	return order
}

// pairsWon is the share of one case's pairs in which the case with the event had
// the higher risk.
type pairsWon struct {
	share float64
	event bool
}

// cStatistic counts pairs in halves, so that the estimate itself is exact.
func cStatistic(risks []float64, events []bool) Coefficient {
	order := byRisk(risks)
	with := countEvents(events)
	without := len(events) - with
	var total int
	var squaresWith, squaresWithout float64
	m, n := float64(with), float64(without)
	belowWith, belowWithout := 0, 0
	var won []pairsWon
	for i := 0; i < len(order); {
		end, tiedWith := i, 0
		for ; end < len(order) && risks[order[end]] == risks[order[i]]; end++ {
			if events[order[end]] {
				tiedWith++
			}
		}
		tiedWithout := end - i - tiedWith
		beaten := 2*belowWithout + tiedWithout
		beating := 2*(with-belowWith-tiedWith) + tiedWith
		total += tiedWith * beaten
		for ; i < end; i++ {
			if events[order[i]] {
				won = append(won, pairsWon{float64(beaten) / (2 * n), true})
			} else {
				won = append(won, pairsWon{float64(beating) / (2 * m), false})
			}
		}
		belowWith += tiedWith
		belowWithout += tiedWithout
	}
	c := float64(total) / 2 / float64(m*n)
	for _, s := range won {
		off := float64((s.share - c) * (s.share - c))
		if s.event {
			squaresWith += off
		} else {
			squaresWithout += off
		}
	}
	return Coefficient{Value: c, SE: math.Sqrt(squaresWith/(m-1)/m + squaresWithout/(n-1)/n)}
}

// RiskGroup is one group of a decile table: how many events happened among its
// cases, how many were expected, and the range of risks.
type RiskGroup struct {
	N        int     `json:"n"`
	Observed int     `json:"observed"`
	Expected float64 `json:"expected"`
	Lowest   float64 `json:"lowest_risk"`
	Highest  float64 `json:"highest_risk"`
}

// Deciles sorts the cases by risk, equal risks in the order of the list, and
// cuts them into ten groups of equal size. It fails below 10 cases.
//
// Source: the groups of Hosmer DW, Lemeshow S. Applied Logistic Regression (from
// memory). QuantileGroups is their other reading, which keeps equal risks
// together.
func Deciles(risks []float64, events []bool) ([]RiskGroup, error) {
	if err := checkRisks(risks, events); err != nil {
		return nil, err
	}
	if len(risks) < 10 {
		return nil, outsideCount("risks", len(risks), "at least 10")
	}
	groups := make([]RiskGroup, 10)
	order := byRisk(risks)
	for place, i := range order {
		groups[(10*(place+1)+len(order)-1)/len(order)-1].add(risks[i], events[i])
	}
	return groups, nil
}
