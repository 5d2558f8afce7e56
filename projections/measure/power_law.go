package measure

import (
	"math"
	"strconv"
)

// PowerLaw is the curve a x case^slope, fitted as a straight line of logarithms.
// A negative slope is falling, a positive one rising: nothing forces either.
// RSquared is nil when the values are all alike. Sigma is the residual standard
// deviation of the logarithm of the value. The curve is of the middle value; its
// mean is Smearing times higher.
type PowerLaw struct {
	N        int      `json:"n"`
	LogA     float64  `json:"log_a"`
	LogASE   float64  `json:"log_a_se"`
	Slope    float64  `json:"slope"`
	SlopeSE  float64  `json:"slope_se"`
	Lower    float64  `json:"slope_lower_95"`
	Upper    float64  `json:"slope_upper_95"`
	Sigma    float64  `json:"sigma"`
	RSquared *float64 `json:"r_squared"`
	Smearing float64  `json:"smearing_factor"`

	meanX, sumXX float64
}

// NewPowerLaw fits a power law. It fails with ErrNoCases on an empty list, on a
// value that is not more than 0, on fewer than three values, and when all are at
// one case number.
//
// Source: least squares on the logarithms of value and case number; Duan N. J Am
// Stat Assoc 1983;78:605-610 (from memory) for the smearing factor.
func NewPowerLaw(values []CaseValue) (PowerLaw, error) {
	if len(values) == 0 {
		return PowerLaw{}, ErrNoCases
	}
	if len(values) < 3 {
		return PowerLaw{}, outsideCount("values", len(values), "at least 3")
	}
	n := float64(len(values))
	x, y := make([]float64, len(values)), make([]float64, len(values))
	for i, v := range values {
		if err := checkCase("values", i, v.Case); err != nil {
			return PowerLaw{}, err
		}
		if !(v.Value >= 1/maxValue && v.Value <= maxValue) {
			return PowerLaw{}, outside("values["+strconv.Itoa(i)+"].value", v.Value, "more than 0, at most 1000000000")
		}
		x[i], y[i] = math.Log(float64(v.Case)), math.Log(v.Value)
	}
	f := PowerLaw{N: len(values)}
	f.meanX, _ = meanAndSD(x)
	meanY, _ := meanAndSD(y)
	var xy, yy float64
	for i := range x {
		dx, dy := x[i]-f.meanX, y[i]-meanY
		f.sumXX += float64(dx * dx)
		xy += float64(dx * dy)
		yy += float64(dy * dy)
	}
	if f.sumXX < 1e-20 {
		return PowerLaw{}, outside("variance of case numbers", 0, "more than 0: at least two different case numbers")
	}
	f.Slope = positiveZero(xy / f.sumXX)
	f.LogA = meanY - float64(f.Slope*f.meanX)
	rss := 0.0
	for i := range x {
		off := y[i] - meanY - float64(f.Slope*(x[i]-f.meanX))
		rss += float64(off * off)
		f.Smearing += math.Exp(off) / n
	}
	f.Sigma = math.Sqrt(rss / (n - 2))
	f.SlopeSE = f.Sigma / math.Sqrt(f.sumXX)
	f.LogASE = float64(f.Sigma * math.Sqrt(1/n+float64(f.meanX*f.meanX)/f.sumXX))
	half := float64(studentQuantile(0.95, n-2) * f.SlopeSE)
	f.Lower, f.Upper = f.Slope-half, f.Slope+half
	if yy > 1e-20 {
		r := math.Max(0, 1-rss/yy)
		f.RSquared = &r
	}
	return f, nil
}

// LearningRate is the value at twice the case number over the value at the case
// number, 0.9 for a tenth less with each doubling: 2^slope. It fails when that is
// beyond 10^9.
func (f PowerLaw) LearningRate() (float64, error) {
	rate := math.Exp2(f.Slope)
	if !(rate <= maxValue) {
		return 0, outside("slope", f.Slope, "at most 29")
	}
	return rate, nil
}

// At gives the fitted value at a case number, with the interval of the curve
// itself (not of a new case) at the given confidence.
func (f PowerLaw) At(number int, conf float64) (value float64, interval Interval, err error) {
	if err := checkAt(number, conf); err != nil {
		return 0, Interval{}, err
	}
	if f.N < 3 || !(f.sumXX > 0) {
		return 0, Interval{}, outsideCount("values", f.N, "a fit of at least 3")
	}
	x := math.Log(float64(number)) - f.meanX
	y := f.LogA + float64(f.Slope*f.meanX) + float64(f.Slope*x)
	half := float64(float64(studentQuantile(conf, float64(f.N)-2)*f.Sigma) * math.Sqrt(1/float64(f.N)+float64(x*x)/f.sumXX))
	value, interval = math.Exp(y), Interval{Method: "power-law", Lower: math.Exp(y - half), Upper: math.Exp(y + half)}
	if !finite(value) || !finite(interval.Upper) {
		return 0, Interval{}, outsideCount("at[0].case_number", number, "nearer to the cases of the fit")
	}
	return value, interval, nil
}

func checkAt(number int, conf float64) error {
	if err := checkConf(conf); err != nil {
		return err
	}
	return checkCase("at", 0, number)
}

// studentQuantile is the quantile of Student's t with (1-conf)/2 above it.
func studentQuantile(conf, df float64) float64 {
	x := betaQuantile(1-conf, df/2, 0.5)
	return math.Sqrt(float64(df*(1-x)) / x)
}
