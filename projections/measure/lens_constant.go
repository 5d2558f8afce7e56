package measure

import (
	"math"
	"slices"
	"strconv"
)

// LensConstant is what the prediction errors of one lens model with one formula
// say about its constant, in dioptres at the spectacle plane: the mean error with
// its interval (Student's t), and the shift that, added to every error, would
// make their mean 0; every prediction would then move by as much the other way.
// It is advice to verify on other eyes, and nothing here ever applies it.
type LensConstant struct {
	N        int      `json:"n"`
	Mean     float64  `json:"mean_d"`
	Interval Interval `json:"mean_interval"`
	SD       float64  `json:"sd_d"`
	Shift    float64  `json:"error_shift_d"`
}

// NewLensConstant takes the errors (achieved minus predicted, in dioptres, see
// PredictionError) of eyes with one lens model, formula and constant, one eye for
// each patient, and the confidence of the interval. The order of the list does
// not matter. It fails with ErrNoCases on an empty list, and refuses a single
// error and errors that are all alike: neither has a spread to judge a shift by.
//
// Source: Hoffer KJ et al. Am J Ophthalmol 2015;160:403-405 (citation from
// memory), zeroing of the mean error; Langenbucher A et al. PLoS One 2022.
// 10.1371/journal.pone.0267352.
func NewLensConstant(errors []float64, conf float64) (LensConstant, error) {
	if err := checkConf(conf); err != nil {
		return LensConstant{}, err
	}
	if len(errors) == 0 {
		return LensConstant{}, ErrNoCases
	}
	for i, e := range errors {
		if !(e >= -2*maxPower && e <= 2*maxPower) {
			return LensConstant{}, outside("errors["+strconv.Itoa(i)+"]", e, "-200 to 200")
		}
	}
	if len(errors) < 2 {
		return LensConstant{}, outsideCount("errors", len(errors), "at least 2")
	}
	sorted := slices.Clone(errors)
	slices.Sort(sorted)
	mean, sd := meanAndSD(sorted)
	if !(*sd >= 1e-9) {
		return LensConstant{}, outside("variance of errors", 0, "more than 0")
	}
	n := float64(len(sorted))
	half := float64(studentQuantile(conf, n-1)*(*sd)) / math.Sqrt(n)
	return LensConstant{N: len(sorted), Mean: positiveZero(mean), SD: *sd, Shift: positiveZero(-mean),
		Interval: Interval{Method: "student", Lower: mean - half, Upper: mean + half}}, nil
}

// AConstant is the same for eyes whose biometry is known: Errors are those of
// SRK/T with the constant in use, PerUnit is by how many dioptres its mean
// prediction rises for one more of the constant, and Zeroing the constant at
// which the mean error is 0, its interval that of the mean error carried over.
// Shift is Zeroing less InUse. It is advice to verify on other eyes, and nothing
// here ever applies it.
type AConstant struct {
	InUse    float64      `json:"constant_in_use"`
	Errors   LensConstant `json:"errors"`
	PerUnit  float64      `json:"prediction_per_unit_d"`
	Zeroing  float64      `json:"constant_zeroing_mean"`
	Interval Interval     `json:"constant_interval"`
	Shift    float64      `json:"constant_shift"`
}

// NewAConstant finds by bisection the A-constant from 110 to 125 that makes the
// mean error of SRK/T 0. It fails as NewLensConstant does, outside the bounds of
// LensEye, on an eye for which SRK/T has no prediction, and when no constant in
// that range does it: the fault then lies elsewhere, such as in the index of the
// keratometer.
//
// Source: as for SRKTPower and NewLensConstant.
func NewAConstant(eyes []LensEye, inUse, conf float64) (AConstant, error) {
	if err := checkA("constant_in_use", inUse); err != nil {
		return AConstant{}, err
	}
	if err := checkConf(conf); err != nil {
		return AConstant{}, err
	}
	if len(eyes) == 0 {
		return AConstant{}, ErrNoCases
	}
	list := make(lensEyes, len(eyes))
	for i, eye := range eyes {
		if err := eye.check(i); err != nil {
			return AConstant{}, err
		}
		list[i] = lensEye{newSRKTEye(eye.AxialLength, eye.K), eye.Power, eye.Achieved}
	}
	c := AConstant{InUse: inUse}
	var err error
	if c.Errors, err = list.summary(inUse, conf); err != nil {
		return AConstant{}, err
	}
	if c.Zeroing, err = list.constant(0, c.Errors.Mean); err != nil {
		return AConstant{}, err
	}
	zeroed, err := list.summary(c.Zeroing, conf)
	if err != nil {
		return AConstant{}, err
	}
	half := zeroed.Interval.Upper - zeroed.Mean
	c.Interval.Method = "student"
	// A larger constant predicts more, so its errors are smaller.
	if c.Interval.Lower, err = list.constant(half, c.Errors.Mean); err != nil {
		return AConstant{}, err
	}
	if c.Interval.Upper, err = list.constant(-half, c.Errors.Mean); err != nil {
		return AConstant{}, err
	}
	const step = 0.01
	below, err := list.mean(c.Zeroing - step)
	if err != nil {
		return AConstant{}, err
	}
	above, err := list.mean(c.Zeroing + step)
	if err != nil {
		return AConstant{}, err
	}
	c.PerUnit = (below - above) / (2 * step)
	c.Shift = positiveZero(c.Zeroing - inUse)
	return c, nil
}

type lensEye struct {
	eye             srktEye
	power, achieved float64
}

type lensEyes []lensEye

// errors gives the prediction errors at a constant.
func (l lensEyes) errors(a float64) ([]float64, error) {
	list := make([]float64, len(l))
	for i, e := range l {
		predicted, err := e.eye.refraction(a, e.power)
		if err != nil {
			return nil, outside("eyes["+strconv.Itoa(i)+"].axial_length_mm", e.eye.axialLength,
				"an eye for which SRK/T has a prediction with this cornea and power, at every constant from 110 to 125")
		}
		list[i] = e.achieved - predicted
	}
	slices.Sort(list)
	return list, nil
}

func (l lensEyes) summary(a, conf float64) (LensConstant, error) {
	list, err := l.errors(a)
	if err != nil {
		return LensConstant{}, err
	}
	return NewLensConstant(list, conf)
}

func (l lensEyes) mean(a float64) (float64, error) {
	list, err := l.errors(a)
	if err != nil {
		return 0, err
	}
	mean, _ := meanAndSD(list)
	return mean, nil
}

// constant is that at which the mean error is as wanted; inUse is the mean error
// now, for the refusal.
func (l lensEyes) constant(want, inUse float64) (float64, error) {
	var failed error
	left := func(a float64) float64 {
		mean, err := l.mean(a)
		if err != nil {
			failed = err
		}
		return want - mean
	}
	if low, high := left(leastA), left(mostA); failed == nil && !(low < 0 && high > 0) {
		return 0, outside("mean error", inUse, "one that a constant from 110 to 125 makes 0, as does either end of its interval")
	}
	a := bisect(leastA, mostA, left)
	return a, failed
}
