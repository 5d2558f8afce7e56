package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// orNoCurve holds when err is nil, says that no curve fits best, or says which
// argument is wrong.
func orNoCurve(t *testing.T, err error) bool {
	t.Helper()
	if errors.Is(err, ErrNoCurve) {
		return false
	}
	return orRefused(t, err)
}

func finiteCalibration(t *testing.T, c Calibration) {
	t.Helper()
	allFinite(t, "calibration", c.InTheLarge.Value, c.InTheLarge.SE, c.Intercept.Value, c.Intercept.SE, c.Slope.Value, c.Slope.SE,
		c.CStatistic.Value, c.CStatistic.SE, c.CInterval.Lower, c.CInterval.Upper, c.Brier, c.ScaledBrier, c.LogLoss, c.ObservedExpected)
	if !(0 <= c.CInterval.Lower && c.CInterval.Lower <= c.CStatistic.Value && c.CStatistic.Value <= c.CInterval.Upper && c.CInterval.Upper <= 1) {
		t.Errorf("c-statistic %+v in %+v", c.CStatistic, c.CInterval)
	}
}

func FuzzRecalibrate(f *testing.F) {
	f.Add(uint64(0x8421084210842108), uint64(1), 0.01, 1.3, 0.5, 20)
	f.Add(uint64(0xFFFFFFFF00000000), uint64(2), 1e-12, 1e300, 29.0, 20)
	f.Add(uint64(0x5555555555555555), uint64(3), math.NaN(), 0.0, math.Inf(1), -1)
	f.Fuzz(func(t *testing.T, outcomes, seed uint64, reference, oddsRatio, scale float64, minimum int) {
		random := rand.New(rand.NewPCG(seed, 2))
		model := Model{Name: "x", Version: "1", Population: "x", ReferencePRef: reference, ReferenceRate: reference,
			Terms: []Term{{Name: "male", Levels: []Level{word("sex", "male", oddsRatio)}}, {Name: "small", Levels: []Level{word("pupil", "small", oddsRatio)}}}}
		if x, err := model.LogOddsRatio(Factors{Sex: "male", Pupil: "small"}); orRefused(t, err) {
			allFinite(t, "log odds ratio", x)
		}
		predictors, events := make([]float64, 64), make([]bool, 64)
		for i := range predictors {
			predictors[i], events[i] = scale*random.Float64(), outcomes>>i&1 == 1
		}
		got, err := Recalibrate(model, predictors, events,
			RecalibrationRequest{Name: "y", Version: "1", Population: "y", MinimumEvents: minimum})
		if !orNoFit(t, err) {
			return
		}
		finiteCalibration(t, got.Before)
		finiteCalibration(t, got.After)
		risk, err := got.Model.Risk(Factors{Sex: "male", Pupil: "small"})
		if orRefused(t, err) && !(risk.Probability > 0 && risk.Probability <= 1) {
			t.Errorf("%+v gives %+v", got.Model, risk)
		}
		if math.Abs(got.After.Expected-float64(got.After.Events)) > 1e-4 {
			t.Errorf("recalibrated risks add up to %g, events are %d", got.After.Expected, got.After.Events)
		}
	})
}

func FuzzCalibration(f *testing.F) {
	f.Add(uint64(0x8421084210842108), 0.01, 0.2, 0.2, 10, 3, 2.9)
	f.Add(uint64(0), 1e-12, 1-1e-12, 0.5, 1_000_000_000, 1_000_000_000, 1e-300)
	f.Fuzz(func(t *testing.T, outcomes uint64, p1, p2, p3 float64, n, observed int, expected float64) {
		var risks []float64
		var events []bool
		for i := range 60 {
			risks, events = append(risks, []float64{p1, p2, p3}[i%3]), append(events, outcomes>>i&1 == 1)
		}
		if loss, err := LogLoss(risks, events); orRefused(t, err) && !(loss >= 0 && finite(loss)) {
			t.Errorf("log loss %g", loss)
		}
		if scaled, err := ScaledBrier(risks, events); orNoFit(t, err) && !(scaled <= 1 && finite(scaled)) {
			t.Errorf("scaled Brier %g", scaled)
		}
		if c, err := NewCalibration(risks, events); orNoFit(t, err) {
			finiteCalibration(t, c)
		}
		for _, cut := range []func([]float64, []bool) ([]RiskGroup, error){Deciles, QuantileGroups} {
			groups, err := cut(risks, events)
			if !orRefused(t, err) {
				continue
			}
			count := 0
			for _, g := range groups {
				count += g.N
			}
			if count != len(risks) {
				t.Errorf("%d of %d cases in %+v", count, len(risks), groups)
			}
			checkHosmerLemeshow(t, groups)
		}
		checkHosmerLemeshow(t, []RiskGroup{{N: n, Observed: observed, Expected: expected}, {N: 10, Observed: 1, Expected: p1}})
	})
}

func checkHosmerLemeshow(t *testing.T, groups []RiskGroup) {
	t.Helper()
	h, err := NewHosmerLemeshow(groups)
	if !orRefused(t, err) {
		return
	}
	if !(h.ChiSquared >= 0 && finite(h.ChiSquared) && h.P >= 0 && h.P <= 1) {
		t.Errorf("%+v: %+v", groups, h)
	}
	if h.PFitted != nil && !(*h.PFitted >= 0 && *h.PFitted <= h.P+1e-12) {
		t.Errorf("%+v: %+v, fitted %g", groups, h, *h.PFitted)
	}
}

func FuzzWald(f *testing.F) {
	f.Add(1.0, 0.5)
	f.Add(1e308, 1e-308)
	f.Add(math.NaN(), 0.0)
	f.Fuzz(func(t *testing.T, coefficient, se float64) {
		tests, err := Logistic{Coefficients: []float64{coefficient}, StandardErrors: []float64{se}}.Wald()
		if orRefused(t, err) && !(finite(tests[0].Z) && tests[0].P >= 0 && tests[0].P <= 1) {
			t.Errorf("%g with %g: %+v", coefficient, se, tests)
		}
	})
}

func FuzzPowerCurve(f *testing.F) {
	f.Add(1, 2, 3, 4, 30.0, 20.0, 16.0, 14.0, 0.95, 100, true)
	f.Add(1, 1, 1_000_000_000, 999_999_999, 1e-9, 1e9, 1e9, -1e9, 0.999999999, 1_000_000_000, false)
	f.Add(-1, 0, 5, 6, math.NaN(), 0.0, math.Inf(1), 0.0, 0.0, 0, true)
	f.Fuzz(func(t *testing.T, n1, n2, n3, n4 int, a, b, c, d, conf float64, at int, floor bool) {
		values := []CaseValue{{n1, a}, {n2, b}, {n3, c}, {n4, d}, {n1, d}}
		curve, err := NewPowerCurve(values, floor)
		if orNoCurve(t, err) {
			allFinite(t, "power curve", curve.A.Value, curve.A.SE, curve.A.Lower, curve.B.Value, curve.B.SE, curve.B.Upper, curve.RSS, curve.Sigma)
			if (curve.C != nil) != floor || (curve.C != nil && !finite(curve.C.SE)) || (curve.AIC != nil && !finite(*curve.AIC)) {
				t.Errorf("%v: %+v", values, curve)
			}
			if value, interval, err := curve.At(at, conf); orRefused(t, err) {
				allFinite(t, "power curve at", value, interval.Lower, interval.Upper)
				if !(interval.Lower <= value && value <= interval.Upper) {
					t.Errorf("%v at %d: %g in %+v", values, at, value, interval)
				}
			}
		}
		if law, err := NewPowerLaw(values); orRefused(t, err) {
			allFinite(t, "smearing factor", law.Smearing)
			if rate, err := law.LearningRate(); orRefused(t, err) {
				allFinite(t, "learning rate", rate)
			}
		}
		if fit, err := Monotone(values); orRefused(t, err) {
			for _, step := range fit.Steps {
				allFinite(t, "step", step.Value)
				if i := step.Interval; i != nil && !(finite(i.Lower) && i.Lower <= step.Value && step.Value <= i.Upper && finite(i.Upper)) {
					t.Errorf("%v: %+v in %+v", values, step, i)
				}
			}
		}
	})
}

func FuzzLoess(f *testing.F) {
	f.Add(1, 2, 3, 4, 30.0, 20.0, 16.0, 1.0, 1, 2)
	f.Add(1, 1, 1_000_000_000, 999_999_999, 1e-9, 1e9, -1e9, 0.6, 2, 7)
	f.Add(-1, 0, 5, 6, math.NaN(), 0.0, math.Inf(1), math.NaN(), 0, 0)
	f.Fuzz(func(t *testing.T, n1, n2, n3, n4 int, a, b, c, span float64, degree, at int) {
		values := []CaseValue{{n1, a}, {n2, b}, {n3, c}, {n4, a}, {n1, c}, {n2, c}}
		points, err := Loess(values, span, degree, []int{n1, n2, n3, at})
		if !orRefused(t, err) {
			return
		}
		for _, p := range points {
			allFinite(t, "loess", p.Value, p.SE)
			if p.SE < 0 {
				t.Errorf("%v: %+v", values, p)
			}
		}
	})
}

func FuzzModels(f *testing.F) {
	f.Add("capsule-rupture-2009", "", 0.01, 3.0)
	f.Fuzz(func(t *testing.T, name, version string, rate, oddsRatio float64) {
		model, ok := LookupModel(name, version)
		if !ok {
			model = CapsuleRupture2009()
		}
		if again, err := model.Recalibrated(rate, "fuzz", "1"); orRefused(t, err) {
			model = again
		}
		if p, err := model.Probability(oddsRatio); orRefused(t, err) {
			allFinite(t, "probability", p)
			if p < 0 || p > 1 {
				t.Errorf("probability %g", p)
			}
		}
	})
}
