package measure

import (
	"math"
	"math/big"
	"testing"
)

func TestRunLengthEqualsReference(t *testing.T) {
	rows := readRows(t, "bernoulli_cusum_arl")
	if len(rows) != 270 {
		t.Fatalf("%d designs, want 270", len(rows))
	}
	for _, r := range rows {
		scores := must[Scores](t)(BernoulliScores(r.number("p0"), risen(r.number("p0"), r.number("odds_ratio"))))
		r.relative("w_fail", scores.Event, 1e-12)
		r.relative("w_succ", scores.NoEvent, 1e-12)
		p := r.number("p_true")
		got := must[RunLength](t)(Chart{Scores: scores, Threshold: r.number("h")}.RunLength(p))
		r.relative("arl_exact", got.AverageRunLength, 1e-9)
		c := must[cycle](t)(walk{scores, r.number("h"), p}.excursion(0, extent{}))
		r.relative("p_alarm_per_cycle", c.alarm, 1e-9)
		r.relative("mean_cycle", c.mean, 1e-9)
		if r.has("arl_mc") {
			r.absolute("arl_mc", got.AverageRunLength, 5*r.number("mc_se"))
		}
	}
}

func TestRunLengthEquals200Bits(t *testing.T) {
	for _, r := range readRows(t, "bernoulli_cusum_200bit") {
		p0, p1 := r.number("p0"), risen(r.number("p0"), r.number("odds_ratio"))
		p := p0
		if r.text("true") == "p1" {
			p = p1
		}
		got := must[RunLength](t)(Chart{Scores: must[Scores](t)(BernoulliScores(p0, p1)), Threshold: r.number("h")}.RunLength(p))
		want, _, err := big.ParseFloat(r.text("arl_200bit"), 10, 200, big.ToNearestEven)
		if err != nil {
			t.Fatal(err)
		}
		x, _ := want.Float64()
		note(r.file, "arl_200bit", math.Abs(got.AverageRunLength/x-1), true, 1e-12)
		near(t, r.where, got.AverageRunLength/x, 1, 1e-12)
	}
}

func TestAlarmChancesEqualReference(t *testing.T) {
	for _, r := range readRows(t, "bernoulli_cusum_runlength_cdf") {
		chart := Chart{Scores: must[Scores](t)(BernoulliScores(r.number("p0"), r.number("p1"))), Threshold: r.number("h")}
		got := must[RunLength](t)(chart.RunLength(r.number("p_true"), r.whole("n")))
		r.absolute("cdf_exact", got.AlarmWithin[0].Chance, 1e-10)
		alone := must[[]float64](t)(chart.Alarms(r.number("p_true"), r.whole("n")))
		r.absolute("cdf_exact", alone[r.whole("n")], 1e-10)
	}
}

// Whole-number scores can meet the threshold exactly: the rule is at or above.
func TestLatticeRunLengthEqualsReference(t *testing.T) {
	for _, r := range readRows(t, "bernoulli_cusum_lattice") {
		chart := Chart{Scores: Scores{Event: r.number("score_fail"), NoEvent: r.number("score_succ")}, Threshold: r.number("h")}
		r.relative("arl_ge", must[RunLength](t)(chart.RunLength(r.number("p_true"))).AverageRunLength, 1e-9)
		chart.Threshold += 0.5
		r.relative("arl_gt", must[RunLength](t)(chart.RunLength(r.number("p_true"))).AverageRunLength, 1e-9)
	}
}

func TestCompetenceRunLengthEqualsReference(t *testing.T) {
	type key struct{ adequate, inadequate, h, p float64 }
	done := map[key][]float64{}
	for _, r := range readRows(t, "lc_cusum") {
		k := key{r.number("p_adequate"), r.number("p_inadequate"), r.number("h"), r.number("p_true")}
		chart := Chart{Scores: must[Scores](t)(CompetenceScores(k.adequate, k.inadequate)), Threshold: k.h}
		if done[k] == nil {
			r.relative("score_success", chart.Scores.NoEvent, 1e-12)
			r.relative("score_failure", chart.Scores.Event, 1e-12)
			r.relative("arl_exact", must[RunLength](t)(chart.RunLength(k.p)).AverageRunLength, 1e-9)
			fewest := must[int](t)(chart.FewestCases())
			r.absolute("min_cases_to_signal", float64(fewest), 0)
			done[k] = must[[]float64](t)(chart.Alarms(k.p, 1000))
			if done[k][fewest-1] != 0 || !(done[k][fewest] > 0) {
				t.Errorf("%s: the first possible signal is not at case %d", r.where, fewest)
			}
		}
		if r.has("prob_exact") {
			r.absolute("prob_exact", done[k][r.whole("n")], 1e-10)
		}
	}
	if len(done) != 168 {
		t.Errorf("%d competence charts tested, want 168", len(done))
	}
}

// Designs of the form of Reynolds MR, Stoumbos ZG. J Qual Technol 1999;31:87-108
// with gamma = 1/m: their scores are 1-1/m and -1/m, here times m.
func TestReynoldsStoumbosDesigns(t *testing.T) {
	for _, r := range readPublished(t, "bernoulli_lattice_designs") {
		m := r.number("m")
		chart := Chart{Scores: Scores{Event: m - 1, NoEvent: -1}, Threshold: r.number("h_x_gamma") * m}
		r.absolute("anss0", must[RunLength](t)(chart.RunLength(r.number("p0"))).AverageRunLength, 0.5e-3)
		// The alternative is the one that makes gamma exactly 1/m.
		gamma := func(p1 float64) float64 {
			s := must[Scores](t)(BernoulliScores(r.number("p0"), p1))
			return s.NoEvent / (s.NoEvent - s.Event)
		}
		p1 := bisect(r.number("p0")*1.01, 0.5, func(p float64) float64 { return gamma(p) - 1/m })
		r.absolute("p1", p1, 0.5e-6)
		r.absolute("anss1", must[RunLength](t)(chart.RunLength(p1)).AverageRunLength, 0.5e-3)
		scores := must[Scores](t)(BernoulliScores(r.number("p0"), p1))
		r.absolute("h_llr", r.number("h_x_gamma")*(scores.Event-scores.NoEvent), 0.6e-4)
	}
}

// Computed by simulation-checked recursions in R for published settings.
func TestOtherPublishedDesigns(t *testing.T) {
	// Leandro G et al. Postgrad Med J 2005;81:647-652: 24 % against 30 %, one
	// false alarm in 500. h 1.8899 and the run length 122.4 are computed in R.
	liver := Chart{Scores: must[Scores](t)(BernoulliScores(.24, .30)), Threshold: 1.8899}
	near(t, "liver transplants, in control", must[RunLength](t)(liver.RunLength(.24)).AverageRunLength, 500, 1)
	near(t, "liver transplants, out of control", must[RunLength](t)(liver.RunLength(.30)).AverageRunLength, 122.4, 0.3)
	// Odds ratio 2, limit 3.5, after Neuburger J et al. BMJ Qual Saf 2017; at an
	// acceptable rate of 1 % computed in R as about 12,270 and 734.
	limit := Chart{Scores: must[Scores](t)(BernoulliScores(.01, risen(.01, 2))), Threshold: 3.5}
	near(t, "limit 3.5, in control", must[RunLength](t)(limit.RunLength(.01)).AverageRunLength, 12270, 30)
	near(t, "limit 3.5, out of control", must[RunLength](t)(limit.RunLength(risen(.01, 2))).AverageRunLength, 734, 2)
}

// The median far out comes from the dominant pole of the renewal equation; here
// it is counted exactly as well.
func TestMedianIsExact(t *testing.T) {
	for _, c := range []struct{ p0, oddsRatio, h, times float64 }{
		{.005, 1.5, 2, 1}, {.005, 1.5, 3, 1}, {.005, 2, 3, 1}, {.01, 1.5, 3, 1}, {.02, 2, 4, 1}, {.05, 3, 4, 1}, {.1, 2, 4.5, 1}, {.02, 2, 4, 2}, {.1, 1.2, 1, 1},
	} {
		chart := Chart{Scores: must[Scores](t)(BernoulliScores(c.p0, risen(c.p0, c.oddsRatio))), Threshold: c.h}
		p := risen(c.p0, c.times)
		for _, chart.HeadStart = range []float64{0, c.h / 2} {
			got := must[RunLength](t)(chart.RunLength(p))
			by := must[[]float64](t)(walk{chart.Scores, chart.Threshold, p}.alarms(chart.HeadStart, int(got.MedianRunLength)+10))
			if counted, found := firstHalf(by); !found || counted != got.MedianRunLength {
				t.Errorf("%+v, head start %g: median %g, counted %g %v", c, chart.HeadStart, got.MedianRunLength, counted, found)
			}
		}
	}
}

// A head start shortens the run; its exact effect is the run length of the chain
// of whole-number scores, solved here by plain iteration.
func TestHeadStart(t *testing.T) {
	for start := range 20 {
		chart := Chart{Scores: Scores{Event: 9, NoEvent: -1}, Threshold: 20, HeadStart: float64(start)}
		got := must[RunLength](t)(chart.RunLength(.1, 30))
		near(t, "head start", got.AverageRunLength/iterated(20, 9, 1, .1)[start], 1, 1e-9)
	}
}

// iterated solves L(s) = 1 + (1-p) L(max(0, s-down)) + p L(s+up), L = 0 from top.
func iterated(top, up, down int, p float64) []float64 {
	now := make([]float64, top)
	for range 200_000 {
		next := make([]float64, top)
		for s := range now {
			next[s] = 1 + (1-p)*now[max(0, s-down)]
			if s+up < top {
				next[s] += p * now[s+up]
			}
		}
		if math.Abs(next[0]-now[0]) < 1e-13*next[0] {
			return next
		}
		now = next
	}
	return now
}

func TestRunLengthProperties(t *testing.T) {
	scores := must[Scores](t)(BernoulliScores(.02, .04))
	last := RunLength{AlarmWithin: []AlarmWithin{{Chance: 1}}}
	for h := 0.25; h <= 6; h += 0.25 {
		got := must[RunLength](t)(Chart{Scores: scores, Threshold: h}.RunLength(.02, 300))
		if got.AverageRunLength < last.AverageRunLength || got.MedianRunLength < last.MedianRunLength || got.AlarmWithin[0].Chance > last.AlarmWithin[0].Chance {
			t.Errorf("threshold %g: %+v after %+v: run lengths must grow with the threshold", h, got, last)
		}
		last = got
	}
	// Nothing below the lowest score ends a run before the first event.
	got := must[RunLength](t)(Chart{Scores: scores, Threshold: 0.1}.RunLength(.02))
	near(t, "run to the first event", got.AverageRunLength, 50, 1e-9)
	// Events and their absence change places: mirror.
	a := must[RunLength](t)(Chart{Scores: Scores{Event: .7, NoEvent: -.05}, Threshold: 2}.RunLength(.1, 100))
	b := must[RunLength](t)(Chart{Scores: Scores{Event: -.05, NoEvent: .7}, Threshold: 2}.RunLength(.9, 100))
	near(t, "mirror", a.AverageRunLength/b.AverageRunLength, 1, 1e-12)
	near(t, "mirror", a.AlarmWithin[0].Chance, b.AlarmWithin[0].Chance, 1e-12)
}

func TestRunLengthRefuses(t *testing.T) {
	good := Chart{Scores: Scores{Event: .7, NoEvent: -.02}, Threshold: 2}
	for _, p := range []float64{0, 1, math.NaN(), -1} {
		_, err := good.RunLength(p)
		refused(t, "true rate", err, "true rate")
	}
	for _, n := range []int{0, -1, 10_001} {
		_, err := good.RunLength(.1, n)
		refused(t, "within", err, "within_cases")
		_, err = good.Alarms(.1, n)
		refused(t, "within", err, "within_cases")
	}
	for _, h := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		bad := good
		bad.Threshold = h
		_, err := bad.RunLength(.1)
		refused(t, "threshold", err, "threshold")
	}
	for _, s := range []Scores{{}, {1, 1}, {-1, -1}, {math.NaN(), 1}, {math.Inf(1), -1}, {1, 0}} {
		bad := good
		bad.Scores = s
		_, err := bad.RunLength(.1)
		refused(t, "scores", err, "scores")
	}
	for _, start := range []float64{-1, 2, 3, math.NaN()} {
		bad := good
		bad.HeadStart = start
		_, err := bad.RunLength(.1)
		refused(t, "head start", err, "head_start")
	}
	// A run length too long to compute is refused, not guessed.
	bad := good
	bad.Threshold = 1000
	_, err := bad.RunLength(.01)
	refused(t, "endless", err, "threshold")
	bad = Chart{Scores: Scores{Event: 1e-9, NoEvent: -1e-12}, Threshold: 1000}
	_, err = bad.RunLength(.001)
	refused(t, "tiny scores", err, "threshold")
}
