package measure_test

import (
	"fmt"

	"lensledger/projections/measure"
)

// Ten operations, one capsule rupture: 10 %, and how little that says.
func ExampleNewRate() {
	rate, err := measure.NewRate(1, 10)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d of %d (%.1f %%, 95 %% CI %.1f to %.1f)\n", rate.Events, rate.N,
		100*rate.Rate, 100*rate.Wilson.Lower, 100*rate.Wilson.Upper)
	fmt.Printf("exact %.1f to %.1f\n", 100*rate.Exact.Lower, 100*rate.Exact.Upper)

	_, err = measure.NewRate(0, 0)
	fmt.Println(err)
	// Output:
	// 1 of 10 (10.0 %, 95 % CI 1.8 to 40.4)
	// exact 0.3 to 44.5
	// no cases, so no rate and no interval
}

// tenPatients are invented: five at the reference, and five who are harder.
func tenPatients() []measure.Factors {
	young := measure.Factors{AgeYears: age(55), Sex: "female"}
	return []measure.Factors{
		young, young, young, young, young,
		{AgeYears: age(75), Sex: "male"},
		{AgeYears: age(75), Sex: "female", Pseudoexfoliation: measure.Yes},
		{AgeYears: age(82), Sex: "female", Pupil: "small"},
		{AgeYears: age(91), Sex: "male", BrunescentCataract: measure.Yes},
		{AgeYears: age(68), Sex: "male", AlphaBlocker: "doxazosin"},
	}
}

func age(years int) *int { return &years }

// Ten patients with their expected risks and one rupture: observed over
// expected, times the reference rate, is the adjusted rate. It stays below the
// crude 10 % because these eyes were harder than average.
func ExampleAdjustedRate() {
	model := measure.DefaultModel()
	expected := 0.0
	for i, patient := range tenPatients() {
		risk, err := model.Risk(patient)
		if err != nil {
			fmt.Println(err)
			return
		}
		expected += risk.Probability
		if i >= 5 {
			fmt.Printf("case %d: odds ratio %.4f, risk %.2f %%\n", i+1, risk.CompositeOddsRatio, 100*risk.Probability)
		}
	}
	adjusted, err := measure.AdjustedRate(1, expected, model, measure.Reference2016To2022())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("expected %.4f, observed over expected %.2f\n", expected, adjusted.Ratio.Ratio)
	fmt.Printf("adjusted rate %.2f %%, exact 95 %% limits %.2f to %.2f\n",
		100*adjusted.Rate, 100*adjusted.Exact.Lower, 100*adjusted.Exact.Upper)
	// Output:
	// case 6: odds ratio 1.8176, risk 0.70 %
	// case 7: odds ratio 4.1464, risk 1.58 %
	// case 8: odds ratio 2.2910, risk 0.88 %
	// case 9: odds ratio 9.0705, risk 3.39 %
	// case 10: odds ratio 2.2034, risk 0.85 %
	// expected 0.0933, observed over expected 10.72
	// adjusted rate 10.85 %, exact 95 % limits 0.27 to 60.46
}

// Ten cases with the same ten risks, ruptures at the fourth and the eighth, on a
// chart that watches for doubled odds.
func ExamplePath() {
	model := measure.DefaultModel()
	var scores []float64
	for i, patient := range tenPatients() {
		risk, err := model.Risk(patient)
		if err != nil {
			fmt.Println(err)
			return
		}
		s, err := measure.LLR(risk.Probability, 2)
		if err != nil {
			fmt.Println(err)
			return
		}
		scores = append(scores, s.Of(i == 3 || i == 7))
	}
	points, err := measure.Path(scores, 1.3)
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, p := range points {
		fmt.Printf("%2d  %+.4f  %.4f  alarm %t\n", i+1, p.Score, p.Value, p.Alarm)
	}
	// Output:
	//  1  -0.0039  0.0000  alarm false
	//  2  -0.0039  0.0000  alarm false
	//  3  -0.0039  0.0000  alarm false
	//  4  +0.6893  0.6893  alarm false
	//  5  -0.0039  0.6854  alarm false
	//  6  -0.0070  0.6785  alarm false
	//  7  -0.0157  0.6628  alarm false
	//  8  +0.6844  1.3472  alarm true
	//  9  -0.0334  1.3138  alarm false
	// 10  -0.0084  1.3054  alarm false
}

// A chart for a supervised trainee: 3 % is acceptable, doubled odds are watched
// for, and a false alarm within 100 cases may have a chance of 5 %.
func ExampleNewDesign() {
	d, err := measure.NewDesign(measure.DesignRequest{Acceptable: 0.03, OddsRatio: 2, FalseAlarmChance: 0.05, WithinCases: 100})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("threshold %.4f, scores %+.4f and %+.4f\n", d.Threshold, d.Scores.Event, d.Scores.NoEvent)
	fmt.Printf("acceptable: alarm after %.0f cases on average, half of them by %.0f\n",
		d.InControl.AverageRunLength, d.InControl.MedianRunLength)
	fmt.Printf("doubled odds: alarm after %.0f cases on average, half of them by %.0f\n",
		d.OutOfControl.AverageRunLength, d.OutOfControl.MedianRunLength)
	// Output:
	// threshold 2.3588, scores +0.6636 and -0.0296
	// acceptable: alarm after 1129 cases on average, half of them by 798
	// doubled odds: alarm after 156 cases on average, half of them by 123
}
