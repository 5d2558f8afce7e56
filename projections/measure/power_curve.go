package measure

import (
	"errors"
	"math"
	"strconv"
)

// ErrNoCurve says that no single power curve fits best: the data leave its
// exponent open. The power law, or the isotonic fit, describes them.
var ErrNoCurve = errors.New("the values leave the exponent of the curve open, so no single curve fits best: use the power law or the isotonic fit")

// maxExponent bounds the exponent of a power curve either way. At 4 a curve has
// done nine tenths of its change by the second case.
const maxExponent = 4

// leastExponent is how near to 0 the exponent may come beside a floor: there a
// and c run away against each other.
const leastExponent = 0.001

// CurveCoefficient is a coefficient of a curve with its standard error and 95 %
// interval, by Student's t.
type CurveCoefficient struct {
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
	Lower float64 `json:"lower_95"`
	Upper float64 `json:"upper_95"`
}

// PowerCurve is the curve c + a x case^-b, fitted to the values as they are. It
// is the curve of the mean. C is what remains however many cases follow, nil in a
// curve without a floor. Nothing forces the curve to fall: a and b of opposite
// sign rise, and c may be negative. Sigma is the residual standard deviation. AIC
// is nil when the curve goes through every value.
type PowerCurve struct {
	N     int               `json:"n"`
	C     *CurveCoefficient `json:"c"`
	A     CurveCoefficient  `json:"a"`
	B     CurveCoefficient  `json:"b"`
	RSS   float64           `json:"rss"`
	Sigma float64           `json:"sigma"`
	AIC   *float64          `json:"aic"`

	covariance [][]float64 // in the order a, b, c
}

// NewPowerCurve fits the curve by least squares, with a floor c or without. It
// wants at least two different case numbers, three with a floor, and one value
// more than the curve has coefficients. It fails with ErrNoCases on an empty list
// and with ErrNoCurve when the exponent cannot be told; with a floor, values that
// are all alike are refused, because every exponent fits them.
//
// Source: least squares, the coefficients other than b solved for at each b
// (Golub GH, Pereyra V. SIAM J Numer Anal 1973;10:413-432, from memory);
// standard errors from the curve's slopes at the fit.
func NewPowerCurve(values []CaseValue, floor bool) (PowerCurve, error) {
	p, err := newPowerProblem(values, floor)
	if err != nil {
		return PowerCurve{}, err
	}
	b, err := p.bestExponent()
	if err != nil {
		return PowerCurve{}, err
	}
	a, c, rss := p.solve(b)
	f := PowerCurve{N: len(values), RSS: rss}
	df := float64(len(values) - p.size)
	f.Sigma = math.Sqrt(rss / df)
	at, ok := p.slopes(a, b)
	if !ok {
		return PowerCurve{}, ErrNoCurve
	}
	if f.covariance, ok = at.covariance(f.Sigma); !ok {
		return PowerCurve{}, ErrNoCurve
	}
	t := studentQuantile(0.95, df)
	coefficient := func(k int, value float64) CurveCoefficient {
		se := math.Sqrt(f.covariance[k][k])
		return CurveCoefficient{Value: positiveZero(value), SE: se, Lower: value - float64(t*se), Upper: value + float64(t*se)}
	}
	f.A, f.B = coefficient(0, a), coefficient(1, b)
	if floor {
		value := coefficient(2, c)
		f.C = &value
	}
	for _, k := range []*CurveCoefficient{&f.A, &f.B, f.C} {
		if k != nil && !(finite(k.Value) && finite(k.Lower) && finite(k.Upper)) {
			return PowerCurve{}, ErrNoCurve
		}
	}
	if rss > 0 {
		n := float64(f.N)
		aic := float64(n*(math.Log(2*math.Pi)+1+math.Log(rss/n))) + float64(2*(p.size+1))
		f.AIC = &aic
	}
	return f, nil
}

// At gives the fitted value at a case number, with the interval of the curve
// itself (not of a new case) at the given confidence.
func (f PowerCurve) At(number int, conf float64) (value float64, interval Interval, err error) {
	if err := checkAt(number, conf); err != nil {
		return 0, Interval{}, err
	}
	if len(f.covariance) < 2 || f.N <= len(f.covariance) {
		return 0, Interval{}, outsideCount("values", f.N, "a fit by NewPowerCurve")
	}
	x := math.Log(float64(number))
	power := math.Exp(float64(-f.B.Value * x))
	value = float64(f.A.Value * power)
	slopes := []float64{power, float64(-x * value), 1}[:len(f.covariance)]
	if f.C != nil {
		value += f.C.Value
	}
	variance := 0.0
	for i := range slopes {
		for k := range slopes {
			variance += float64(float64(slopes[i]*slopes[k]) * f.covariance[i][k])
		}
	}
	half := float64(studentQuantile(conf, float64(f.N-len(slopes))) * math.Sqrt(math.Max(0, variance)))
	interval = Interval{Method: "power-curve", Lower: value - half, Upper: value + half}
	if !finite(value) || !finite(half) {
		return 0, Interval{}, outsideCount("at[0].case_number", number, "nearer to the cases of the fit")
	}
	return value, interval, nil
}

// powerProblem holds the logarithms of the case numbers, from their mean.
type powerProblem struct {
	x, y  []float64
	meanX float64
	floor bool
	size  int // how many coefficients
}

func newPowerProblem(values []CaseValue, floor bool) (powerProblem, error) {
	p := powerProblem{floor: floor, size: 2}
	if floor {
		p.size = 3
	}
	if len(values) == 0 {
		return p, ErrNoCases
	}
	if len(values) <= p.size {
		return p, outsideCount("values", len(values), "at least "+strconv.Itoa(p.size+1))
	}
	different, spread := map[int]bool{}, false
	for i, v := range values {
		if err := checkCaseValue(i, v); err != nil {
			return p, err
		}
		different[v.Case] = true
		spread = spread || v.Value != values[0].Value
		p.x, p.y = append(p.x, math.Log(float64(v.Case))), append(p.y, v.Value)
	}
	if len(different) < p.size {
		return p, outsideCount("different case numbers", len(different), "at least "+strconv.Itoa(p.size))
	}
	if floor && !spread {
		return p, outside("variance of values", 0, "more than 0 beside a floor")
	}
	p.meanX, _ = meanAndSD(p.x)
	for i := range p.x {
		p.x[i] -= p.meanX
	}
	return p, nil
}

// solve gives the best a and c at an exponent, and what they leave. Beside a
// floor the curve of exponent 0 is a straight line of the logarithm.
func (p powerProblem) solve(b float64) (a, c, rss float64) {
	n := float64(len(p.x))
	term := make([]float64, len(p.x))
	meanTerm, meanY := 0.0, 0.0
	for i, x := range p.x {
		term[i] = math.Exp(float64(-b * x))
		if p.floor {
			if b == 0 {
				term[i] = x
			}
			meanTerm += term[i] / n
			meanY += p.y[i] / n
		}
	}
	var xy, xx float64
	for i, t := range term {
		xy += float64((t - meanTerm) * (p.y[i] - meanY))
		xx += float64((t - meanTerm) * (t - meanTerm))
	}
	factor := xy / xx
	for i, t := range term {
		off := p.y[i] - meanY - float64(factor*(t-meanTerm))
		rss += float64(off * off)
	}
	return float64(factor * math.Exp(float64(b*p.meanX))), meanY - float64(factor*meanTerm), rss
}

// bestExponent searches a grid, then halves about its best point by golden
// sections, then polishes where a comparison of sums can no longer tell.
func (p powerProblem) bestExponent() (float64, error) {
	const steps = 160
	best, least := 0, math.Inf(1)
	at := func(k int) float64 { return maxExponent * float64(2*k-steps) / steps }
	for k := range steps + 1 {
		if _, _, rss := p.solve(at(k)); rss < least {
			best, least = k, rss
		}
	}
	if best == 0 || best == steps {
		return 0, ErrNoCurve
	}
	golden := (math.Sqrt(5) - 1) / 2
	low, high := at(best-1), at(best+1)
	sum := func(b float64) float64 { _, _, rss := p.solve(b); return rss }
	left, right := high-float64(golden*(high-low)), low+float64(golden*(high-low))
	sumLeft, sumRight := sum(left), sum(right)
	for range 60 {
		if sumLeft <= sumRight {
			high, right, sumRight = right, left, sumLeft
			left = high - float64(golden*(high-low))
			sumLeft = sum(left)
		} else {
			low, left, sumLeft = left, right, sumRight
			right = low + float64(golden*(high-low))
			sumRight = sum(right)
		}
	}
	b := p.polish((low + high) / 2)
	if p.floor && math.Abs(b) < leastExponent {
		return 0, ErrNoCurve
	}
	return b, nil
}

// polish is Gauss and Newton's step on b, with a and c solved for anew after
// each. A step that makes the sum of squares larger is not taken.
func (p powerProblem) polish(b float64) float64 {
	_, _, rss := p.solve(b)
	for range 20 {
		a, c, _ := p.solve(b)
		s, ok := p.slopes(a, b)
		if !ok {
			return b
		}
		residual := make([]float64, len(p.y))
		for i := range p.y {
			residual[i] = p.y[i] - c - float64(a*math.Exp(float64(-b*(p.x[i]+p.meanX))))
		}
		step := 0.0
		for j := range s.columns {
			step += float64(s.inverse[1][j] * product(s.columns[j], residual))
		}
		next := b + step
		if !(math.Abs(next) < maxExponent) {
			return b
		}
		_, _, left := p.solve(next)
		if !(left <= rss+float64(1e-12*rss)) {
			return b
		}
		moved := math.Abs(next - b)
		b, rss = next, math.Min(rss, left)
		if moved <= float64(1e-13*math.Abs(b)) {
			return b
		}
	}
	return b
}

// slopes are the curve's slopes in a, b and c at every value, made orthonormal:
// the slopes are columns times a triangle, of which inverse is the inverse.
type slopes struct {
	columns [][]float64
	inverse [][]float64
}

// slopes is not ok when a slope follows from the ones before it.
func (p powerProblem) slopes(a, b float64) (s slopes, ok bool) {
	columns := make([][]float64, p.size)
	for k := range columns {
		columns[k] = make([]float64, len(p.x))
	}
	for i, x := range p.x {
		power := math.Exp(float64(-b * (x + p.meanX)))
		for k, slope := range []float64{power, float64(-float64(a*power) * (x + p.meanX)), 1}[:p.size] {
			columns[k][i] = slope
		}
	}
	s.inverse = make([][]float64, p.size)
	for k, column := range columns {
		length := math.Sqrt(product(column, column))
		if !(length > 0 && finite(length)) {
			return slopes{}, false
		}
		// How the new column is made of the slopes: itself, less its part along each
		// earlier one. Twice, so that rounding leaves nothing behind.
		made := make([]float64, p.size)
		made[k] = 1
		for range 2 {
			for j, earlier := range s.columns {
				along := product(column, earlier)
				for i := range column {
					column[i] -= float64(along * earlier[i])
				}
				for m := range made[:k] {
					made[m] -= float64(along * s.inverse[m][j])
				}
			}
		}
		left := math.Sqrt(product(column, column))
		if !(left > float64(1e-11*length)) {
			return slopes{}, false
		}
		for i := range column {
			column[i] /= left
		}
		s.columns = append(s.columns, column)
		for m := range s.inverse {
			s.inverse[m] = append(s.inverse[m], made[m]/left)
		}
	}
	return s, true
}

// covariance is that of a, b and c. It is not ok when one is not finite.
func (s slopes) covariance(sigma float64) (rows [][]float64, ok bool) {
	for i := range s.inverse {
		row := make([]float64, len(s.inverse))
		for k := range row {
			row[k] = float64(float64(product(s.inverse[i], s.inverse[k])*sigma) * sigma)
			if !finite(row[k]) {
				return nil, false
			}
		}
		rows = append(rows, row)
	}
	return rows, true
}

func product(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += float64(a[i] * b[i])
	}
	return sum
}
