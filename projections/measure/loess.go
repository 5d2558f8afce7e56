package measure

import (
	"math"
	"slices"
	"strconv"
)

// maxLoess bounds the values of a smooth curve: the work grows with their square.
const maxLoess = 2000

// SmoothPoint is a smooth curve at one case number, with the standard error of
// the curve there.
type SmoothPoint struct {
	Case  int     `json:"case_number"`
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
}

// Loess draws a smooth curve through the values at the asked case numbers. Each
// point is fitted anew to the nearest span of the values (a share, 0.1 to 1) by a
// line (degree 1) or a parabola (2), near values weighing more by the tricube.
// The curve is to look at: it has no parameters to report and no test, and
// nothing may be read from it beyond the cases. It fails with ErrNoCases on an
// empty list, beyond 2000 values, on an asked case outside those of the values,
// and where too few different case numbers lie near.
//
// Source: Cleveland WS. J Am Stat Assoc 1979;74:829-836, without the robust
// steps; Cleveland WS, Devlin SJ. ibid. 1988;83:596-610 (from memory) for the
// standard error.
func Loess(values []CaseValue, span float64, degree int, at []int) ([]SmoothPoint, error) {
	if len(values) == 0 {
		return nil, ErrNoCases
	}
	if len(values) > maxLoess {
		return nil, outsideCount("values", len(values), "1 to 2000")
	}
	if !(span >= 0.1 && span <= 1) {
		return nil, outside("span", span, "0.1 to 1")
	}
	if degree < 1 || degree > 2 {
		return nil, outsideCount("degree", degree, "1 or 2")
	}
	for i, v := range values {
		if err := checkCaseValue(i, v); err != nil {
			return nil, err
		}
	}
	sorted := slices.Clone(values)
	slices.SortStableFunc(sorted, func(a, b CaseValue) int { return a.Case - b.Case })
	s := smoother{values: sorted, degree: degree, near: int(float64(float64(len(values))*span) + 1e-5)}
	if s.near < degree+1 {
		return nil, outside("span", span, "a share of the values that holds more than "+strconv.Itoa(degree)+" of them")
	}
	first, last := sorted[0].Case, sorted[len(sorted)-1].Case
	for i, number := range at {
		if number < first || number > last {
			return nil, outsideCount("at["+strconv.Itoa(i)+"]", number, strconv.Itoa(first)+" to "+strconv.Itoa(last)+", the cases of the values")
		}
	}
	sigma, err := s.sigma()
	if err != nil {
		return nil, err
	}
	points := make([]SmoothPoint, 0, len(at))
	for _, number := range at {
		from, pull, err := s.pull(number)
		if err != nil {
			return nil, err
		}
		p := SmoothPoint{Case: number}
		squares := 0.0
		for i, share := range pull {
			p.Value += float64(share * sorted[from+i].Value)
			squares += float64(share * share)
		}
		p.SE = float64(sigma * math.Sqrt(squares))
		points = append(points, p)
	}
	return points, nil
}

// smoother fits a polynomial near a case; its values are in order of case.
type smoother struct {
	values       []CaseValue
	degree, near int
}

// sigma is the residual standard deviation, its degrees of freedom exact for a
// curve that is linear in the values: the squared size of identity less pulls.
func (s smoother) sigma() (float64, error) {
	var squares, freedom float64
	for i, v := range s.values {
		from, pull, err := s.pull(v.Case)
		if err != nil {
			return 0, err
		}
		fitted := 0.0
		for k, share := range pull {
			fitted += float64(share * s.values[from+k].Value)
			if from+k == i {
				share = 1 - share
			}
			freedom += float64(share * share)
		}
		squares += float64((v.Value - fitted) * (v.Value - fitted))
	}
	if !(freedom > 1e-6) {
		return 0, outsideCount("values", len(s.values), "more of them, or a wider span: the curve goes through every value")
	}
	return math.Sqrt(squares / freedom), nil
}

// nearest gives the run of the nearest values to a case, and how far it reaches.
func (s smoother) nearest(number int) (from, to int, reach float64) {
	from, _ = slices.BinarySearchFunc(s.values, number, func(v CaseValue, n int) int { return v.Case - n })
	to = from
	for to-from < s.near {
		if from == 0 || (to < len(s.values) && s.values[to].Case-number < number-s.values[from-1].Case) {
			reach = float64(s.values[to].Case - number)
			to++
		} else {
			from--
			reach = float64(number - s.values[from].Case)
		}
	}
	return from, to, reach
}

// pull gives how much each of a run of values weighs in the curve at a case. The
// weighted polynomials 1, x, x^2 are made orthogonal one after the other.
func (s smoother) pull(number int) (from int, pull []float64, err error) {
	from, to, reach := s.nearest(number)
	n := to - from
	weights, x := make([]float64, n), make([]float64, n)
	for i, v := range s.values[from:to] {
		weights[i] = tricube(math.Abs(float64(v.Case-number)), reach)
		x[i] = float64(v.Case-number) / math.Max(reach, 1)
	}
	pull = make([]float64, n)
	var basis [][]float64 // orthonormal under the weights
	var atCase []float64  // their values at the case itself, where x is 0
	for power := range s.degree + 1 {
		column, here := make([]float64, n), 0.0
		for i := range column {
			column[i] = math.Pow(x[i], float64(power))
		}
		if power == 0 {
			here = 1
		}
		size := weightedProduct(weights, column, column)
		for range 2 { // twice, so that rounding leaves nothing behind
			for k, earlier := range basis {
				along := weightedProduct(weights, column, earlier)
				for i := range column {
					column[i] -= float64(along * earlier[i])
				}
				here -= float64(along * atCase[k])
			}
		}
		left := weightedProduct(weights, column, column)
		if !(left > float64(1e-14*size)) || !(left > 0) {
			return 0, nil, outsideCount("different case numbers near case "+strconv.Itoa(number), len(basis), "more than "+strconv.Itoa(s.degree)+", or a wider span")
		}
		length := math.Sqrt(left)
		for i := range column {
			column[i] /= length
		}
		here /= length
		basis, atCase = append(basis, column), append(atCase, here)
		for i := range pull {
			pull[i] += float64(float64(weights[i]*column[i]) * here)
		}
	}
	return from, pull, nil
}

func tricube(distance, reach float64) float64 {
	if distance >= reach {
		return 0
	}
	share := distance / reach
	rest := 1 - float64(float64(share*share)*share)
	return float64(float64(rest*rest) * rest)
}

func weightedProduct(weights, a, b []float64) float64 {
	sum := 0.0
	for i, w := range weights {
		sum += float64(float64(w*a[i]) * b[i])
	}
	return sum
}
