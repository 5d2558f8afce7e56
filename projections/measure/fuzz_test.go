package measure

import (
	"errors"
	"math"
	"testing"
)

// orRefused holds when err is nil or says which argument is wrong.
func orRefused(t *testing.T, err error) (ok bool) {
	t.Helper()
	var argument *ArgumentError
	var population *PopulationError
	if err == nil {
		return true
	}
	if !errors.Is(err, ErrNoCases) && !errors.As(err, &argument) && !errors.As(err, &population) {
		t.Errorf("got error %v, want a typed one", err)
	}
	return false
}

func allFinite(t *testing.T, what string, list ...float64) {
	t.Helper()
	for _, x := range list {
		if !finite(x) {
			t.Errorf("%s: %v holds NaN or infinity", what, list)
			return
		}
	}
}

func FuzzIntervals(f *testing.F) {
	f.Add(15, 148, 0.95)
	f.Add(0, 0, 0.5)
	f.Add(1, 1_000_000_000, 0.999999)
	f.Add(999_999_811, 1_000_000_000, 1.25e-6) // once gave a lower end above the upper one
	f.Fuzz(func(t *testing.T, x, n int, conf float64) {
		for name, method := range intervalMethods {
			got, err := method(x, n, conf)
			if !orRefused(t, err) {
				continue
			}
			allFinite(t, name, got.Lower, got.Upper)
			if !(0 <= got.Lower && got.Lower <= got.Upper && got.Upper <= 1) {
				t.Errorf("%s %d/%d at %g: %+v", name, x, n, conf, got)
			}
		}
		rate, err := NewRate(x, n)
		if orRefused(t, err) {
			allFinite(t, "rate", rate.Rate)
		}
	})
}

func FuzzExpected(f *testing.F) {
	f.Add(3, 2.9, 0.95, 0.01, 0.2)
	f.Add(0, 1e-9, 0.95, 0.0, 1.0)
	f.Add(1_000_000_000, 1e9, 0.5, 0.5, 0.5)
	f.Fuzz(func(t *testing.T, o int, e, conf, p1, p2 float64) {
		for _, method := range []func(int, float64, float64) (Interval, error){PoissonExact, Byar} {
			got, err := method(o, e, conf)
			if orRefused(t, err) {
				allFinite(t, "limits", got.Lower, got.Upper)
				if got.Lower < 0 || got.Lower > got.Upper {
					t.Errorf("%d of %g at %g: %+v", o, e, conf, got)
				}
			}
		}
		adjusted, err := AdjustedRate(o, e, DefaultModel(), Reference2016To2022())
		if orRefused(t, err) {
			allFinite(t, "adjusted", adjusted.Rate, adjusted.Exact.Lower, adjusted.Exact.Upper)
		}
		d, err := NewPoissonBinomial([]float64{p1, p2, p1})
		if orRefused(t, err) {
			for k := -1; k < 5; k++ {
				allFinite(t, "Poisson-binomial", d.Exactly(k), d.AtLeast(k), d.AtMost(k), d.UpperMidP(k))
			}
		}
	})
}

func FuzzRisk(f *testing.F) {
	f.Add(75, 23500, int8(1), int8(2), "male", "small", "doxazosin", "fellow", 0.03)
	f.Add(-1, 1, int8(9), int8(-1), "?", "", "none", "x", math.NaN())
	f.Fuzz(func(t *testing.T, age, length int, a, b int8, sex, pupil, blocker, grade string, rate float64) {
		factors := Factors{AgeYears: &age, AxialLengthUM: &length, Glaucoma: Answer(a), CanLieFlat: Answer(b),
			Sex: sex, Pupil: pupil, AlphaBlocker: blocker, Grade: grade}
		model := DefaultModel()
		if centred, err := model.At(rate); orRefused(t, err) {
			model = centred
		}
		for _, risk := range []func(Factors) (Risk, error){model.Risk, model.RiskWithGrade} {
			got, err := risk(factors)
			if orRefused(t, err) && !(got.Probability > 0 && got.Probability <= 1 && got.CompositeOddsRatio > 0) {
				t.Errorf("%+v: %+v", factors, got)
			}
		}
	})
}

func FuzzPath(f *testing.F) {
	f.Add(0.02, 2.0, 3.0, uint64(0xF0), 3)
	f.Add(1.0, -1.0, math.Inf(1), uint64(1), -1)
	f.Fuzz(func(t *testing.T, p, oddsRatio, threshold float64, outcomes uint64, restart int) {
		for _, s := range []func() (Scores, error){
			func() (Scores, error) { return LLR(p, oddsRatio) },
			func() (Scores, error) { return BernoulliScores(p, oddsRatio) },
			func() (Scores, error) { return CompetenceScores(p, oddsRatio) },
		} {
			scores, err := s()
			if !orRefused(t, err) {
				continue
			}
			allFinite(t, "scores", scores.Event, scores.NoEvent)
			list := make([]float64, 64)
			for i := range list {
				list[i] = scores.Of(outcomes>>i&1 == 1)
			}
			points, err := Path(list, threshold, restart)
			if !orRefused(t, err) {
				continue
			}
			for _, point := range points {
				allFinite(t, "point", point.Score, point.Value)
				if point.Value < 0 || point.Crossed != (point.Value >= threshold) || (point.Alarm && !point.Crossed) {
					t.Errorf("threshold %g: %+v", threshold, point)
				}
			}
		}
		if list, err := ObservedMinusExpected([]float64{p, oddsRatio}, []bool{true, false}); orRefused(t, err) {
			allFinite(t, "observed minus expected", list...)
		}
	})
}

func FuzzRunLength(f *testing.F) {
	f.Add(0.7, -0.02, 3.0, 0.0, 0.02, 100)
	f.Add(-0.7, 0.05, 2.0, 1.0, 0.1, 1000)
	f.Add(1e-9, -1e9, 1e6, 0.0, 1e-12, 1)
	f.Fuzz(func(t *testing.T, event, noEvent, threshold, head, p float64, n int) {
		chart := Chart{Scores: Scores{event, noEvent}, Threshold: threshold, HeadStart: head}
		if n > 2000 {
			n %= 2000
		}
		got, err := chart.RunLength(p, n)
		if orRefused(t, err) {
			checkRunLength(t, got)
		}
		_, err = chart.FewestCases()
		orRefused(t, err)
	})
}

func checkRunLength(t *testing.T, r RunLength) {
	t.Helper()
	allFinite(t, "run length", r.AverageRunLength, r.MedianRunLength)
	if r.AverageRunLength < 1-1e-9 || r.MedianRunLength < 1 {
		t.Errorf("run length below one case: %+v", r)
	}
	last := 0.0
	for _, a := range r.AlarmWithin {
		if !(a.Chance >= last && a.Chance <= 1) {
			t.Errorf("chances of an alarm do not rise from 0 to 1: %+v", r)
		}
		last = a.Chance
	}
}

func FuzzNewDesign(f *testing.F) {
	f.Add(0.02, 0.0, 2.0, 3.0, 0.0, 0, 0.0, 0.0, 0.0, false)
	f.Add(0.05, 0.1, 0.0, 0.0, 0.1, 100, 0.0, 0.0, 0.0, true)
	f.Add(0.0, 0.0, 2.0, 0.0, 0.05, 300, 0.0, 0.01, 0.05, false)
	f.Fuzz(func(t *testing.T, acceptable, unacceptable, oddsRatio, threshold, chance float64, cases int, run, risk1, risk2 float64, competence bool) {
		request := DesignRequest{Acceptable: acceptable, Unacceptable: unacceptable, OddsRatio: oddsRatio,
			Threshold: threshold, FalseAlarmChance: chance, WithinCases: cases, RunLength: run}
		if cases > 500 {
			request.WithinCases = cases % 500
		}
		if risk1 != 0 {
			request.CaseMix = []MixPoint{{risk1, .6}, {risk2, .4}}
		}
		if competence {
			request.Kind = Competence
		}
		d, err := NewDesign(request)
		if !orRefused(t, err) {
			return
		}
		allFinite(t, "design", d.Threshold, d.Scores.Event, d.Scores.NoEvent, d.RelativeError)
		checkRunLength(t, d.InControl)
		checkRunLength(t, d.OutOfControl)
	})
}

func FuzzFixedList(f *testing.F) {
	f.Add(0.01, 0.2, 2.0, 3.0, 1.0)
	f.Add(0.5, 0.999, 0.001, 0.001, 1000.0)
	f.Fuzz(func(t *testing.T, p1, p2, oddsRatio, threshold, times float64) {
		by, err := FixedList([]float64{p1, p2, p1, p1, p2}, oddsRatio, threshold, times)
		if !orRefused(t, err) {
			return
		}
		last := 0.0
		for _, chance := range by {
			if !(chance >= last && chance <= 1) {
				t.Errorf("chances %v do not rise from 0 to 1", by)
			}
			last = chance
		}
	})
}
