package measure

import (
	"math"
	"slices"
	"strconv"
)

// predictionEdges are the bounds, in dioptres, within which eyes are counted.
var predictionEdges = []float64{0.25, 0.50, 1.00, 2.00}

// edgeRounding lets an error of 0.50 that arithmetic made 0.5000000000000001
// count as within 0.50: far below a hundredth of a dioptre.
const edgeRounding = 1e-9

// PredictionError is the achieved spherical equivalent minus the one predicted
// for the lens that was implanted, in dioptres; negative is more myopic than
// predicted. The surgeon's target has no part in it. It fails beyond 100 D.
//
// Source: Hoffer KJ et al. Am J Ophthalmol 2015;160:403-405 (citation from
// memory).
func PredictionError(achieved, predicted float64) (float64, error) {
	if err := checkPower("achieved_d", achieved); err != nil {
		return 0, err
	}
	if err := checkPower("predicted_d", predicted); err != nil {
		return 0, err
	}
	return positiveZero(achieved - predicted), nil
}

// Within is the share of eyes whose error is at most Dioptres, either way.
type Within struct {
	Dioptres float64 `json:"dioptres"`
	Rate     Rate    `json:"rate"`
}

// PredictionResult sums up the prediction errors of a group, in dioptres. SD is
// nil for a single eye.
type PredictionResult struct {
	N              int      `json:"n"`
	Mean           float64  `json:"mean_d"`
	SD             *float64 `json:"sd_d"`
	MeanAbsolute   float64  `json:"mean_absolute_d"`
	MedianAbsolute float64  `json:"median_absolute_d"`
	Within         []Within `json:"within"`
}

// NewPredictionResult sums up prediction errors in dioptres. The shares within
// 0.25, 0.50, 1.00 and 2.00 D are counted, never derived from the standard
// deviation: errors have longer tails than a normal curve. The order of the list
// does not matter. It fails with ErrNoCases on an empty list.
//
// Source: Wang L, Koch DD, Hill W, Abulafia A. J Cataract Refract Surg
// 2017;43:999-1002 (citation from memory).
func NewPredictionResult(errors []float64) (PredictionResult, error) {
	if len(errors) == 0 {
		return PredictionResult{}, ErrNoCases
	}
	for i, e := range errors {
		if !(e >= -2*maxPower && e <= 2*maxPower) {
			return PredictionResult{}, outside("errors["+strconv.Itoa(i)+"]", e, "-200 to 200")
		}
	}
	sorted := slices.Clone(errors)
	slices.Sort(sorted)
	absolute := make([]float64, len(sorted))
	for i, e := range sorted {
		absolute[i] = math.Abs(e)
	}
	slices.Sort(absolute)
	r := PredictionResult{N: len(sorted), MedianAbsolute: quantileOf(absolute, 0.5, 7)}
	r.Mean, r.SD = meanAndSD(sorted)
	r.MeanAbsolute, _ = meanAndSD(absolute)
	for _, edge := range predictionEdges {
		count := 0
		for _, a := range absolute {
			if a <= edge+edgeRounding {
				count++
			}
		}
		rate, err := NewRate(count, len(absolute))
		if err != nil {
			return PredictionResult{}, err
		}
		r.Within = append(r.Within, Within{Dioptres: edge, Rate: rate})
	}
	return r, nil
}
