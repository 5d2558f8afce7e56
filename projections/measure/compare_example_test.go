package measure_test

import (
	"fmt"

	"lensledger/projections/measure"
)

// Two groups of ten, one rupture and four: the difference says how little ten
// cases settle.
func ExampleCompareRates() {
	c, err := measure.CompareRates(4, 10, 1, 10)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("difference %.0f %% (95 %% CI %.0f to %.0f)\n", 100*c.Difference,
		100*c.DifferenceInterval.Lower, 100*c.DifferenceInterval.Upper)
	fmt.Printf("ratio %.1f (95 %% CI %.1f to %.1f)\n", c.Ratio.Ratio, c.Ratio.Interval.Lower, c.Ratio.Interval.Upper)
	fmt.Printf("as unlikely or more so by chance: %.2f\n", c.FisherP)
	// Output:
	// difference 30 % (95 % CI -8 to 60)
	// ratio 4.0 (95 % CI 0.7 to 24.6)
	// as unlikely or more so by chance: 0.30
}

// Ten invented surgeons at a target of 1.01 %. One has too few cases. In 95 %
// limits chance alone puts some units outside.
func ExampleNewFunnel() {
	units := []measure.Unit{
		{Code: "a", Events: 2, N: 210}, {Code: "b", Events: 0, N: 60}, {Code: "c", Events: 9, N: 300},
		{Code: "d", Events: 1, N: 40}, {Code: "e", Events: 4, N: 410}, {Code: "f", Events: 1, N: 90},
		{Code: "g", Events: 3, N: 150}, {Code: "h", Events: 2, N: 500}, {Code: "i", Events: 1, N: 120},
		{Code: "j", Events: 0, N: 75},
	}
	f, err := measure.NewFunnel(measure.FunnelRequest{Target: 0.0101, MinimumCases: measure.FunnelMinimum, Units: units})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range f.Points {
		if p.Position95 != measure.Inside {
			fmt.Printf("%s: %d of %d is %s the 95 %% limits %.2f to %.2f %%, %s the 99.8 %% ones\n", p.Code, p.Events, p.N,
				p.Position95, 100*p.Limits95.Lower, 100*p.Limits95.Upper, p.Position998)
		}
	}
	fmt.Printf("%d held back, %d of %d outside, %.2f expected by chance\n", f.HeldBack, f.Outside95.Units, len(f.Points), f.Outside95.Expected)
	// Output:
	// c: 9 of 300 is above the 95 % limits 0.00 to 2.14 %, inside the 99.8 % ones
	// 1 held back, 1 of 9 outside, 0.51 expected by chance
}

// Ten cases on a boundary chart of 5 % against 10 %, events at the second and
// the third.
func ExampleResettingPath() {
	chart, err := measure.NewBoundaryChart(0.05, 0.10, 0.1, 0.1)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("s %.4f, h1 %.2f, h0 %.2f\n", chart.S, chart.H1, chart.H0)
	var scores []float64
	for i := range 10 {
		scores = append(scores, chart.Scores().Of(i == 1 || i == 2))
	}
	points, err := measure.ResettingPath(scores, chart.Limits())
	if err != nil {
		fmt.Println(err)
		return
	}
	last := points[len(points)-1]
	fmt.Printf("after %d cases %.3f, alarm %t\n", len(points), last.Value, last.Alarmed)

	for _, rate := range []float64{0.05, 0.10} {
		test, err := measure.SPRT{Scores: chart.Scores(), Limits: chart.Limits()}.Test(rate, 100)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("true rate %.0f %%: %.3f of tests end at the upper limit, after %.0f cases on average\n",
			100*rate, test.UnacceptableChance, test.CasesToEnd)
	}
	// Output:
	// s 0.0724, h1 2.94, h0 2.94
	// after 10 cases 1.276, alarm false
	// true rate 5 %: 0.079 of tests end at the upper limit, after 111 cases on average
	// true rate 10 %: 0.900 of tests end at the upper limit, after 96 cases on average
}

// Ten cases with risks of 1 to 10 %: how far observed may lie from expected
// after the last.
func ExampleObservedMinusExpectedLimits() {
	var risks []float64
	for i := range 10 {
		risks = append(risks, float64(i+1)/100)
	}
	limits, err := measure.ObservedMinusExpectedLimits(risks, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	last := limits[len(limits)-1]
	fmt.Printf("expected 0.55: from %+.2f to %+.2f\n", last.Lower, last.Upper)
	// Output:
	// expected 0.55: from -0.55 to +1.45
}
