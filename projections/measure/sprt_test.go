package measure

import (
	"math"
	"testing"
)

// Computed in R from the formulas of Bolsin S, Colson M. Int J Qual Health Care
// 2000;12:433-438 (formulas from memory).
func TestBoundaryChartEqualsTable(t *testing.T) {
	for _, c := range []struct{ acceptable, unacceptable, alpha, beta, p, q, s, h1, h0 float64 }{
		{.05, .10, .1, .1, 0.693147, 0.054067, 0.072358, 2.940554, 2.940554},
		{.02, .04, .1, .1, 0.693147, 0.020619, 0.028888, 3.078352, 3.078352},
		{.05, .15, .1, .1, 1.098612, 0.111226, 0.091934, 1.816131, 1.816131},
		{.05, .10, .05, .2, 0.693147, 0.054067, 0.072358, 3.710566, 2.085271},
		{.05, .10, .01, .01, 0.693147, 0.054067, 0.072358, 6.149667, 6.149667},
	} {
		got := must[BoundaryChart](t)(NewBoundaryChart(c.acceptable, c.unacceptable, c.alpha, c.beta))
		near(t, "P", got.P, c.p, 0.5e-6+1e-12)
		near(t, "Q", got.Q, c.q, 0.5e-6+1e-12)
		near(t, "s", got.S, c.s, 0.5e-6+1e-12)
		near(t, "h1", got.H1, c.h1, 0.5e-6+1e-12)
		near(t, "h0", got.H0, c.h0, 0.5e-6+1e-12)
		near(t, "an event raises by", got.Scores().Event, 1-c.s, 0.5e-6+1e-12)
		near(t, "no event lowers by", -got.Scores().NoEvent, c.s, 0.5e-6+1e-12)
		if got.Limits() != (WaldLimits{Lower: -got.H0, Upper: got.H1}) {
			t.Errorf("limits %+v of %+v", got.Limits(), got)
		}
	}
}

// ln((1-b)/a) and ln(b/(1-a)), computed in R. Alpha .05 with beta .2 and alpha
// .01 with beta .1 are the two lines of de Leval MR et al. J Thorac Cardiovasc
// Surg 1994;107:914-924.
func TestWaldLimits(t *testing.T) {
	for _, c := range []struct{ alpha, beta, upper, lower, tolerance float64 }{
		{.05, .1, 2.8904, -2.2513, 0.5e-4},
		{.01, .01, 4.5951, -4.5951, 0.5e-4},
		{.05, .2, math.Log(16), -math.Log(4.75), 1e-14},
		{.01, .1, math.Log(90), -math.Log(9.9), 1e-14},
	} {
		got := must[WaldLimits](t)(NewWaldLimits(c.alpha, c.beta))
		near(t, "upper", got.Upper, c.upper, c.tolerance)
		near(t, "lower", got.Lower, c.lower, c.tolerance)
	}
}

// The exact chances, computed separately by following every count of events.
func TestSPRTIsExact(t *testing.T) {
	for _, c := range []struct {
		acceptable, unacceptable, alpha, beta, p float64
		within                                   int
		chance, cases, run, alarm                float64
	}{
		{.05, .10, .1, .1, .05, 100, 0.0789318396118132, 111.25318301409258, 1409.4842279267245, 0.060700378439854555},
		{.05, .10, .1, .1, .10, 100, 0.9004867785111126, 96.0430744785847, 106.6568402452113, 0.5984300026257307},
		{.02, .04, .1, .1, .02, 300, 0.0790375949127929, 290.46183506679745, 3674.983220166075, 0.07055014735483361},
		{.05, .10, .05, .2, .05, 50, 0.03950762857978367, 83.83353142880699, 2121.9580734771107, 0.00933812830031508},
		{.05, .15, .1, .1, .6, 20, 0.9999999889910313, 4.404627444884342, 4.404627493374749, 0.9999611405102955},
	} {
		chart := must[BoundaryChart](t)(NewBoundaryChart(c.acceptable, c.unacceptable, c.alpha, c.beta))
		scores := must[Scores](t)(BernoulliScores(c.acceptable, c.unacceptable))
		limits := must[WaldLimits](t)(NewWaldLimits(c.alpha, c.beta))
		// In events and in log-likelihood ratios it is one and the same test.
		for _, test := range []SPRT{{chart.Scores(), chart.Limits()}, {scores, limits}} {
			got := must[TestRun](t)(test.Test(c.p, c.within))
			near(t, "chance to end unacceptable", got.UnacceptableChance, c.chance, 1e-11*c.chance)
			near(t, "cases to the end", got.CasesToEnd, c.cases, 1e-9*c.cases)
			near(t, "average run length", got.AverageRunLength, c.run, 1e-9*c.run)
			near(t, "chance of an alarm within", got.AlarmWithin[0].Chance, c.alarm, 1e-11)
			if got.AlarmWithin[0].Cases != c.within {
				t.Errorf("within %d cases, want %d", got.AlarmWithin[0].Cases, c.within)
			}
		}
		// Wald's limits: no wrong end is more frequent than alpha/(1-beta).
		got := must[TestRun](t)(SPRT{scores, limits}.Test(c.acceptable))
		if got.UnacceptableChance > c.alpha/(1-c.beta) {
			t.Errorf("%+v: wrong end %g, Wald's bound is %g", c, got.UnacceptableChance, c.alpha/(1-c.beta))
		}
	}
}

// 5 % against 15 % with alpha and beta 0.1: both limits are ln 9 away, so two
// events running lie exactly on the upper one, whatever rounding makes of it.
func TestSPRTAlarmsOnItsLimit(t *testing.T) {
	for _, c := range [][2]float64{{.05, .15}, {.1, .3}, {.01, .03}, {.2, .6}} {
		chart := must[BoundaryChart](t)(NewBoundaryChart(c[0], c[1], .1, .1))
		scores := must[Scores](t)(BernoulliScores(c[0], c[1]))
		limits := must[WaldLimits](t)(NewWaldLimits(.1, .1))
		for _, test := range []SPRT{{chart.Scores(), chart.Limits()}, {scores, limits}} {
			points := must[[]TestPoint](t)(ResettingPath([]float64{test.Scores.Event, test.Scores.Event}, test.Limits))
			if points[0].Alarm || !points[1].Alarm {
				t.Errorf("%v: %+v, want an alarm at the second event", c, points)
			}
			got := must[TestRun](t)(test.Test(c[1], 2))
			near(t, "chance of two events running", got.AlarmWithin[0].Chance, c[1]*c[1], 1e-14)
		}
	}
}

// With its lower limit at 0 the resetting chart is Page's: the reference's chart
// values of 500 cases.
func TestResettingPathWithLowerLimitZeroIsCUSUM(t *testing.T) {
	rows := readRows(t, "risk_adjusted_cusum")
	var scores []float64
	for _, r := range rows {
		scores = append(scores, r.number("w_up"))
	}
	points := must[[]TestPoint](t)(ResettingPath(scores, WaldLimits{Lower: 0, Upper: 1e5}))
	for i, r := range rows {
		r.absolute("s_up", math.Max(0, points[i].Value), 1e-12)
	}
}

func TestResettingPathRules(t *testing.T) {
	limits := WaldLimits{Lower: -1, Upper: 2}
	scores := []float64{-.5, -.6, .5, 1.5, 1, -4, -.5, 1, 1, 1}
	got := must[[]TestPoint](t)(ResettingPath(scores, limits, 7))
	want := []TestPoint{
		{-.5, -.5, false, false, false},
		{-.6, -1.1, true, false, false}, // the test is over
		{.5, .5, false, false, false},   // a new one from 0
		{1.5, 2, false, true, true},     // on the limit is an alarm
		{1, 3, false, false, true},      // it goes on
		{-4, -1, true, false, true},     // on the lower limit is the end of a test
		{-.5, -.5, false, false, true},
		{1, 1, false, false, false}, // someone restarted it
		{1, 2, false, true, true},
		{1, 3, false, false, true},
	}
	for i := range want {
		near(t, "value", got[i].Value, want[i].Value, 1e-12)
		want[i].Value = got[i].Value
		if got[i] != want[i] {
			t.Errorf("case %d: got %+v, want %+v", i+1, got[i], want[i])
		}
	}
}

func TestSPRTRefuses(t *testing.T) {
	for _, c := range []struct {
		alpha, beta float64
		want        string
	}{
		{0, .1, "alpha"}, {1, .1, "alpha"}, {-.1, .1, "alpha"}, {math.NaN(), .1, "alpha"},
		{.1, 0, "beta"}, {.1, .9, "beta"}, {.1, math.NaN(), "beta"}, {.1, math.Inf(1), "beta"},
	} {
		_, err := NewWaldLimits(c.alpha, c.beta)
		refused(t, "Wald", err, c.want)
		_, err = NewBoundaryChart(.05, .1, c.alpha, c.beta)
		refused(t, "boundary", err, c.want)
	}
	_, err := NewBoundaryChart(.1, .1, .1, .1)
	refused(t, "boundary", err, "unacceptable")
	_, err = NewBoundaryChart(0, .1, .1, .1)
	refused(t, "boundary", err, "acceptable")

	scores := must[Scores](t)(BernoulliScores(.05, .1))
	good := WaldLimits{Lower: -2, Upper: 2}
	for _, c := range []struct {
		limits WaldLimits
		want   string
	}{
		{WaldLimits{-2, 0}, "upper limit"}, {WaldLimits{-2, math.NaN()}, "upper limit"}, {WaldLimits{-2, math.Inf(1)}, "upper limit"},
		{WaldLimits{1, 2}, "lower limit"}, {WaldLimits{math.NaN(), 2}, "lower limit"}, {WaldLimits{math.Inf(-1), 2}, "lower limit"},
	} {
		_, err = ResettingPath([]float64{1}, c.limits)
		refused(t, "path", err, c.want)
		_, err = SPRT{scores, c.limits}.Test(.05)
		refused(t, "test", err, c.want)
	}
	_, err = SPRT{scores, WaldLimits{0, 2}}.Test(.05)
	refused(t, "test without a lower limit", err, "lower limit")
	_, err = ResettingPath([]float64{1, math.NaN()}, good)
	refused(t, "path", err, "score of case 2")
	_, err = ResettingPath([]float64{1}, good, 2)
	refused(t, "path", err, "restart")
	_, err = SPRT{scores, good}.Test(0)
	refused(t, "test", err, "true rate")
	_, err = SPRT{Scores{1, 1}, good}.Test(.05)
	refused(t, "test", err, "scores")
	_, err = SPRT{scores, good}.Test(.05, 0)
	refused(t, "test", err, "within_cases")
	_, err = SPRT{scores, WaldLimits{-1e6, 1e6}}.Test(.05)
	refused(t, "test without end", err, "upper limit")
}

func FuzzSPRT(f *testing.F) {
	f.Add(.05, .10, .1, .1, .05, uint64(0xF0), 3)
	f.Add(1e-12, 1e-11, 1e-9, 1e-9, 1-1e-12, uint64(1), -1)
	f.Add(.5, .9, .9, .05, .7, uint64(math.MaxUint64), 64)
	f.Fuzz(func(t *testing.T, acceptable, unacceptable, alpha, beta, p float64, outcomes uint64, restart int) {
		chart, err := NewBoundaryChart(acceptable, unacceptable, alpha, beta)
		if !orRefused(t, err) {
			return
		}
		allFinite(t, "chart", chart.P, chart.Q, chart.S, chart.H1, chart.H0)
		list := make([]float64, 64)
		for i := range list {
			list[i] = chart.Scores().Of(outcomes>>i&1 == 1)
		}
		points, err := ResettingPath(list, chart.Limits(), restart)
		if orRefused(t, err) {
			for _, point := range points {
				allFinite(t, "point", point.Score, point.Value)
				if point.Acceptable && point.Alarm || point.Alarm && !point.Alarmed {
					t.Errorf("%+v", point)
				}
			}
		}
		got, err := SPRT{chart.Scores(), chart.Limits()}.Test(p, 50)
		if orRefused(t, err) {
			allFinite(t, "test", got.UnacceptableChance, got.CasesToEnd, got.AverageRunLength, got.AlarmWithin[0].Chance)
			if got.UnacceptableChance < 0 || got.UnacceptableChance > 1+1e-9 || got.CasesToEnd < 1-1e-9 {
				t.Errorf("%+v at %g: %+v", chart, p, got)
			}
		}
	})
}
