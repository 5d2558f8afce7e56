package measure

import (
	"math"
	"strconv"
)

// FunnelMinimum is the number of cases below which a unit has no place on a
// funnel. Common practice, no source: 0 events in 40 cases still go with 8.8 %.
const FunnelMinimum = 50

// Unit is one point of a funnel: a surgeon or a department under its code, with
// its events and cases.
type Unit struct {
	Code   string `json:"code"`
	Events int    `json:"events"`
	N      int    `json:"n"`
}

// FunnelRequest asks for a funnel. Target is a proportion from 0 to 1; units
// with fewer than MinimumCases are held back. No case may be in two units.
type FunnelRequest struct {
	Target       float64 `json:"target"`
	MinimumCases int     `json:"minimum_cases"`
	Units        []Unit  `json:"units"`
}

// Position is where a unit stands to a pair of limits. It is never a verdict.
type Position string

// The positions. What lies on a limit is inside.
const (
	Above  Position = "above"
	Inside Position = "inside"
	Below  Position = "below"
)

// FunnelPoint is a unit with its place among the exact limits, and the wider
// limits that allow for the spread between units, when that could be estimated.
type FunnelPoint struct {
	Unit
	Rate         float64   `json:"rate"`
	Z            float64   `json:"z"`
	Limits95     Interval  `json:"limits_95"`
	Limits998    Interval  `json:"limits_99_8"`
	Position95   Position  `json:"position_95"`
	Position998  Position  `json:"position_99_8"`
	Dispersed95  *Interval `json:"dispersed_limits_95,omitempty"`
	Dispersed998 *Interval `json:"dispersed_limits_99_8,omitempty"`
}

// Outside counts the units outside a pair of exact limits, and what chance alone
// would give if every unit worked at the target: Expected is the number of units
// then outside, exact for whole events, and AtLeastOne the chance of any. Nominal
// is the number that the limits' name promises; with few events it differs.
type Outside struct {
	Units      int     `json:"units"`
	Expected   float64 `json:"expected"`
	Nominal    float64 `json:"nominal"`
	AtLeastOne float64 `json:"at_least_one"`
}

// Funnel is a set of units looked at at once. Points keep the order in which
// the units were given: a funnel ranks nobody. HeldBack counts the units below
// MinimumCases. Dispersion is missing when fewer than two units are shown.
type Funnel struct {
	Target       float64       `json:"target"`
	MinimumCases int           `json:"minimum_cases"`
	Points       []FunnelPoint `json:"points"`
	HeldBack     int           `json:"held_back"`
	Outside95    Outside       `json:"outside_95"`
	Outside998   Outside       `json:"outside_99_8"`
	Dispersion   *Dispersion   `json:"dispersion,omitempty"`
	Curve        []FunnelLimit `json:"curve,omitempty"` // where it is to be drawn; see FunnelCurve
}

// maxUnits bounds the units of one funnel.
const maxUnits = 100_000

// NewFunnel places each unit with enough cases among exact 95 % and 99.8 %
// limits about the target. It fails with ErrNoCases when no unit has enough.
//
// Source: Spiegelhalter DJ. Stat Med 2005;24:1185-1202 (formulas from memory).
// That units at the target leave limits of whole events at another rate than
// the nominal one: PLoS One 2012, 10.1371/journal.pone.0045723.
func NewFunnel(r FunnelRequest) (Funnel, error) {
	if err := checkProbability("target", r.Target); err != nil {
		return Funnel{}, err
	}
	if r.MinimumCases < 1 || r.MinimumCases > maxCases {
		return Funnel{}, outsideCount("minimum_cases", r.MinimumCases, "1 to 1000000000")
	}
	if len(r.Units) > maxUnits {
		return Funnel{}, outsideCount("number of units", len(r.Units), "1 to 100000")
	}
	f := Funnel{Target: r.Target, MinimumCases: r.MinimumCases}
	var shown []Unit
	none95, none998 := 1.0, 1.0
	for i, u := range r.Units {
		if err := u.check(i); err != nil {
			return Funnel{}, err
		}
		if u.N < r.MinimumCases {
			f.HeldBack++
			continue
		}
		shown = append(shown, u)
		p := FunnelPoint{Unit: u, Rate: float64(u.Events) / float64(u.N), Z: u.z(r.Target)}
		for _, level := range []struct {
			conf     float64
			limits   *Interval
			position *Position
			outside  *Outside
			none     *float64
		}{
			{0.95, &p.Limits95, &p.Position95, &f.Outside95, &none95},
			{0.998, &p.Limits998, &p.Position998, &f.Outside998, &none998},
		} {
			low, high := edges(r.Target, u.N, level.conf)
			*level.limits = Interval{Method: "binomial-exact-interpolated", Lower: low.limit(), Upper: high.limit()}
			*level.position = Inside
			switch {
			case low.isAbove(u.Events):
				*level.position = Below
				level.outside.Units++
			case high.isBelow(u.Events):
				*level.position = Above
				level.outside.Units++
			}
			chance := low.less + high.chanceBeyond()
			level.outside.Expected += chance
			level.outside.Nominal += 1 - level.conf
			*level.none *= 1 - chance
		}
		f.Points = append(f.Points, p)
	}
	if len(shown) == 0 {
		return Funnel{}, ErrNoCases
	}
	f.Outside95.AtLeastOne, f.Outside998.AtLeastOne = 1-none95, 1-none998
	if len(shown) < 2 {
		return f, nil
	}
	d, err := NewDispersion(r.Target, shown, WinsorShare)
	if err != nil {
		return Funnel{}, err
	}
	f.Dispersion = &d
	for i := range f.Points {
		p := &f.Points[i]
		l95, l998 := additive(r.Target, p.N, 0.95, d.Tau2), additive(r.Target, p.N, 0.998, d.Tau2)
		p.Dispersed95, p.Dispersed998 = &l95, &l998
	}
	return f, nil
}

func (u Unit) check(i int) error {
	name := func(what string) string { return what + " of unit " + strconv.Itoa(i+1) }
	if u.N < 0 || u.N > maxCases {
		return outsideCount(name("n"), u.N, "0 to 1000000000")
	}
	if u.Events < 0 || u.Events > u.N {
		return outsideCount(name("events"), u.Events, "0 to n = "+strconv.Itoa(u.N))
	}
	return nil
}

// z is the distance from the target in standard errors of a unit at the target.
func (u Unit) z(target float64) float64 {
	return (float64(u.Events)/float64(u.N) - target) / standardError(target, u.N)
}

func standardError(target float64, n int) float64 {
	return math.Sqrt(float64(target*(1-target)) / float64(n))
}

// PooledTarget is all units' events over all their cases: a target for units
// that have no outside reference. Units then help to set the line that they are
// held against, so an outside reference is better. It fails when the pooled rate
// is 0 or 1.
func PooledTarget(units []Unit) (float64, error) {
	events, n := 0, 0
	if len(units) > maxUnits {
		return 0, outsideCount("number of units", len(units), "1 to 100000")
	}
	for i, u := range units {
		if err := u.check(i); err != nil {
			return 0, err
		}
		events += u.Events
		n += u.N
	}
	if n == 0 {
		return 0, ErrNoCases
	}
	target := float64(events) / float64(n)
	return target, checkProbability("pooled rate", target)
}

// ExactFunnelLimits gives the interpolated binomial limits of a rate among n
// cases about a target: with tail p, r the smallest count with P(X<=r) >= p and
// a = (P(X<=r)-p)/P(X=r), a limit is (r-a)/n, kept inside 0 to 1.
//
// Source: Spiegelhalter DJ. Stat Med 2005;24:1185-1202 (formula from memory).
func ExactFunnelLimits(target float64, n int, conf float64) (Interval, error) {
	if err := checkFunnel(target, n, conf); err != nil {
		return Interval{}, err
	}
	low, high := edges(target, n, conf)
	return Interval{Method: "binomial-exact-interpolated", Lower: low.limit(), Upper: high.limit()}, nil
}

// NormalFunnelLimits gives target -+ z standard errors, kept inside 0 to 1.
// With few expected events they are too low at the top: prefer the exact ones.
//
// Source: Spiegelhalter DJ. Stat Med 2005;24:1185-1202.
func NormalFunnelLimits(target float64, n int, conf float64) (Interval, error) {
	if err := checkFunnel(target, n, conf); err != nil {
		return Interval{}, err
	}
	return aboutTarget("normal", target, float64(twoSided(conf)*standardError(target, n))), nil
}

func checkFunnel(target float64, n int, conf float64) error {
	if err := checkProbability("target", target); err != nil {
		return err
	}
	if err := checkCounts(0, n); err != nil {
		return err
	}
	return checkConf(conf)
}

func aboutTarget(method string, target, half float64) Interval {
	return Interval{Method: method, Lower: math.Max(0, target-half), Upper: math.Min(1, target+half)}
}

// funnelEdge is the count r at which a binomial distribution passes a tail.
type funnelEdge struct {
	n, r  int
	less  float64 // the chance of fewer than r events
	point float64 // the chance of exactly r
	share float64 // the part of point that lies past the tail
}

func edges(target float64, n int, conf float64) (low, high funnelEdge) {
	tail := (1 - conf) / 2
	return edgeAt(tail, target, n), edgeAt(1-tail, target, n)
}

func (e funnelEdge) limit() float64 {
	return math.Min(1, math.Max(0, (float64(e.r)-e.share)/float64(e.n)))
}

// The limit lies past r-1 and at or before r, so of whole events fewer than r
// lie below it. r itself lies above it unless the limit is r.

func (e funnelEdge) isAbove(events int) bool { return events < e.r }

func (e funnelEdge) isBelow(events int) bool {
	return events > e.r || (events == e.r && e.share > 0)
}

// chanceBeyond is the chance of a count above the limit.
func (e funnelEdge) chanceBeyond() float64 {
	if e.share > 0 {
		return 1 - e.less
	}
	return math.Max(0, 1-e.less-e.point)
}

// edgeAt adds up the distribution from 0 on. Where its first chance is too
// small to be written, it searches.
func edgeAt(p, target float64, n int) funnelEdge {
	first := float64(float64(n) * math.Log1p(-target))
	if first < -600 {
		return edgeSearched(p, target, n)
	}
	odds := target / (1 - target)
	point, below := math.Exp(first), 0.0
	for k := 0; ; k++ {
		if below+point >= p || k == n {
			return newEdge(n, k, below, point, p)
		}
		below += point
		point = float64(float64(point*odds)*float64(n-k)) / float64(k+1)
	}
}

func newEdge(n, r int, below, point, p float64) funnelEdge {
	share := 0.0
	if point > 0 {
		share = math.Min(1, math.Max(0, (below+point-p)/point))
	}
	return funnelEdge{n: n, r: r, less: below, point: point, share: share}
}

func edgeSearched(p, target float64, n int) funnelEdge {
	low, high := -1, n // P(X<=low) < p <= P(X<=high)
	for high-low > 1 {
		middle := low + (high-low)/2
		if binomialLower(middle, n, target) >= p {
			high = middle
		} else {
			low = middle
		}
	}
	return newEdge(n, high, binomialLower(high-1, n, target), binomialPoint(high, n, target), p)
}
