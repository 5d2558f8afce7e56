package measure

import (
	"errors"
	"math"
)

// Comparison is two rates side by side, the first against the second, with 95 %
// intervals. Difference is the first less the second, a proportion from -1 to 1.
// Ratio is missing when the second rate has no event: there is no ratio to 0.
// FisherP is the chance, were both rates one and the same, of a table as
// unlikely as this one or less likely.
type Comparison struct {
	First              Rate       `json:"first"`
	Second             Rate       `json:"second"`
	Difference         float64    `json:"difference"`
	DifferenceInterval Interval   `json:"difference_interval_95"`
	Ratio              *RateRatio `json:"ratio,omitempty"`
	FisherP            float64    `json:"fisher_p"`
}

// RateRatio is one rate over another, 1 when they are equal.
type RateRatio struct {
	Ratio    float64  `json:"ratio"`
	Interval Interval `json:"interval_95"`
}

// CompareRates compares x1 events in n1 cases with x2 in n2. The two groups
// must have no case in common. It fails with ErrNoCases when either has no case.
func CompareRates(x1, n1, x2, n2 int) (Comparison, error) {
	p, err := FisherExact(x1, n1, x2, n2)
	if err != nil {
		return Comparison{}, err
	}
	c := Comparison{FisherP: p}
	if c.First, err = NewRate(x1, n1); err != nil {
		return Comparison{}, err
	}
	if c.Second, err = NewRate(x2, n2); err != nil {
		return Comparison{}, err
	}
	c.Difference = c.First.Rate - c.Second.Rate
	if c.DifferenceInterval, err = NewcombeDifference(x1, n1, x2, n2, 0.95); err != nil {
		return Comparison{}, err
	}
	if x2 > 0 {
		interval, err := KoopmanRatio(x1, n1, x2, n2, 0.95)
		if err != nil {
			return Comparison{}, err
		}
		c.Ratio = &RateRatio{Ratio: c.First.Rate / c.Second.Rate, Interval: interval}
	}
	return c, nil
}

// NewcombeDifference is the hybrid score interval of the difference of two
// rates, the first less the second, from -1 to 1: Wilson's two intervals put
// together. It has no correction for continuity.
//
// Source: Newcombe RG. Stat Med 1998;17:873-890, method 10.
func NewcombeDifference(x1, n1, x2, n2 int, conf float64) (Interval, error) {
	if err := checkPair(x1, n1, x2, n2); err != nil {
		return Interval{}, err
	}
	first, err := Wilson(x1, n1, conf)
	if err != nil {
		return Interval{}, err
	}
	second, err := Wilson(x2, n2, conf)
	if err != nil {
		return Interval{}, err
	}
	p1, p2 := float64(x1)/float64(n1), float64(x2)/float64(n2)
	lower := p1 - p2 - math.Hypot(p1-first.Lower, second.Upper-p2)
	upper := p1 - p2 + math.Hypot(first.Upper-p1, p2-second.Lower)
	return Interval{Method: "newcombe-hybrid-score", Lower: math.Max(-1, lower), Upper: math.Min(1, upper)}, nil
}

// KoopmanRatio is the asymptotic score interval of the ratio of two rates, the
// first over the second. Without events in the first its lower end is exactly 0.
// The second needs an event: without one no upper end exists, and it is refused.
//
// Source: Koopman PAR. Biometrics 1984;40:513-517.
func KoopmanRatio(x1, n1, x2, n2 int, conf float64) (Interval, error) {
	if err := checkPair(x1, n1, x2, n2); err != nil {
		return Interval{}, err
	}
	if err := checkConf(conf); err != nil {
		return Interval{}, err
	}
	if x2 == 0 {
		return Interval{}, outsideCount("second events", 0, "1 or more: nothing has a ratio to a rate of 0")
	}
	z := twoSided(conf)
	// The score falls with the ratio; e^80 is beyond any ratio of counts.
	limit := func(want float64) float64 {
		return math.Exp(bisect(-80, 80, func(log float64) float64 {
			return want - ratioScore(x1, n1, x2, n2, math.Exp(log))
		}))
	}
	lower := 0.0
	if x1 > 0 {
		lower = limit(z)
	}
	return Interval{Method: "koopman-score", Lower: lower, Upper: limit(-z)}, nil
}

// ratioScore is the standardised distance of the first rate from ratio times
// the second, its variance taken where both rates are likeliest under that ratio.
func ratioScore(x1, n1, x2, n2 int, ratio float64) float64 {
	events1, cases1 := float64(x1), float64(n1)
	events2, cases2 := float64(x2), float64(n2)
	distance := events1/cases1 - float64(ratio*(events2/cases2))
	if distance == 0 {
		return 0
	}
	// The likeliest second rate is the smaller root of a quadratic, written so
	// that nothing cancels.
	a := float64((cases1 + cases2) * ratio)
	b := float64(ratio*(cases1+events2)) + events1 + cases2
	root := math.Sqrt(math.Max(0, float64(b*b)-float64(float64(4*a)*(events1+events2))))
	p2 := math.Min(1, float64(2*(events1+events2))/(b+root))
	p1 := math.Min(1, float64(ratio*p2))
	variance := float64(p1*(1-p1))/cases1 + float64(float64(ratio*ratio)*float64(p2*(1-p2)))/cases2
	if variance == 0 {
		return math.Copysign(math.MaxFloat64, distance)
	}
	return distance / math.Sqrt(variance)
}

// maxFisher bounds each group of an exact test: its work grows with them.
const maxFisher = 10_000_000

// FisherExact is Fisher's exact test of two rates, two-sided: the chance, with
// all totals as they are and one rate in common, of a table that is as unlikely
// as the one seen or less likely. Tables whose chances differ by less than a
// part in ten million count as equally likely. Each group has at most 10000000
// cases. A value below the smallest number that can be written is given as 0.
//
// Source: Fisher RA. Statistical methods for research workers, 5th ed. 1934
// (from memory); the two-sided rule is the one of R's fisher.test.
func FisherExact(x1, n1, x2, n2 int) (float64, error) {
	if err := checkPair(x1, n1, x2, n2); err != nil {
		return 0, err
	}
	if n1 > maxFisher {
		return 0, outsideCount("first n", n1, "1 to 10000000")
	}
	if n2 > maxFisher {
		return 0, outsideCount("second n", n2, "1 to 10000000")
	}
	events := x1 + x2
	least, most := max(0, events-n2), min(n1, events)
	// Chances are in units of the one seen. up is how a chance changes from k to
	// k+1 events in the first group.
	up := func(k int) float64 {
		return float64(float64(n1-k)*float64(events-k)) / float64(float64(k+1)*float64(n2-events+k+1))
	}
	tail, all := scaled{mantissa: 1}, scaled{mantissa: 1}
	for _, side := range []int{-1, 1} {
		chance := scaled{mantissa: 1}
		for k := x1; k+side >= least && k+side <= most; k += side {
			step := up(k)
			if side < 0 {
				step = 1 / up(k-1)
			}
			chance = chance.times(step)
			all = all.plus(chance)
			if chance.exponent < 0 || (chance.exponent == 0 && chance.mantissa <= 1+1e-7) {
				tail = tail.plus(chance)
				// Past the top of the distribution what follows is smaller still.
				if step < 1 && (chance.exponent < 0 || chance.mantissa < 1e-25) {
					break
				}
			}
		}
	}
	return math.Min(1, tail.over(all)), nil
}

// scaled is mantissa * 2^(500 exponent): a chance in units of another can be
// larger than any float64.
type scaled struct {
	mantissa float64
	exponent int
}

func (s scaled) times(x float64) scaled {
	s.mantissa = float64(s.mantissa * x)
	switch {
	case s.mantissa > 0x1p400:
		return scaled{math.Ldexp(s.mantissa, -500), s.exponent + 1}
	case s.mantissa < 0x1p-400 && s.mantissa > 0:
		return scaled{math.Ldexp(s.mantissa, 500), s.exponent - 1}
	}
	return s
}

func (s scaled) plus(other scaled) scaled {
	if s.exponent < other.exponent {
		s, other = other, s
	}
	s.mantissa += math.Ldexp(other.mantissa, 500*(other.exponent-s.exponent))
	return s
}

func (s scaled) over(other scaled) float64 {
	return math.Ldexp(s.mantissa/other.mantissa, 500*(s.exponent-other.exponent))
}

// checkPair says in which of the two groups a count is wrong.
func checkPair(x1, n1, x2, n2 int) error {
	for _, group := range []struct {
		name      string
		events, n int
	}{{"first", x1, n1}, {"second", x2, n2}} {
		err := checkCounts(group.events, group.n)
		var argument *ArgumentError
		if errors.As(err, &argument) {
			return &ArgumentError{Name: group.name + " " + argument.Name, Got: argument.Got, Allowed: argument.Allowed}
		}
		if err != nil {
			return err
		}
	}
	return nil
}
