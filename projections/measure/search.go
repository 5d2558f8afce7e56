package measure

import "math"

// goal is what a threshold does under the null. A level that is not exact need
// be met no closer than slack, a share of itself.
type goal struct {
	average func(threshold float64) (float64, error)
	chance  func(threshold float64) (float64, error)
	slack   float64
}

// guess is about the threshold for the wanted run length or false-alarm chance,
// null the rate of events under the null.
func (r DesignRequest) guess(s Scores, null float64) float64 {
	drift := math.Abs(float64(null*s.Event) + float64((1-null)*s.NoEvent))
	overshoot := math.Max(s.Event, s.NoEvent) / 3
	runLength := r.RunLength
	if runLength == 0 {
		runLength = float64(r.WithinCases) / -math.Log1p(-r.FalseAlarmChance)
	}
	return math.Max(guessThreshold(runLength, drift, overshoot), r.HeadStart+0.01)
}

// search finds the threshold for the wanted run length or false-alarm chance. A
// threshold at or below the head start alarms at once.
func (r DesignRequest) search(guess, reach float64, g goal) (float64, error) {
	want, level := math.Log(r.FalseAlarmChance), func(h float64) (float64, error) {
		chance, err := g.chance(h)
		return math.Log(chance), err
	}
	if r.RunLength != 0 {
		want, level = -math.Log(r.RunLength), func(h float64) (float64, error) {
			average, err := g.average(h)
			return -math.Log(average), err
		}
	}
	return smallestThreshold(want, guess, reach, g.slack, func(h float64) (float64, error) {
		if h <= r.HeadStart {
			return 0, nil
		}
		return level(h)
	})
}

// searchPlain finds the threshold of a chart without case mix.
func (r DesignRequest) searchPlain(scores Scores, null float64) (float64, error) {
	return r.search(r.guess(scores, null), 0.02, goal{
		average: func(h float64) (float64, error) { return walk{scores, h, null}.average(r.HeadStart) },
		chance: func(h float64) (float64, error) {
			by, err := walk{scores, h, null}.alarms(r.HeadStart, r.WithinCases)
			if err != nil {
				return 0, err
			}
			return by[r.WithinCases], nil
		},
	})
}

// searchMixed finds the threshold for a case mix, on finer and finer lattices:
// chances on that which states them, averages on one twice as fine.
func (r DesignRequest) searchMixed(chart MixChart) (float64, error) {
	null, _ := chart.hypotheses()
	steps, err := chart.jumps(chart.Mix, null)
	if err != nil {
		return 0, err
	}
	scores, err := chart.meanScores()
	if err != nil {
		return 0, err
	}
	rate := meanRisk(chart.Mix)
	if chart.Competence {
		rate = risen(rate, chart.OddsRatio)
	}
	coarse, fine := evenNodes(steps)
	turns := []int{250, coarse, fine}
	if r.RunLength == 0 {
		turns = turns[:2]
	}
	threshold, reach := r.guess(scores, rate), 0.05
	for turn, nodes := range turns {
		exact := false
		at := func(h float64) (*grid, []float64) {
			if g, ok := commonGrid(steps, h); ok {
				if start, ok := g.from(r.HeadStart); ok {
					exact = true
					return g, start
				}
			}
			g := evenGrid(steps, h, nodes)
			start, _ := g.from(r.HeadStart)
			return g, start
		}
		at(threshold)
		slack := 2e-4
		if exact {
			slack = 0
		}
		threshold, err = r.search(threshold, reach, goal{slack: slack,
			average: func(h float64) (float64, error) { g, start := at(h); return g.average(start) },
			chance: func(h float64) (float64, error) {
				g, start := at(h)
				by, _ := g.alarms(start, r.WithinCases)
				return by[r.WithinCases], nil
			},
		})
		if err != nil {
			return 0, err
		}
		if exact {
			break
		}
		reach = 0.005 / float64(turn+1)
	}
	return threshold, nil
}
