package measure

import (
	"math"
	"testing"
)

// dense is a chain of whole-number values with every move written out: slow,
// plain, and nothing in common with what it checks.
type dense struct{ move [][]float64 }

func newDense(top int, scores map[int]float64) dense {
	d := dense{make([][]float64, top)}
	for s := range d.move {
		d.move[s] = make([]float64, top)
		for score, chance := range scores {
			if to := max(0, s+score); to < top {
				d.move[s][to] += chance
			}
		}
	}
	return d
}

func (d dense) step(from []float64) []float64 {
	to := make([]float64, len(from))
	for i, chance := range from {
		for k, move := range d.move[i] {
			to[k] += chance * move
		}
	}
	return to
}

// settledChances are the chances of the values given no alarm in very many cases,
// and the chance of none at the next.
func (d dense) settledChances() (chances []float64, survive float64) {
	now := make([]float64, len(d.move))
	now[0] = 1
	for range 100_000 {
		next, sum, change := d.step(now), 0.0, 0.0
		for _, chance := range next {
			sum += chance
		}
		for i := range next {
			next[i] /= sum
			change += math.Abs(next[i] - now[i])
		}
		now, survive = next, sum
		if change < 1e-15 {
			break
		}
	}
	return now, survive
}

// cases is the mean number of cases to the alarm, by adding up how many are left.
func (d dense) cases(from []float64) float64 {
	sum := 0.0
	for left := 1.0; left > 1e-16; {
		left = 0
		for _, chance := range from {
			left += chance
		}
		sum += left
		from = d.step(from)
	}
	return sum
}

func TestSteadyStateEqualsDenseChain(t *testing.T) {
	for _, c := range []struct {
		event, noEvent, h int
		before, after     float64
	}{
		{9, -1, 20, .05, .2}, {9, -1, 35, .05, .15}, {9, -1, 20, .05, .02}, {4, -1, 3, .1, .3}, {-6, 1, 12, .3, .1}, {3, -2, 10, .7, .8},
		{-1, 9, 20, .95, .8},
	} {
		chart := Chart{Scores: Scores{Event: float64(c.event), NoEvent: float64(c.noEvent)}, Threshold: float64(c.h)}
		old := newDense(c.h, map[int]float64{c.event: c.before, c.noEvent: 1 - c.before})
		chances, survive := old.settledChances()
		got := must[float64](t)(chart.SteadyState(c.before, c.before))
		near(t, "false alarm of a chart long in use", got*(1-survive), 1, 1e-9)
		now := newDense(c.h, map[int]float64{c.event: c.after, c.noEvent: 1 - c.after})
		want := now.cases(chances)
		near(t, "late change", must[float64](t)(chart.SteadyState(c.before, c.after))/want, 1, 1e-9)
		// The head start is forgotten.
		chart.HeadStart = 1
		near(t, "late change, head start", must[float64](t)(chart.SteadyState(c.before, c.after))/want, 1, 1e-9)
	}
}

// A case mix whose scores lie on one lattice is as exact, the others within the
// stated error of a lattice six times as fine.
func TestMixSteadyStateEqualsDenseChain(t *testing.T) {
	chart := MixChart{Mix: referenceMixes(t)["lattice_up"], OddsRatio: 2, Threshold: 1.1}
	width := math.Log(2) / 200
	top := int(math.Ceil(chart.Threshold / width))
	dense := func(oddsRatio float64) dense {
		scores := map[int]float64{}
		for _, j := range must[[]jump](t)(chart.checked(oddsRatio)) {
			scores[int(math.Round(j.score/width))] += j.chance
		}
		return newDense(top, scores)
	}
	chances, survive := dense(1).settledChances()
	got, off, err := chart.SteadyState(1, 1)
	if err != nil || off != 0 {
		t.Fatalf("%v, error %g", err, off)
	}
	near(t, "false alarm of a chart long in use", got*(1-survive), 1, 1e-9)
	got, off, err = chart.SteadyState(1, 2)
	if err != nil || off != 0 {
		t.Fatalf("%v, error %g", err, off)
	}
	near(t, "late change", got/dense(2).cases(chances), 1, 1e-9)

	chart = MixChart{Mix: referenceMixes(t)["generic"], OddsRatio: 2, Threshold: 2.7}
	got, off, err = chart.SteadyState(1, 2)
	if err != nil {
		t.Fatal(err)
	}
	before := evenGrid(must[[]jump](t)(chart.checked(1)), 2.7, 12_000)
	zero, _ := before.from(0)
	late := must[steadyState](t)(before.steady(must[visits](t)(before.solver()), zero))
	want := must[float64](t)(evenGrid(must[[]jump](t)(chart.checked(2)), 2.7, 12_000).average(late.chances))
	if away := math.Abs(got/want - 1); away > off || off > 0.005 {
		t.Errorf("late change %g, refined %g: off by %g, stated %g", got, want, away, off)
	}
	one := MixChart{Mix: []MixPoint{{.03, 1}}, OddsRatio: 2, Threshold: 2.36}
	plain := Chart{Scores: must[Scores](t)(LLR(.03, 2)), Threshold: 2.36}
	got, _, err = one.SteadyState(1, 2)
	if want := must[float64](t)(plain.SteadyState(.03, risen(.03, 2))); err != nil || math.Abs(got/want-1) > 1e-12 {
		t.Errorf("one risk: %g %v, want %g", got, err, want)
	}
}

// A late change is found sooner than one at the start, never later, as the chart
// stands at 0 or above; and so with false alarms.
func TestSteadyStateIsBelowZeroStart(t *testing.T) {
	for _, r := range readRows(t, "bernoulli_cusum_arl") {
		if r.text("true") != "p1" || r.number("p0") < .02 {
			continue
		}
		p0 := r.number("p0")
		chart := Chart{Scores: Scores{Event: r.number("w_fail"), NoEvent: r.number("w_succ")}, Threshold: r.number("h")}
		late := must[float64](t)(chart.SteadyState(p0, r.number("p_true")))
		if zero := r.number("arl_exact"); !(late <= zero*(1+1e-12) && late > 0.3*zero) {
			t.Errorf("%s: %g after a late change, %g from the start", r.where, late, zero)
		}
	}
}

func TestSteadyStateRefuses(t *testing.T) {
	good := Chart{Scores: Scores{Event: .7, NoEvent: -.02}, Threshold: 2}
	for _, p := range []float64{0, 1, math.NaN()} {
		_, err := good.SteadyState(p, .1)
		refused(t, "before", err, "true rate")
		_, err = good.SteadyState(.1, p)
		refused(t, "after", err, "true rate")
	}
	good.Threshold = 1000
	_, err := good.SteadyState(.01, .02)
	refused(t, "endless", err, "threshold")
	mix := MixChart{Mix: []MixPoint{{.01, .5}, {.05, .5}}, OddsRatio: 2, Threshold: 3}
	_, _, err = mix.SteadyState(0, 1)
	refused(t, "before", err, "true odds ratio")
	_, _, err = mix.SteadyState(1, 0)
	refused(t, "after", err, "true odds ratio")
	mix.HeadStart = 3
	_, _, err = mix.SteadyState(1, 2)
	refused(t, "head start", err, "head_start")
}
