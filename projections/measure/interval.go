package measure

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Interval is a two-sided interval with the name of its method.
type Interval struct {
	Method string  `json:"method"`
	Lower  float64 `json:"lower"`
	Upper  float64 `json:"upper"`
}

// Wilson is the score interval for x events in n cases, a proportion from 0 to
// 1. Without events its lower end is exactly 0; with n events its upper end is
// exactly 1. It fails with ErrNoCases when n is 0.
//
// Source: Newcombe RG. Stat Med 1998;17:857-872, method 3.
func Wilson(x, n int, conf float64) (Interval, error) {
	if err := checkInterval(x, n, conf); err != nil {
		return Interval{}, err
	}
	events, cases := float64(x), float64(n)
	p := events / cases
	z := twoSided(conf)
	zz := float64(z * z)
	centre := float64(2*events) + zz
	half := float64(z * math.Sqrt(zz+float64(4*events*(1-p))))
	width := float64(2 * (cases + zz))
	return ends("wilson", x, n, (centre-half)/width, (centre+half)/width), nil
}

// ClopperPearson is the exact interval: the tails of the binomial distribution
// at each end are at most (1-conf)/2. Ends and errors are as for Wilson.
//
// Source: Newcombe RG. Stat Med 1998;17:857-872, method 5.
func ClopperPearson(x, n int, conf float64) (Interval, error) {
	if err := checkInterval(x, n, conf); err != nil {
		return Interval{}, err
	}
	tail := (1 - conf) / 2
	events, cases := float64(x), float64(n)
	lower, upper := 0.0, 1.0
	if x > 0 {
		lower = betaQuantile(tail, events, cases-events+1)
	}
	if x < n {
		upper = betaQuantile(1-tail, events+1, cases-events)
	}
	return ends("clopper-pearson", x, n, lower, upper), nil
}

// MidP is the exact interval that counts only half of the chance of the
// observed number itself. Ends and errors are as for Wilson.
//
// Source: Newcombe RG. Stat Med 1998;17:857-872, method 6.
func MidP(x, n int, conf float64) (Interval, error) {
	if err := checkInterval(x, n, conf); err != nil {
		return Interval{}, err
	}
	tail := (1 - conf) / 2
	lower, upper := 0.0, 1.0
	if x > 0 {
		lower = root(0, 1, func(p float64) float64 {
			return binomialUpper(x+1, n, p) + float64(0.5*binomialPoint(x, n, p)) - tail
		})
	}
	if x < n {
		upper = root(0, 1, func(p float64) float64 {
			return tail - (binomialLower(x-1, n, p) + float64(0.5*binomialPoint(x, n, p)))
		})
	}
	return ends("mid-p", x, n, lower, upper), nil
}

// Jeffreys is the interval between quantiles of the beta distribution with
// x+1/2 and n-x+1/2, with the ends set to 0 for no events and to 1 for n
// events. JeffreysRaw leaves these two ends at their quantiles.
//
// Source: Brown LD, Cai TT, DasGupta A. Stat Sci 2001;16:101-133.
func Jeffreys(x, n int, conf float64) (Interval, error) {
	raw, err := JeffreysRaw(x, n, conf)
	if err != nil {
		return Interval{}, err
	}
	return ends("jeffreys", x, n, raw.Lower, raw.Upper), nil
}

// JeffreysRaw is the equal-tailed interval of the beta distribution with x+1/2
// and n-x+1/2, whose lower end stays above 0 even without events.
//
// Source: Brown LD, Cai TT, DasGupta A. Stat Sci 2001;16:101-133.
func JeffreysRaw(x, n int, conf float64) (Interval, error) {
	if err := checkInterval(x, n, conf); err != nil {
		return Interval{}, err
	}
	tail := (1 - conf) / 2
	a, b := float64(x)+0.5, float64(n-x)+0.5
	return Interval{
		Method: "jeffreys-raw",
		Lower:  betaQuantile(tail, a, b),
		Upper:  betaQuantile(1-tail, a, b),
	}, nil
}

func checkInterval(x, n int, conf float64) error {
	if err := checkCounts(x, n); err != nil {
		return err
	}
	return checkConf(conf)
}

func checkConf(conf float64) error {
	if !(conf >= 0.5 && conf <= 1-1e-9) {
		return outside("conf", conf, "0.5 to less than 1")
	}
	return nil
}

// ends keeps an interval inside 0 to 1 and makes the two certain ends exact.
func ends(method string, x, n int, lower, upper float64) Interval {
	if x == 0 {
		lower = 0
	}
	if x == n {
		upper = 1
	}
	return Interval{Method: method, Lower: math.Max(0, lower), Upper: math.Min(1, upper)}
}

// twoSided is the normal quantile with (1-conf)/2 above it.
func twoSided(conf float64) float64 { return -mathext.NormalQuantile((1 - conf) / 2) }

// binomialUpper is the chance of k or more events in n cases.
func binomialUpper(k, n int, p float64) float64 {
	switch {
	case k <= 0:
		return 1
	case k > n:
		return 0
	}
	return mathext.RegIncBeta(float64(k), float64(n-k)+1, p)
}

// binomialLower is the chance of k or fewer events in n cases.
func binomialLower(k, n int, p float64) float64 {
	switch {
	case k < 0:
		return 0
	case k >= n:
		return 1
	}
	return mathext.RegIncBeta(float64(n-k), float64(k)+1, 1-p)
}

// binomialPoint is the chance of exactly k events in n cases.
func binomialPoint(k, n int, p float64) float64 {
	if p <= 0 || p >= 1 {
		if (p <= 0 && k == 0) || (p >= 1 && k == n) {
			return 1
		}
		return 0
	}
	return math.Exp(logChoose(n, k) + float64(float64(k)*math.Log(p)) + float64(float64(n-k)*math.Log1p(-p)))
}

func logChoose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n) + 1)
	b, _ := math.Lgamma(float64(k) + 1)
	c, _ := math.Lgamma(float64(n-k) + 1)
	return a - b - c
}

// betaQuantile inverts the regularised incomplete beta function, as well as the
// function itself is computed.
func betaQuantile(p, a, b float64) float64 {
	return root(0, 1, func(x float64) float64 { return mathext.RegIncBeta(a, b, x) - p })
}

// root finds where the rising function f passes 0 between low and high, to the
// last bits: inverse quadratic steps where they are safe, halving where not.
//
// Source: Chandrupatla TR. Adv Eng Softw 1997;28:145-149 (from memory).
func root(low, high float64, f func(float64) float64) float64 {
	a, b := high, low
	fa, fb := f(a), f(b)
	if fa <= 0 {
		return high
	}
	if fb >= 0 {
		return low
	}
	var c, fc float64 // set by the first step
	t := 0.5
	for range 200 {
		x := a + float64(t*(b-a))
		fx := f(x)
		if (fx > 0) == (fa > 0) {
			c, fc = a, fa
		} else {
			c, b, fc, fb = b, a, fb, fa
		}
		a, fa = x, fx
		best, fbest := a, fa
		if math.Abs(fb) < math.Abs(fa) {
			best, fbest = b, fb
		}
		tolerance := 0x1p-52 * math.Abs(best)
		limit := tolerance / math.Abs(b-c)
		if fbest == 0 || !(limit < 0.5) {
			return best
		}
		xi, phi := (a-b)/(c-b), (fa-fb)/(fc-fb)
		t = 0.5
		if float64(phi*phi) < xi && float64((1-phi)*(1-phi)) < 1-xi {
			t = float64(fa/(fb-fa)*(fc/(fb-fc))) + float64((c-a)/(b-a)*(fa/(fc-fa))*(fb/(fc-fb)))
		}
		t = min(max(t, limit), 1-limit)
	}
	return a
}

// bisect finds where the rising function f passes 0 between low and high, to
// the last bit.
func bisect(low, high float64, f func(float64) float64) float64 {
	for range 200 {
		middle := low + (high-low)/2
		if middle <= low || middle >= high {
			break
		}
		if f(middle) > 0 {
			high = middle
		} else {
			low = middle
		}
	}
	return low + (high-low)/2
}
