package measure

import "math"

// SteadyState gives the average number of cases from a change of the true chance
// of an event to the alarm, when the change comes late: the chart had run at
// before for long, without an alarm so far, and is then at after. With after
// equal to before it is the average to a false alarm of a chart long in use. It
// does not depend on the head start. It is exact: no lattice and no simulation.
//
// It is the conditional steady-state average run length: the expectation over
// the chances of the chart's values given no alarm so far, as the number of
// cases before the change grows without bound.
//
// Source: the definition is that of Crosier RB. Technometrics 1986;28:187-194,
// and of Knoth S on steady-state run lengths (both from memory), carried out on
// the counts of cycle.go.
func (c Chart) SteadyState(before, after float64) (float64, error) {
	if err := c.check(before); err != nil {
		return 0, err
	}
	if err := c.check(after); err != nil {
		return 0, err
	}
	w := walk{c.Scores, c.Threshold, before}
	again, err := w.excursion(0, extent{exactly: steadyExactly})
	if err != nil {
		return 0, err
	}
	if len(again.returns) == 0 || !(again.alarm > 0) {
		return 0, tooLong(c.Threshold)
	}
	rate, _ := tail(again, again)
	if end := again.returns[len(again.returns)-1].cases; float64(rate*end) > 3 {
		// A chart that alarms soon: excursions that last long weigh far more among
		// the few without an alarm than they do among all.
		if again, err = w.excursion(0, extent{exactly: steadyExactly, whole: true}); err != nil {
			return 0, err
		}
		rate, _ = tail(again, again)
	}
	if before == after {
		if average := -1 / math.Expm1(-rate); finite(average) && average > 0 {
			return average, nil
		}
		return 0, tooLong(c.Threshold)
	}
	late := walk{c.Scores, c.Threshold, after}
	fresh, err := late.average(0)
	if err != nil {
		return 0, err
	}
	cases, alarm, err := w.entered(rate, after)
	if err != nil {
		return 0, err
	}
	if average := cases + float64((1-alarm)*fresh); finite(average) {
		return average, nil
	}
	return 0, tooLong(c.Threshold)
}

// steadyExactly is up to which case of an excursion its endings are kept one by
// one for a steady state; further out they hardly count.
const steadyExactly = 20_000

// entered begins in the steady state of w and goes on with the chance after of
// an event until the excursion that was under way ends. It gives its mean length
// from the change, in cases, and its chance to end in an alarm.
//
// The chance to be n cases into an excursion falls like that of one excursion
// lasting so long, times exp(rate*n): those that began longer ago began when
// more charts were without an alarm. Both walks move on the same counts.
func (w walk) entered(rate, after float64) (cases, alarm float64, err error) {
	common, rare, before := w.scores.NoEvent, w.scores.Event, w.p
	if w.p > 0.5 {
		common, rare, before, after = rare, common, 1-before, 1-after
	}
	value := func(n, j int) float64 {
		return float64(float64(n-j)*common) + float64(float64(j)*rare)
	}
	// Of both walks, the chances to be inside with j rare cases so far: one goes
	// on as before the change, weighted, the other has been entered from it.
	old, moved := []float64{1}, []float64{1}
	weight, growth, low, work := 1.0, math.Exp(rate), 0, 0
	for n := 1; ; n++ {
		inside := 0.0
		for _, chance := range moved {
			inside += chance
		}
		cases += inside
		old, moved = append(old, 0), append(moved, 0)
		for i := len(old) - 1; i > 0; i-- {
			old[i] = float64(growth * (float64(old[i]*(1-before)) + float64(old[i-1]*before)))
			moved[i] = float64(moved[i]*(1-after)) + float64(moved[i-1]*after)
		}
		old[0] = float64(growth * float64(old[0]*(1-before)))
		moved[0] = float64(moved[0] * (1 - after))
		for len(old) > 0 {
			s := value(n, low)
			if s > 0 && s < w.threshold {
				break
			}
			if s > 0 {
				alarm += moved[0]
			}
			old, moved = old[1:], moved[1:]
			low++
		}
		for last := len(old) - 1; last >= 0; last-- {
			s := value(n, low+last)
			if s > 0 && s < w.threshold {
				break
			}
			if s > 0 {
				alarm += moved[last]
			}
			old, moved = old[:last], moved[:last]
		}
		entering := 0.0
		for i, chance := range old {
			entering += chance
			moved[i] += chance
		}
		weight += entering
		if len(old) == 0 {
			break
		}
		if work += 2*len(old) + 8; work > cycleWork {
			return 0, 0, tooLong(w.threshold)
		}
		if n%64 == 0 {
			left := 0.0
			for _, chance := range moved {
				left += chance
			}
			if float64(left*float64(n+1)) < cycleTail*cases && float64(entering*float64(n+1)) < cycleTail*weight {
				break
			}
		}
	}
	return cases / weight, alarm / weight, nil
}

// SteadyState gives the chart's conditional steady-state average, as
// Chart.SteadyState does, in cases: the true odds of every case were before times
// those of its risk for long, and are then after times as high. relativeError is
// as in MixRunLength.
func (c MixChart) SteadyState(before, after float64) (average, relativeError float64, err error) {
	earlier, err := c.checked(before)
	if err != nil {
		return 0, 0, err
	}
	later, err := c.checked(after)
	if err != nil {
		return 0, 0, err
	}
	if len(earlier) == 2 {
		chart := Chart{Scores: Scores{Event: earlier[0].score, NoEvent: earlier[1].score}, Threshold: c.Threshold}
		average, err = chart.SteadyState(earlier[0].chance, later[0].chance)
		return average, 0, err
	}
	on := func(old, now *grid) (float64, error) {
		solve, err := old.solver()
		if err != nil {
			return 0, err
		}
		zero, _ := old.from(0)
		late, err := old.steady(solve, zero)
		if err != nil || before == after {
			return late.average, err
		}
		return now.average(late.chances)
	}
	if old, ok := commonGrid(earlier, c.Threshold); ok {
		now, _ := commonGrid(later, c.Threshold)
		average, err = on(old, now)
		return average, 0, err
	}
	coarse, fine := evenNodes(earlier)
	rough, err := on(evenGrid(earlier, c.Threshold, coarse), evenGrid(later, c.Threshold, coarse))
	if err != nil {
		return 0, 0, err
	}
	average, err = on(evenGrid(earlier, c.Threshold, fine), evenGrid(later, c.Threshold, fine))
	return average, math.Abs(average/rough-1) + unevenError, err
}
