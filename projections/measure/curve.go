package measure

import (
	"math"
	"slices"
	"strconv"
)

// maxValue bounds a value on a learning curve: it keeps sums of squares finite.
const maxValue = 1e9

// CaseValue is one value of a learning curve, such as minutes, at a surgeon's
// case number, counted from 1.
type CaseValue struct {
	Case  int     `json:"case_number"`
	Value float64 `json:"value"`
}

// CaseEvent is one case of a learning curve with whether the event happened.
type CaseEvent struct {
	Case  int  `json:"case_number"`
	Event bool `json:"event"`
}

// CaseBand is a range of case numbers, both ends included. Last is nil for the
// open band beyond the last edge.
type CaseBand struct {
	First int  `json:"first_case"`
	Last  *int `json:"last_case"`
}

// EvenEdges gives the last case of each of n bands of equal width: 100, 200, ...
// Case 100 is in the first band and case 101 in the second.
func EvenEdges(width, n int) ([]int, error) {
	if width < 1 || width > 1_000_000 {
		return nil, outsideCount("width", width, "1 to 1000000")
	}
	if n < 1 || n > 1000 {
		return nil, outsideCount("n", n, "1 to 1000")
	}
	edges := make([]int, n)
	for i := range edges {
		edges[i] = width * (i + 1)
	}
	return edges, nil
}

// caseBands gives the bands that end at the edges, and the open one after them.
func caseBands(edges []int) ([]CaseBand, error) {
	bands := make([]CaseBand, 0, len(edges)+1)
	first := 1
	for i, last := range edges {
		if last < first || last > maxCases {
			return nil, outsideCount("edges["+strconv.Itoa(i)+"]", last, "more than the edge before, at most 1000000000")
		}
		bands = append(bands, CaseBand{First: first, Last: &last})
		first = last + 1
	}
	return append(bands, CaseBand{First: first}), nil
}

// bandOf is the place of the band that holds a case.
func bandOf(edges []int, number int) int {
	place, _ := slices.BinarySearch(edges, number)
	return place
}

func checkCase(name string, i, number int) error {
	if number < 1 || number > maxCases {
		return outsideCount(name+"["+strconv.Itoa(i)+"].case_number", number, "1 to 1000000000")
	}
	return nil
}

// BandRate is the rate of events in one band of case numbers; nil without cases.
type BandRate struct {
	CaseBand
	Rate *Rate `json:"rate"`
}

// RateByBand gives the rate of events by experience: the bands end at the edges,
// and a last, open band follows. A band without cases is kept, with no rate.
//
// Source: the form of Grinton M et al. Eye 2021;35:1213-1220.
func RateByBand(cases []CaseEvent, edges []int) ([]BandRate, error) {
	bands, err := caseBands(edges)
	if err != nil {
		return nil, err
	}
	events, n := make([]int, len(bands)), make([]int, len(bands))
	for i, c := range cases {
		if err := checkCase("cases", i, c.Case); err != nil {
			return nil, err
		}
		band := bandOf(edges, c.Case)
		n[band]++
		if c.Event {
			events[band]++
		}
	}
	rates := make([]BandRate, len(bands))
	for i, band := range bands {
		rates[i].CaseBand = band
		if n[i] == 0 {
			continue
		}
		rate, err := NewRate(events[i], n[i])
		if err != nil {
			return nil, err
		}
		rates[i].Rate = &rate
	}
	return rates, nil
}

// BandPercentiles are the percentiles of one band of case numbers, in the order
// they were asked for. Mean is nil and Percentiles is empty without cases, and SD
// (n-1) is nil below two.
type BandPercentiles struct {
	CaseBand
	N           int       `json:"n"`
	Mean        *float64  `json:"mean"`
	SD          *float64  `json:"sd"`
	Percentiles []float64 `json:"percentiles"`
}

// PercentilesByBand gives the quantiles (rule 7) of the values by experience, in
// bands as for RateByBand. The order of the values does not matter.
//
// Source: Hyndman RJ, Fan Y. Am Stat 1996;50:361-365, rule 7.
func PercentilesByBand(values []CaseValue, edges []int, shares ...float64) ([]BandPercentiles, error) {
	bands, err := caseBands(edges)
	if err != nil {
		return nil, err
	}
	for _, p := range shares {
		if err := checkShare("share", p); err != nil {
			return nil, err
		}
	}
	lists := make([][]float64, len(bands))
	for i, v := range values {
		if err := checkCaseValue(i, v); err != nil {
			return nil, err
		}
		band := bandOf(edges, v.Case)
		lists[band] = append(lists[band], v.Value)
	}
	out := make([]BandPercentiles, len(bands))
	for i, list := range lists {
		out[i] = BandPercentiles{CaseBand: bands[i], N: len(list), Percentiles: []float64{}}
		if len(list) == 0 {
			continue
		}
		slices.Sort(list)
		mean, sd := meanAndSD(list)
		out[i].Mean, out[i].SD = &mean, sd
		for _, p := range shares {
			out[i].Percentiles = append(out[i].Percentiles, quantileOf(list, p, 7))
		}
	}
	return out, nil
}

func checkCaseValue(i int, v CaseValue) error {
	if err := checkCase("values", i, v.Case); err != nil {
		return err
	}
	if !(v.Value >= -maxValue && v.Value <= maxValue) {
		return outside("values["+strconv.Itoa(i)+"].value", v.Value, "-1000000000 to 1000000000")
	}
	return nil
}

// IsotonicFit is the best curve that never rises (Falling), or never falls. It
// has one point for each case number, rising; RSS is its residual sum of squares.
type IsotonicFit struct {
	Falling bool        `json:"falling"`
	Points  []CaseValue `json:"points"`
	RSS     float64     `json:"rss"`
}

// Isotonic fits the best curve in the direction that is asked for, by pooling
// adjacent violators. Values at one case number are averaged first and weigh
// as many as they are. It fails with ErrNoCases on an empty list.
//
// Source: Barlow RE, Bartholomew DJ, Bremner JM, Brunk HD, 1972 (from memory).
func Isotonic(values []CaseValue, falling bool) (IsotonicFit, error) {
	if len(values) == 0 {
		return IsotonicFit{}, ErrNoCases
	}
	for i, v := range values {
		if err := checkCaseValue(i, v); err != nil {
			return IsotonicFit{}, err
		}
	}
	sorted := slices.Clone(values)
	slices.SortFunc(sorted, func(a, b CaseValue) int {
		if a.Case != b.Case {
			return a.Case - b.Case
		}
		return compareFloat(a.Value, b.Value)
	})
	sign := 1.0
	if falling {
		sign = -1
	}
	// Each block is a run of case numbers that share one fitted value.
	type block struct{ sum, weight, numbers float64 }
	level := func(b block) float64 { return b.sum / b.weight }
	var blocks []block
	var numbers []int
	for i := 0; i < len(sorted); {
		b := block{numbers: 1}
		numbers = append(numbers, sorted[i].Case)
		for at := sorted[i].Case; i < len(sorted) && sorted[i].Case == at; i++ {
			b.sum += float64(sign * sorted[i].Value)
			b.weight++
		}
		for len(blocks) > 0 && level(blocks[len(blocks)-1]) >= level(b) {
			last := blocks[len(blocks)-1]
			b = block{b.sum + last.sum, b.weight + last.weight, b.numbers + last.numbers}
			blocks = blocks[:len(blocks)-1]
		}
		blocks = append(blocks, b)
	}
	fit := IsotonicFit{Falling: falling}
	for _, b := range blocks {
		for range int(b.numbers) {
			fit.Points = append(fit.Points, CaseValue{Case: numbers[len(fit.Points)], Value: positiveZero(float64(sign * level(b)))})
		}
	}
	place := 0
	for _, v := range sorted {
		for fit.Points[place].Case != v.Case {
			place++
		}
		off := v.Value - fit.Points[place].Value
		fit.RSS += float64(off * off)
	}
	return fit, nil
}

func compareFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// Monotone fits both directions and gives the one that fits better; a tie, such
// as values that are all alike, is given as falling. The data choose: a surgeon
// who became slower gets a rising curve.
func Monotone(values []CaseValue) (IsotonicFit, error) {
	falling, err := Isotonic(values, true)
	if err != nil {
		return IsotonicFit{}, err
	}
	rising, err := Isotonic(values, false)
	if err != nil || rising.RSS >= falling.RSS {
		return falling, err
	}
	return rising, nil
}

// PowerLaw is the curve a x case^slope, fitted as a straight line of logarithms.
// A negative slope is falling, a positive one rising: nothing forces either.
// RSquared is nil when the values are all alike. Sigma is the residual standard
// deviation of the logarithm of the value.
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

	meanX, sumXX float64
}

// NewPowerLaw fits a power law. It fails with ErrNoCases on an empty list, on a
// value that is not more than 0, on fewer than three values, and when all are at
// one case number.
//
// Source: least squares on the logarithms of value and case number.
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

// At gives the fitted value at a case number, with the interval of the curve
// itself (not of a new case) at the given confidence.
func (f PowerLaw) At(number int, conf float64) (value float64, interval Interval, err error) {
	if err := checkConf(conf); err != nil {
		return 0, Interval{}, err
	}
	if err := checkCase("at", 0, number); err != nil {
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

// studentQuantile is the quantile of Student's t with (1-conf)/2 above it.
func studentQuantile(conf, df float64) float64 {
	x := betaQuantile(1-conf, df/2, 0.5)
	return math.Sqrt(float64(df*(1-x)) / x)
}
