package measure

import (
	"math"
	"slices"
	"strconv"
)

// Quantile is the p-quantile of a list by one of three rules of interpolation:
// 6, 7 (the one used for every percentile here) or 8. The order of the list does
// not matter. It fails with ErrNoCases on an empty list, and on p outside 0 to 1,
// another rule, or a value that is not finite.
//
// Source: Hyndman RJ, Fan Y. Am Stat 1996;50:361-365.
func Quantile(values []float64, p float64, rule int) (float64, error) {
	if rule < 6 || rule > 8 {
		return 0, outsideCount("rule", rule, "6, 7 or 8")
	}
	if err := checkShare("p", p); err != nil {
		return 0, err
	}
	if len(values) == 0 {
		return 0, ErrNoCases
	}
	if err := checkFinite("values", values); err != nil {
		return 0, err
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	return quantileOf(sorted, p, rule), nil
}

// QuantileOfCounts is Quantile, rule 7, of a list of whole numbers, of which counts
// says how often each occurs: counts[3] times the 3. It fails with ErrNoCases when
// none occurs, and on a negative count or p outside 0 to 1.
func QuantileOfCounts(counts []int, p float64) (float64, error) {
	if err := checkShare("p", p); err != nil {
		return 0, err
	}
	n := 0
	for _, c := range counts {
		if c < 0 {
			return 0, outsideCount("count", c, "0 or more")
		}
		n += c
	}
	if n == 0 {
		return 0, ErrNoCases
	}
	at := func(i int) float64 {
		for number, c := range counts {
			if i -= c; i < 0 {
				return float64(number)
			}
		}
		return float64(len(counts) - 1)
	}
	return quantileAt(n, at, p, 7), nil
}

// quantileOf reads a quantile from a sorted list that is not empty.
func quantileOf(sorted []float64, p float64, rule int) float64 {
	return quantileAt(len(sorted), func(i int) float64 { return sorted[i] }, p, rule)
}

// quantileAt reads a quantile of count values, of which at gives the one at a place
// in order, from 0.
func quantileAt(count int, at func(i int) float64, p float64, rule int) float64 {
	n := float64(count)
	var place float64 // counted from 1
	switch rule {
	case 6:
		place = float64((n + 1) * p)
	case 8:
		place = 1.0/3 + float64((n+1.0/3)*p)
	default:
		place = 1 + float64((n-1)*p)
	}
	low := math.Floor(place)
	share := place - low
	value := func(i float64) float64 { return at(int(math.Max(1, math.Min(n, i))) - 1) }
	a, b := value(low), value(low+1)
	return math.Max(a, math.Min(b, float64((1-share)*a)+float64(share*b)))
}

func checkShare(name string, p float64) error {
	if !(p >= 0 && p <= 1) {
		return outside(name, p, "0 to 1")
	}
	return nil
}

func checkFinite(name string, values []float64) error {
	for i, x := range values {
		if !finite(x) {
			return outside(name+"["+strconv.Itoa(i)+"]", x, "a finite number")
		}
	}
	return nil
}
