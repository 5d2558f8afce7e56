package measure

import (
	"errors"
	"math"
	"testing"
)

func referenceMixes(t *testing.T) map[string][]MixPoint {
	mixes := map[string][]MixPoint{}
	for _, r := range readRows(t, "risk_adjusted_cusum_mix") {
		mixes[r.text("mix")] = append(mixes[r.text("mix")], MixPoint{Risk: r.number("p"), Share: r.number("prob")})
	}
	return mixes
}

func TestMixRunLengthEqualsReference(t *testing.T) {
	mixes := referenceMixes(t)
	exact := 0
	for _, r := range readRows(t, "risk_adjusted_cusum_arl") {
		chart := MixChart{Mix: mixes[r.text("mix")], OddsRatio: r.number("RA"), Threshold: r.number("h")}
		got := must[MixRunLength](t)(chart.RunLength(r.number("true_odds_ratio"), 100, 350, 1000))
		r.absolute("arl_mc", got.AverageRunLength, 5*r.number("mc_se"))
		if !r.has("arl_exact") {
			r.relative("arl_lattice8000", got.AverageRunLength, 0.005)
			if !(got.RelativeError > 0 && got.RelativeError < 0.01) {
				t.Errorf("%s: stated error %g", r.where, got.RelativeError)
			}
			continue
		}
		exact++
		if got.RelativeError != 0 {
			t.Errorf("%s: stated error %g, want 0 for scores on one lattice", r.where, got.RelativeError)
		}
		r.relative("arl_exact", got.AverageRunLength, 1e-9)
		for i, column := range []string{"cdf100_exact", "cdf350_exact", "cdf1000_exact"} {
			r.absolute(column, got.AlarmWithin[i].Chance, 1e-9)
		}
		r.relative("cdf1000_exact", got.AlarmWithin[2].Chance, 1e-9)
	}
	if exact != 14 {
		t.Errorf("%d lattice rows tested, want 14", exact)
	}
}

// The stated error holds what six times as many nodes change, and halving the
// step changes no more than was stated before it was halved.
func TestMixErrorBoundHolds(t *testing.T) {
	mix := referenceMixes(t)["generic"]
	many := make([]MixPoint, 120)
	for i := range many {
		many[i] = MixPoint{Risk: 0.002 + float64(i*i)*1e-5, Share: 1 / float64(len(many))}
	}
	worst := 0.0
	for _, chart := range []MixChart{
		{Mix: mix, OddsRatio: 2, Threshold: 2}, {Mix: mix, OddsRatio: 2, Threshold: 4.5}, {Mix: mix, OddsRatio: 2, Threshold: 2.37},
		{Mix: mix, OddsRatio: 0.5, Threshold: 4}, {Mix: mix, OddsRatio: 1.3, Threshold: 1.5}, {Mix: mix, OddsRatio: 4, Threshold: 3.3},
		{Mix: mix, OddsRatio: 2, Threshold: 3, Competence: true}, {Mix: mix, OddsRatio: 2, Threshold: 2.37, HeadStart: 1.1},
		{Mix: many, OddsRatio: 2, Threshold: 3.1}, {Mix: many, OddsRatio: 3, Threshold: 2.2, Competence: true},
	} {
		for _, trueOddsRatio := range []float64{1, chart.OddsRatio} {
			got := must[MixRunLength](t)(chart.RunLength(trueOddsRatio, 200))
			steps := must[[]jump](t)(chart.checked(trueOddsRatio))
			_, fine := evenNodes(steps)
			off, allowed := 0.0, got.RelativeError
			for _, nodes := range []int{2 * fine, 6 * fine} {
				g := evenGrid(steps, chart.Threshold, nodes)
				start, _ := g.from(chart.HeadStart)
				refined := must[float64](t)(g.average(start))
				if off = math.Abs(got.AverageRunLength/refined - 1); off > allowed {
					t.Errorf("%+v at %g, %d nodes: %g from the refined run length, stated %g", chart.OddsRatio, trueOddsRatio, nodes, off, allowed)
				}
				if nodes == 2*fine {
					by, _ := g.alarms(start, 200)
					near(t, "alarm within 200", got.AlarmWithin[0].Chance, by[200], 0.0005+0.002*by[200])
				}
			}
			worst = math.Max(worst, off)
			if allowed > 0.005 {
				t.Errorf("%+v at %g: stated error %g, want below half a percent", chart.OddsRatio, trueOddsRatio, allowed)
			}
		}
	}
	t.Logf("largest error found %.1e", worst)
}

// A mix of one risk is a chart without case mix, which is exact.
func TestMixOfOneRiskIsABernoulliChart(t *testing.T) {
	for _, competence := range []bool{false, true} {
		scores := must[Scores](t)(LLR(.03, 2))
		if competence {
			scores = scores.Reversed()
		}
		for _, times := range []float64{1, 2} {
			want := must[RunLength](t)(Chart{Scores: scores, Threshold: 2.3}.RunLength(risen(.03, times), 100))
			got := must[MixRunLength](t)(MixChart{Mix: []MixPoint{{.03, 1}}, OddsRatio: 2, Threshold: 2.3, Competence: competence}.RunLength(times, 100))
			near(t, "average", got.AverageRunLength/want.AverageRunLength, 1, 1e-12)
			near(t, "median", got.MedianRunLength, want.MedianRunLength, 0)
			near(t, "alarm within 100", got.AlarmWithin[0].Chance, want.AlarmWithin[0].Chance, 1e-12)
			// Two risks that hardly differ: the lattice gives nearly the same.
			got = must[MixRunLength](t)(MixChart{Mix: []MixPoint{{.0297, .5}, {.0303, .5}}, OddsRatio: 2, Threshold: 2.3, Competence: competence}.RunLength(times, 100))
			near(t, "average", got.AverageRunLength/want.AverageRunLength, 1, 0.01)
			near(t, "median", got.MedianRunLength/want.MedianRunLength, 1, 0.01)
			near(t, "alarm within 100", got.AlarmWithin[0].Chance, want.AlarmWithin[0].Chance, 0.003)
		}
	}
}

func TestFixedListEqualsReference(t *testing.T) {
	var risks []float64
	for _, r := range readRows(t, "risk_adjusted_cusum") {
		risks = append(risks, r.number("p"))
	}
	type key struct{ oddsRatio, h, times float64 }
	done := map[key][]float64{}
	for _, r := range readRows(t, "risk_adjusted_cusum_fixed_list") {
		k := key{r.number("RA"), r.number("h"), r.number("true_odds_ratio")}
		if done[k] == nil {
			done[k] = must[[]float64](t)(FixedList(risks, k.oddsRatio, k.h, k.times))
		}
		got := done[k][r.whole("n")]
		r.absolute("prob_lattice8000", got, 1e-9+0.005*got) // the reference itself is off by up to 0.3 %, see below
		r.absolute("prob_mc", got, 5*r.number("mc_se")+1e-6)
	}
}

// Where the reference lattice is furthest off (0.1282), a simulation of 6,000,000
// runs gave 0.128772 with a standard error of 0.000137.
func TestFixedListEqualsLongSimulation(t *testing.T) {
	var risks []float64
	for _, r := range readRows(t, "risk_adjusted_cusum")[:350] {
		risks = append(risks, r.number("p"))
	}
	near(t, "alarm within 350", must[[]float64](t)(FixedList(risks, 0.5, 4.5, 0.5))[350], 0.128772, 3*0.000137)
}

// A list of equal risks is a chart without case mix, which is exact.
func TestFixedListOfOneRisk(t *testing.T) {
	for _, oddsRatio := range []float64{0.5, 2, 3} {
		for _, h := range []float64{0.3, 1, 2.3} {
			chart := Chart{Scores: must[Scores](t)(LLR(.04, oddsRatio)), Threshold: h}
			risks := make([]float64, 400)
			for i := range risks {
				risks[i] = .04
			}
			want := must[[]float64](t)(chart.Alarms(risen(.04, 1.5), 400))
			for n, got := range must[[]float64](t)(FixedList(risks, oddsRatio, h, 1.5)) {
				near(t, "alarm within n", got, want[n], 5e-4)
			}
		}
	}
}

// The median of a mix far out is its geometric tail; here all cases are counted.
func TestMixMedian(t *testing.T) {
	for _, c := range []struct{ oddsRatio, threshold float64 }{{2, 2.5}, {2, 1}, {0.5, 2}, {1.3, 1}} {
		g := evenGrid(must[[]jump](t)(MixChart{Mix: referenceMixes(t)["generic"], OddsRatio: c.oddsRatio, Threshold: c.threshold}.checked(1)), c.threshold, 200)
		zero, _ := g.from(0)
		solve := must[visits](t)(g.solver())
		by, now := g.alarms(zero, 64)
		got := must[float64](t)(g.median(solve, by, now))
		all, next := append([]float64(nil), zero...), g.vector()
		n, left := 0, 1.0
		for left > 0.5 {
			_, left = g.step(all, next)
			all, next = next, all
			n++
		}
		near(t, "median", got, float64(n), 0)
		long, _ := g.alarms(zero, 10_000)
		exact, sum := append([]float64(nil), zero...), 0.0
		for range 10_000 {
			alarm, _ := g.step(exact, next)
			exact, next = next, exact
			sum += alarm
		}
		near(t, "alarm within 10000", long[10_000], sum, 1e-7)
	}
}

// Both ways to the visits of a grid agree, whatever the moves: one takes out
// states, the other follows excursions.
func TestVisitsAgree(t *testing.T) {
	for _, c := range []MixChart{
		{OddsRatio: 2, Threshold: 2.5}, {OddsRatio: 2, Threshold: 0.1}, {OddsRatio: 2, Threshold: 2.5, Competence: true},
		{OddsRatio: 0.5, Threshold: 1.7}, {OddsRatio: 1.1, Threshold: 1}, {OddsRatio: 30, Threshold: 2}, {OddsRatio: 30, Threshold: 2, Competence: true},
	} {
		c.Mix = referenceMixes(t)["generic"]
		for _, trueOddsRatio := range []float64{1, c.OddsRatio} {
			g := evenGrid(must[[]jump](t)(c.checked(trueOddsRatio)), c.Threshold, 150)
			one := g.takenOut(max(furthestMove(g.down), g.zeroTo-1), furthestMove(g.up))
			two := must[visits](t)(g.followed())
			for _, start := range []float64{0, 0.3 * c.Threshold, 0.99 * c.Threshold} {
				from, _ := g.from(start)
				a, b := must[[]float64](t)(one(from)), must[[]float64](t)(two(from))
				for i := range a {
					near(t, "visits", b[i], a[i], 1e-8*a[i]+1e-12)
				}
			}
		}
	}
}

func TestMixRefuses(t *testing.T) {
	good := MixChart{Mix: []MixPoint{{.01, .5}, {.05, .5}}, OddsRatio: 2, Threshold: 3}
	for _, c := range []struct {
		mix  []MixPoint
		name string
	}{
		{nil, "number of points of case_mix"}, {make([]MixPoint, 501), "number of points of case_mix"},
		{[]MixPoint{{0, 1}}, "risk of case_mix"}, {[]MixPoint{{math.NaN(), 1}}, "risk of case_mix"}, {[]MixPoint{{1, 1}}, "risk of case_mix"},
		{[]MixPoint{{.1, 0}}, "share of case_mix"}, {[]MixPoint{{.1, 1.5}}, "share of case_mix"}, {[]MixPoint{{.1, math.NaN()}}, "share of case_mix"},
		{[]MixPoint{{.1, .5}, {.2, .4}}, "sum of shares of case_mix"},
	} {
		bad := good
		bad.Mix = c.mix
		_, err := bad.RunLength(1)
		refused(t, c.name, err, c.name)
	}
	for _, h := range []float64{0, -1, 21, math.NaN()} {
		bad := good
		bad.Threshold = h
		_, err := bad.RunLength(1)
		refused(t, "threshold", err, "threshold")
	}
	_, err := good.RunLength(0)
	refused(t, "true odds ratio", err, "true odds ratio")
	_, err = good.RunLength(1, 0)
	refused(t, "within", err, "within_cases")
	bad := good
	bad.OddsRatio = 1
	_, err = bad.RunLength(1)
	refused(t, "odds ratio", err, "odds_ratio")
	if _, err = FixedList(nil, 2, 3, 1); !errors.Is(err, ErrNoCases) {
		t.Errorf("empty list: got %v, want ErrNoCases", err)
	}
	_, err = FixedList([]float64{.1, 1}, 2, 3, 1)
	refused(t, "risk", err, "risk of case 2")
	_, err = FixedList([]float64{.1}, 1, 3, 1)
	refused(t, "odds ratio", err, "odds_ratio")
	_, err = FixedList([]float64{.1}, 2, 30, 1)
	refused(t, "threshold", err, "threshold")
	_, err = FixedList([]float64{.1}, 2, 3, math.NaN())
	refused(t, "true odds ratio", err, "true odds ratio")
	_, err = FixedList(make([]float64, 10_001), 2, 3, 1)
	refused(t, "long list", err, "number of risks")
}

// One event falls short of the threshold by less than a node's width: it must not
// alarm, and a second one must.
func TestFixedListDecidesAlarmsOnTheValueItself(t *testing.T) {
	event := must[Scores](t)(LLR(.04, 2)).Event
	by := must[[]float64](t)(FixedList([]float64{.04, .04}, 2, event+1e-5, 1))
	near(t, "alarm at case 1", by[1], 0, 0)
	near(t, "alarm by case 2", by[2], .04*.04, 1e-15)
	near(t, "alarm at case 1, threshold below", must[[]float64](t)(FixedList([]float64{.04}, 2, event-1e-5, 1))[1], .04, 1e-15)
}

// An event that falls short of the threshold by less than a node's width must not
// alarm, on its own score, and a second one must.
func TestMixDecidesAlarmsOnTheScoreItself(t *testing.T) {
	mix := []MixPoint{{.04, .5}, {.0517, .5}}
	event := must[Scores](t)(LLR(.04, 2)).Event // the larger of the two
	short := must[MixRunLength](t)(MixChart{Mix: mix, OddsRatio: 2, Threshold: event + 1e-5}.RunLength(1, 1, 2))
	near(t, "alarm at case 1", short.AlarmWithin[0].Chance, 0, 0)
	if short.AlarmWithin[1].Chance < .001 {
		t.Errorf("alarm at case 2: %g", short.AlarmWithin[1].Chance)
	}
	over := must[MixRunLength](t)(MixChart{Mix: mix, OddsRatio: 2, Threshold: event - 1e-5}.RunLength(1, 1))
	near(t, "alarm at case 1, threshold below", over.AlarmWithin[0].Chance, .02, 1e-12)
}
