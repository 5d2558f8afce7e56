package measure

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A department's charts, simulated case by case and begun again at 0 after every
// alarm, give as many alarms a year as the formula says.
func TestFalseAlarmsAYearEqualsSimulation(t *testing.T) {
	const years = 4000
	seed := uint64(20260301)
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	var charts []ChartInUse
	var alarms [years]float64
	for _, c := range []struct{ p0, oddsRatio, h, cases float64 }{
		{.03, 2, 2.36, 120}, {.01, 2, 2.41, 400}, {.25, 2, 4.03, 120}, {.02, 2, 3.04, 400}, {.05, 3, 1.5, 60},
	} {
		scores := must[Scores](t)(BernoulliScores(c.p0, risen(c.p0, c.oddsRatio)))
		run := must[RunLength](t)(Chart{Scores: scores, Threshold: c.h}.RunLength(c.p0))
		charts = append(charts, ChartInUse{InControl: run, CasesAYear: c.cases})
		var at Point
		for range 20 * int(run.AverageRunLength) { // until it is long in use
			if at = at.After(scores.Of(random.Float64() < c.p0), c.h); at.Alarm {
				at = Point{}
			}
		}
		for year := range alarms {
			for range int(c.cases) {
				if at = at.After(scores.Of(random.Float64() < c.p0), c.h); at.Alarm {
					alarms[year]++
					at = Point{}
				}
			}
		}
	}
	mean, square := 0.0, 0.0
	for _, n := range alarms {
		mean, square = mean+n/years, square+n*n/years
	}
	want := must[float64](t)(FalseAlarmsAYear(charts))
	near(t, "false alarms a year", mean, want, 5*math.Sqrt((square-mean*mean)/years))
	if want < 0.3 || want > 3 {
		t.Errorf("%g false alarms a year: too few or too many to test anything", want)
	}
}

func TestFalseAlarmsAYear(t *testing.T) {
	list := []ChartInUse{{RunLength{AverageRunLength: 1000}, 250}, {RunLength{AverageRunLength: 400}, 100}, {RunLength{AverageRunLength: 77}, 0}}
	near(t, "false alarms", must[float64](t)(FalseAlarmsAYear(list)), 0.5, 1e-15)
	near(t, "no charts", must[float64](t)(FalseAlarmsAYear(nil)), 0, 0)
	for _, c := range []struct {
		chart ChartInUse
		name  string
	}{
		{ChartInUse{RunLength{}, 1}, "average_run_length of chart 2"},
		{ChartInUse{RunLength{AverageRunLength: math.NaN()}, 1}, "average_run_length of chart 2"},
		{ChartInUse{RunLength{AverageRunLength: math.Inf(1)}, 1}, "average_run_length of chart 2"},
		{ChartInUse{RunLength{AverageRunLength: 10}, -1}, "cases_a_year of chart 2"},
		{ChartInUse{RunLength{AverageRunLength: 10}, math.Inf(1)}, "cases_a_year of chart 2"},
	} {
		_, err := FalseAlarmsAYear([]ChartInUse{list[0], c.chart})
		refused(t, "chart", err, c.name)
	}
}
