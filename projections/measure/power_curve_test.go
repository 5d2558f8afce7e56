package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// R's nls on the same 150 durations.
func TestPowerCurvesEqualReference(t *testing.T) {
	values, rows := learningCurve(t)
	curves := map[string]PowerCurve{
		"nls_a_n^-b":   must[PowerCurve](t)(NewPowerCurve(values, false)),
		"nls_c+a_n^-b": must[PowerCurve](t)(NewPowerCurve(values, true)),
	}
	for i, r := range rows {
		for column, f := range map[string]PowerCurve{"fit_nls2": curves["nls_a_n^-b"], "fit_nls3": curves["nls_c+a_n^-b"]} {
			got, interval, err := f.At(values[i].Case, .95)
			r.relative(column, must[float64](t)(got, err), 1e-6)
			if !(interval.Lower < got && got < interval.Upper) {
				t.Errorf("%s: %g in %+v", r.where, got, interval)
			}
		}
	}
	tested := 0
	for _, r := range readRows(t, "learning_curve_fit") {
		f, ok := curves[r.text("model")]
		if !ok {
			continue
		}
		tested++
		coefficient := map[string]*CurveCoefficient{"a": &f.A, "b": &f.B, "c": f.C}[r.text("name")]
		if coefficient != nil {
			r.relative("value", coefficient.Value, 1e-6)
			r.relative("se", coefficient.SE, 1e-6)
			// Student's t on 147 degrees of freedom with a floor, 148 without (tables).
			quantile := map[bool]float64{true: 1.976233308871, false: 1.976122494203}[f.C != nil]
			near(t, "half of the interval", (coefficient.Upper-coefficient.Lower)/2/coefficient.SE, quantile, 1e-6)
			continue
		}
		switch r.text("name") {
		case "rss":
			r.relative("value", f.RSS, 1e-6)
		case "sigma":
			r.relative("value", f.Sigma, 1e-6)
		case "aic":
			r.relative("value", *f.AIC, 1e-6)
		default:
			t.Errorf("%s: no such value here", r.where)
		}
	}
	if tested != 11 {
		t.Errorf("tested %d rows, want 11", tested)
	}
}

// Curves without noise come back as they were made, falling or rising, and their
// slopes agree with differences: the interval of the curve is their pull.
func TestPowerCurvesComeBack(t *testing.T) {
	for _, c := range []struct{ c, a, b float64 }{{14, 38, .55}, {-3, 20, .2}, {50, -30, .7}, {2, 5, -.4}, {1000, 1, 1.5}} {
		var values []CaseValue
		for n := 1; n <= 60; n++ {
			values = append(values, CaseValue{n * 3, c.c + c.a*math.Pow(float64(n*3), -c.b)})
		}
		f := must[PowerCurve](t)(NewPowerCurve(values, true))
		near(t, "b", f.B.Value, c.b, 1e-6*math.Abs(c.b))
		near(t, "a", f.A.Value, c.a, 1e-5*math.Abs(c.a))
		near(t, "c", f.C.Value, c.c, 1e-4*math.Abs(c.c))
	}
	// A constant has exponent 0 without a floor.
	f := must[PowerCurve](t)(NewPowerCurve([]CaseValue{{1, 5}, {2, 5}, {3, 5}, {9, 5}}, false))
	near(t, "a", f.A.Value, 5, 1e-9)
	near(t, "b", f.B.Value, 0, 1e-9)
	if f.C != nil {
		t.Errorf("a floor that was not asked for: %+v", f.C)
	}
}

// The interval holds the true curve in about 95 of 100 made-up curves.
func TestPowerCurveIntervalHolds(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5)) // seed 5, 5
	held, fitted := 0, 0
	for range 400 {
		var values []CaseValue
		for n := 1; n <= 80; n++ {
			values = append(values, CaseValue{n, 12 + 30*math.Pow(float64(n), -.6) + random.NormFloat64()})
		}
		f, err := NewPowerCurve(values, true)
		if err != nil {
			continue
		}
		fitted++
		_, interval, err := f.At(20, .95)
		if want := 12 + 30*math.Pow(20, -.6); err == nil && interval.Lower <= want && want <= interval.Upper {
			held++
		}
	}
	// Five standard errors of 400 draws are 5.4 %.
	if share := float64(held) / float64(fitted); fitted < 395 || math.Abs(share-.95) > .054 {
		t.Errorf("of %d curves the interval holds %g, want about 0.95", fitted, share)
	}
}

func TestPowerCurvesRefuse(t *testing.T) {
	fit := func(values []CaseValue, floor bool) error { _, err := NewPowerCurve(values, floor); return err }
	refused(t, "two values", fit([]CaseValue{{1, 1}, {2, 1}}, false), "values")
	refused(t, "three values", fit([]CaseValue{{1, 1}, {2, 1}, {3, 2}}, true), "values")
	refused(t, "one case number", fit([]CaseValue{{2, 1}, {2, 2}, {2, 3}}, false), "different case numbers")
	refused(t, "two case numbers", fit([]CaseValue{{2, 1}, {2, 2}, {4, 3}, {4, 4}}, true), "different case numbers")
	refused(t, "all alike", fit([]CaseValue{{1, 2}, {2, 2}, {3, 2}, {4, 2}}, true), "variance of values")
	// A step after the first case, and a straight line of the logarithm: no exponent
	// fits best.
	var step, line []CaseValue
	for n := 1; n <= 20; n++ {
		step = append(step, CaseValue{n, map[bool]float64{true: 9, false: 1}[n == 1]})
		line = append(line, CaseValue{n, 10 - math.Log(float64(n))})
	}
	for name, values := range map[string][]CaseValue{"step": step, "line": line} {
		if err := fit(values, true); !errors.Is(err, ErrNoCurve) {
			t.Errorf("%s: %v, want ErrNoCurve", name, err)
		}
	}
	f := must[PowerCurve](t)(NewPowerCurve([]CaseValue{{1, 9}, {2, 6}, {3, 5}, {4, 4}, {5, 4}}, false))
	_, _, err := f.At(0, .95)
	refused(t, "case 0", err, "at[0].case_number")
	_, _, err = f.At(1, 1)
	refused(t, "conf", err, "conf")
	_, _, err = PowerCurve{}.At(1, .95)
	refused(t, "no fit", err, "values")
	_, err = PowerLaw{Slope: 40}.LearningRate()
	refused(t, "slope", err, "slope")
}

// Simulated straight and power-shaped curves with a coefficient of variation of
// 16 %: the intervals of an isotonic fit hold the curve at 91 to 94 % of cases.
func TestIsotonicIntervalsHold(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 60)) // seed 11, 60
	for name, curve := range map[string]func(n float64) float64{
		"straight": func(n float64) float64 { return 40 - n/3 },
		"power":    func(n float64) float64 { return 14 + 38*math.Pow(n, -.55) },
	} {
		held, count := 0, 0
		for range 300 {
			var values []CaseValue
			for n := 1; n <= 60; n++ {
				values = append(values, CaseValue{n, curve(float64(n)) * math.Exp(.16*random.NormFloat64()-.0128)})
			}
			fit := must[IsotonicFit](t)(Isotonic(values, true))
			for _, step := range fit.Steps {
				if (step.N == 1) != (step.Interval == nil) {
					t.Fatalf("%+v", step)
				}
				for n := step.First; step.Interval != nil && n <= step.Last; n++ {
					count++
					if want := curve(float64(n)); step.Interval.Lower <= want && want <= step.Interval.Upper {
						held++
					}
				}
			}
		}
		if share := float64(held) / float64(count); share < .9 || share > .95 {
			t.Errorf("%s: the intervals hold the curve at %g of the cases", name, share)
		}
	}
}

// By hand: 4 and 2 become 3, 3, with spread sqrt(2) and Student's t on 1 degree of
// freedom, 12.7062.
func TestIsotonicStepsByHand(t *testing.T) {
	fit := must[IsotonicFit](t)(Isotonic([]CaseValue{{1, 1}, {5, 4}, {7, 2}, {9, 8}, {9, 8}}, false))
	if len(fit.Steps) != 3 {
		t.Fatalf("%+v", fit.Steps)
	}
	one, two, last := fit.Steps[0], fit.Steps[1], fit.Steps[2]
	if one != (IsotonicStep{First: 1, Last: 1, N: 1, Value: 1}) || last != (IsotonicStep{First: 9, Last: 9, N: 2, Value: 8}) {
		t.Errorf("%+v and %+v, want no interval for one value and for values all alike", one, last)
	}
	if two.First != 5 || two.Last != 7 || two.N != 2 || two.Value != 3 {
		t.Fatalf("%+v", two)
	}
	near(t, "upper", two.Interval.Upper, 3+12.706204736432, 1e-9)
	near(t, "lower", two.Interval.Lower, 3-12.706204736432, 1e-9)
}
