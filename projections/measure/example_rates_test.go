package measure_test

import (
	"fmt"

	"lensledger/projections/measure"
)

// Ten invented prediction errors of one lens model and formula: the mean and what
// would zero it, to verify on other eyes.
func ExampleNewLensConstant() {
	errors := []float64{0.31, -0.12, 0.45, 0.08, 0.52, 0.27, -0.05, 0.36, 0.19, 0.24}
	c, err := measure.NewLensConstant(errors, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d eyes, mean %.3f D (95 %% CI %.3f to %.3f), SD %.3f; a shift of every error by %.3f would zero it\n",
		c.N, c.Mean, c.Interval.Lower, c.Interval.Upper, c.SD, c.Shift)
	_, err = measure.NewLensConstant(errors[:1], 0.95)
	fmt.Println(err)
	// Output:
	// 10 eyes, mean 0.225 D (95 % CI 0.078 to 0.372), SD 0.206; a shift of every error by -0.225 would zero it
	// errors is 1, allowed is at least 2
}

// Ten operations with two ruptures are far too few to recalibrate a model, and
// the error says how few.
func ExampleRecalibrate() {
	model := measure.CapsuleRupture2009()
	var predictors []float64
	var events []bool
	for i := range 10 {
		x, err := model.LogOddsRatio(measure.Factors{AgeYears: age(55 + 4*i), Sex: "female"})
		if err != nil {
			fmt.Println(err)
			return
		}
		predictors, events = append(predictors, x), append(events, i == 3 || i == 8)
	}
	_, err := measure.Recalibrate(model, predictors, events, measure.RecalibrationRequest{
		Name: "capsule-rupture-harbour", Version: "2025", Population: "HARBOUR, 2024", MinimumEvents: measure.RecalibrationEvents})
	fmt.Println(err)
	// Output: events (or cases without) number 2, at least 100 are needed
}

// Ten invented durations: what is left however many cases follow, and the steps
// of the best curve that never rises, each with the interval of its mean.
func ExampleNewPowerCurve() {
	var values []measure.CaseValue
	for i, minutes := range []float64{52, 41, 35, 33, 30, 29.5, 27, 27.5, 25, 26} {
		values = append(values, measure.CaseValue{Case: i + 1, Value: minutes})
	}
	curve, err := measure.NewPowerCurve(values, true)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("floor %.1f (95 %% CI %.1f to %.1f), exponent %.2f (%.2f to %.2f)\n",
		curve.C.Value, curve.C.Lower, curve.C.Upper, curve.B.Value, curve.B.Lower, curve.B.Upper)
	fit, err := measure.Isotonic(values, true)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, step := range fit.Steps[6:] {
		fmt.Printf("cases %d to %d: %.2f (95 %% CI %.2f to %.2f)\n", step.First, step.Last, step.Value, step.Interval.Lower, step.Interval.Upper)
	}
	// Output:
	// floor 13.0 (95 % CI 3.7 to 22.2), exponent 0.50 (0.29 to 0.71)
	// cases 7 to 8: 27.25 (95 % CI 24.07 to 30.43)
	// cases 9 to 10: 25.50 (95 % CI 19.15 to 31.85)
}
