package measure_test

import (
	"fmt"

	"lensledger/projections/measure"
)

// Holladay JT. J Cataract Refract Surg 2004;30:287-290: the mean of 20/20 and
// 20/200 is 20/63.
func ExampleMeanAcuity() {
	var list []measure.Acuity
	for _, text := range []string{"20/20", "20/200"} {
		a, err := measure.ParseAcuity(measure.NotationFeet, text)
		if err != nil {
			fmt.Println(err)
			return
		}
		list = append(list, a)
	}
	mean, err := measure.MeanAcuity(list)
	if err != nil {
		fmt.Println(err)
		return
	}
	text, err := mean.In(measure.NotationFeet)
	fmt.Println(mean.LogMARHundredths, text, err)
	// Output: 50 20/63 <nil>
}

// Ten invented eyes before and after. The eye without light perception before
// has nothing to lose and leaves the denominator.
func ExampleVisualLoss() {
	eyes := [][2]string{{"6/12", "6/6"}, {"6/18", "6/9"}, {"6/24", "6/60"}, {"6/9", "6/18"}, {"6/12", "6/12"},
		{"6/36", "6/6"}, {"6/60", "counting-fingers"}, {"6/18", "6/6"}, {"no-light-perception", "no-light-perception"}, {"6/6", "6/12"}}
	read := func(text string) (measure.Acuity, error) {
		if text[0] != '6' {
			return measure.NewLowVision(measure.LowVision(text), measure.ConventionA)
		}
		return measure.ParseAcuity(measure.NotationMetres, text)
	}
	lost, n := 0, 0
	for _, eye := range eyes {
		before, err := read(eye[0])
		if err != nil {
			fmt.Println(err)
			return
		}
		after, err := read(eye[1])
		if err != nil {
			fmt.Println(err)
			return
		}
		loss, err := measure.VisualLoss(before, after)
		if err != nil {
			fmt.Println("left out:", err)
			continue
		}
		n++
		if loss {
			lost++
		}
	}
	rate, err := measure.NewRate(lost, n)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d of %d (%.1f %%, 95 %% CI %.1f to %.1f)\n", rate.Events, rate.N, 100*rate.Rate, 100*rate.Wilson.Lower, 100*rate.Wilson.Upper)
	// Output:
	// left out: before is "no-light-perception", allowed is light perception or better
	// 4 of 9 (44.4 %, 95 % CI 18.9 to 73.3)
}

// One lens in both notations is one power vector.
func ExampleRefraction_Vector() {
	axis := 30.0
	minus := measure.Refraction{Sphere: -2, Cylinder: -1.5, Axis: &axis}
	plus, err := minus.PlusCylinder()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%+.2f %+.2f x %.0f\n", plus.Sphere, plus.Cylinder, *plus.Axis)
	for _, lens := range []measure.Refraction{minus, plus} {
		v, err := lens.Vector()
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("M %.4f, J0 %.4f, J45 %.4f\n", v.M, v.J0, v.J45)
	}
	// Output:
	// -3.50 +1.50 x 120
	// M -2.7500, J0 0.3750, J45 0.6495
	// M -2.7500, J0 0.3750, J45 0.6495
}

// A cornea of 1 D at 180 that becomes one of 1 D at 90 changed by 2 D, though
// the amounts are equal.
func ExampleInduced() {
	flat, steep := 180.0, 90.0
	change, err := measure.Induced(measure.Astigmatism{Amount: 1, Axis: &flat}, measure.Astigmatism{Amount: 1, Axis: &steep})
	if err != nil {
		fmt.Println(err)
		return
	}
	a, err := change.Astigmatism()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f D at %.0f\n", a.Amount, *a.Axis)
	// Output: 2.00 D at 90
}

// Ten invented eyes: achieved and predicted spherical equivalents.
func ExampleNewPredictionResult() {
	eyes := [][2]float64{{-0.25, -0.21}, {-0.50, -0.12}, {0.25, -0.30}, {0, -0.18}, {-1.50, -0.40},
		{-0.25, -0.25}, {0.50, 0.02}, {-0.75, -0.25}, {-2.75, -0.33}, {-0.125, -0.31}}
	var list []float64
	for _, eye := range eyes {
		e, err := measure.PredictionError(eye[0], eye[1])
		if err != nil {
			fmt.Println(err)
			return
		}
		list = append(list, e)
	}
	r, err := measure.NewPredictionResult(list)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("mean %.3f, SD %.3f, mean absolute %.3f, median absolute %.3f\n", r.Mean, *r.SD, r.MeanAbsolute, r.MedianAbsolute)
	for _, w := range r.Within {
		fmt.Printf("within %.2f D: %d of %d\n", w.Dioptres, w.Rate.Events, w.Rate.N)
	}
	// Output:
	// mean -0.304, SD 0.890, mean absolute 0.584, median absolute 0.430
	// within 0.25 D: 4 of 10
	// within 0.50 D: 7 of 10
	// within 1.00 D: 8 of 10
	// within 2.00 D: 9 of 10
}

// Ten invented cases: the edge case 5 is in the first band, case 6 in the second,
// and a band without cases has no rate.
func ExampleRateByBand() {
	var cases []measure.CaseEvent
	for n := 1; n <= 10; n++ {
		cases = append(cases, measure.CaseEvent{Case: n, Event: n == 2 || n == 5 || n == 8})
	}
	bands, err := measure.RateByBand(cases, []int{5, 10})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, b := range bands {
		switch {
		case b.Rate == nil:
			fmt.Printf("from case %d: no cases\n", b.First)
		default:
			fmt.Printf("cases %d to %d: %d of %d (%.0f %%, 95 %% CI %.0f to %.0f)\n", b.First, *b.Last, b.Rate.Events, b.Rate.N,
				100*b.Rate.Rate, 100*b.Rate.Wilson.Lower, 100*b.Rate.Wilson.Upper)
		}
	}
	// Output:
	// cases 1 to 5: 2 of 5 (40 %, 95 % CI 12 to 77)
	// cases 6 to 10: 1 of 5 (20 %, 95 % CI 4 to 62)
	// from case 11: no cases
}

// Ten invented durations that fall with experience, and the best curve that
// never rises.
func ExampleMonotone() {
	var values []measure.CaseValue
	for i, minutes := range []float64{38, 31, 33, 27, 29, 25, 22, 24, 21, 20} {
		values = append(values, measure.CaseValue{Case: i + 1, Value: minutes})
	}
	fit, err := measure.Monotone(values)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Print("falling ", fit.Falling, ":")
	for _, p := range fit.Points {
		fmt.Print(" ", p.Value)
	}
	fmt.Println()
	law, err := measure.NewPowerLaw(values)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("slope %.3f (95 %% CI %.3f to %.3f)\n", law.Slope, law.Lower, law.Upper)
	// Output:
	// falling true: 38 32 32 28 28 25 23 23 21 20
	// slope -0.267 (95 % CI -0.347 to -0.187)
}

// Ten cases with one event are far too few to fit anything, and the error says
// how few.
func ExampleFitLogistic() {
	var terms [][]float64
	var events []bool
	for i := range 10 {
		terms, events = append(terms, []float64{float64(i % 2)}), append(events, i == 3)
	}
	_, err := measure.FitLogistic(terms, events, measure.EventsPerTerm)
	fmt.Println(err)
	// Output: events (or cases without) number 1, at least 10 are needed
}
