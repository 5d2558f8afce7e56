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

// The stated error holds what three times as many nodes change.
func TestMixErrorBoundHolds(t *testing.T) {
	if testing.Short() {
		t.Skip("refinement takes two seconds")
	}
	mixes := referenceMixes(t)
	for _, r := range readRows(t, "risk_adjusted_cusum_arl") {
		if h := r.number("h"); r.text("mix") != "generic" || h == 2 || h == 3 {
			continue
		}
		chart := MixChart{Mix: mixes["generic"], OddsRatio: r.number("RA"), Threshold: r.number("h")}
		got := must[MixRunLength](t)(chart.RunLength(r.number("true_odds_ratio")))
		steps := must[[]jump](t)(chart.checked(r.number("true_odds_ratio")))
		refined := must[float64](t)(evenGrid(steps, chart.Threshold, 3*fineNodes).average())
		if off := math.Abs(got.AverageRunLength/refined - 1); off > got.RelativeError {
			t.Errorf("%s: %g from the refined run length, stated %g", r.where, off, got.RelativeError)
		}
	}
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
	g := evenGrid(must[[]jump](t)(MixChart{Mix: referenceMixes(t)["generic"], OddsRatio: 2, Threshold: 2.5}.checked(1)), 2.5, 200)
	by, now := g.alarms(50)
	got := g.median(by, now)
	all := make([]float64, g.nodes)
	all[0] = 1
	next, alarm, n := make([]float64, g.nodes), 0.0, 0
	for alarm < 0.5 {
		alarm += g.step(all, next)
		all, next = next, all
		n++
	}
	near(t, "median", got, float64(n), 0)
	long, _ := g.alarms(10_000)
	exact := make([]float64, g.nodes)
	exact[0] = 1
	sum := 0.0
	for range 10_000 {
		sum += g.step(exact, next)
		exact, next = next, exact
	}
	near(t, "alarm within 10000", long[10_000], sum, 1e-9)
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
