package measure

import "math"

// Kind is what a chart is for.
type Kind string

// The kinds of chart. A detection chart watches for worse than acceptable; a
// competence chart gathers evidence for acceptable.
const (
	Detection  Kind = "detection"
	Competence Kind = "competence"
)

// DesignRequest asks for a chart. Rates, chances and shares are proportions from
// 0 to 1; a field that is 0 or empty is not given. It wants
//   - Acceptable, or CaseMix in its place;
//   - Unacceptable or OddsRatio (with CaseMix: OddsRatio);
//   - Threshold, or FalseAlarmChance with WithinCases, or RunLength, the average
//     number of cases to a false alarm.
type DesignRequest struct {
	Acceptable       float64    `json:"acceptable,omitempty"`
	Unacceptable     float64    `json:"unacceptable,omitempty"`
	OddsRatio        float64    `json:"odds_ratio,omitempty"`
	Threshold        float64    `json:"threshold,omitempty"`
	FalseAlarmChance float64    `json:"false_alarm_chance,omitempty"`
	WithinCases      int        `json:"within_cases,omitempty"`
	RunLength        float64    `json:"run_length,omitempty"`
	CaseMix          []MixPoint `json:"case_mix,omitempty"`
	Kind             Kind       `json:"kind,omitempty"`
}

// Design is a chart with what it does. InControl is under the null: performance
// acceptable on a detection chart, unacceptable on a competence chart, so that
// an alarm is a false one. OutOfControl is under the alternative. With a case
// mix, Scores are those of its mean risk, and RelativeError is the largest
// error the average run lengths may carry; without one they are exact.
type Design struct {
	Threshold     float64   `json:"threshold"`
	Scores        Scores    `json:"scores"`
	InControl     RunLength `json:"in_control"`
	OutOfControl  RunLength `json:"out_of_control"`
	RelativeError float64   `json:"relative_error,omitempty"`
}

// designCases are the numbers of cases at which a design states the chance of
// an alarm, beside the one that was asked for.
var designCases = []int{50, 100, 200, 300, 500, 1000}

// NewDesign gives the chart that was asked for. A threshold that is searched for
// is the smallest, in steps of 1/10000, that keeps the wanted false-alarm chance
// or run length.
//
// Sources: Reynolds MR, Stoumbos ZG. J Qual Technol 1999;31:87-108 (detection);
// Biau DJ, Porcher R. Stat Med 2010;29:1900-1909 (competence); Steiner SH, Cook
// RJ, Farewell VT, Treasure T. Biostatistics 2000;1:441-452 (case mix). Run
// lengths by exact recursion: see Chart.RunLength and MixChart.RunLength.
func NewDesign(r DesignRequest) (Design, error) {
	if r.Kind == "" {
		r.Kind = Detection
	}
	if r.Kind != Detection && r.Kind != Competence {
		return Design{}, outsideWord("kind", string(r.Kind), "detection or competence")
	}
	if err := r.checkGoal(); err != nil {
		return Design{}, err
	}
	if len(r.CaseMix) > 0 {
		return r.mixed()
	}
	return r.plain()
}

// checkGoal wants exactly one way to a threshold.
func (r DesignRequest) checkGoal() error {
	given := 0
	if r.Threshold != 0 {
		given++
		if !(r.Threshold > 0 && r.Threshold <= 20) {
			return outside("threshold", r.Threshold, "more than 0 and at most 20")
		}
	}
	if r.FalseAlarmChance != 0 {
		given++
		if !(r.FalseAlarmChance >= 1e-6 && r.FalseAlarmChance < 1) {
			return outside("false_alarm_chance", r.FalseAlarmChance, "0.000001 to less than 1")
		}
		if r.WithinCases == 0 {
			return outsideCount("within_cases", 0, "1 to 10000, with false_alarm_chance")
		}
	}
	if r.WithinCases < 0 || r.WithinCases > maxWithin {
		return outsideCount("within_cases", r.WithinCases, "1 to 10000")
	}
	if r.RunLength != 0 {
		given++
		if !(r.RunLength > 1 && r.RunLength <= 1e8) {
			return outside("run_length", r.RunLength, "more than 1 and at most 100000000")
		}
	}
	if given != 1 {
		return &ArgumentError{Name: "threshold", Got: "given in " + number(float64(given)) + " ways",
			Allowed: "one of threshold, false_alarm_chance with within_cases, run_length"}
	}
	return nil
}

// rates gives the two rates of a chart without case mix.
func (r DesignRequest) rates() (acceptable, unacceptable float64, err error) {
	if err := checkProbability("acceptable", r.Acceptable); err != nil {
		return 0, 0, err
	}
	switch {
	case (r.Unacceptable != 0) == (r.OddsRatio != 0):
		return 0, 0, &ArgumentError{Name: "odds_ratio", Got: "given together with unacceptable, or neither",
			Allowed: "one of odds_ratio and unacceptable"}
	case r.OddsRatio != 0:
		if err := checkOddsRatio(r.OddsRatio); err != nil {
			return 0, 0, err
		}
		return r.Acceptable, risen(r.Acceptable, r.OddsRatio), nil
	}
	if err := checkProbability("unacceptable", r.Unacceptable); err != nil {
		return 0, 0, err
	}
	if apart := odds(r.Unacceptable) / odds(r.Acceptable); !(apart >= 1.05) {
		return 0, 0, outside("unacceptable", r.Unacceptable,
			"more than acceptable = "+number(r.Acceptable)+", with odds at least 1.05 times as high")
	}
	return r.Acceptable, r.Unacceptable, nil
}

func checkOddsRatio(oddsRatio float64) error {
	if !(oddsRatio >= 1.05 && oddsRatio <= 1000) {
		return outside("odds_ratio", oddsRatio, "1.05 to 1000")
	}
	return nil
}

// within are the numbers of cases that a design states.
func (r DesignRequest) within() []int {
	out := append([]int(nil), designCases...)
	if r.WithinCases == 0 {
		return out
	}
	for i, n := range out {
		if n == r.WithinCases {
			return out
		}
		if n > r.WithinCases {
			return append(out[:i:i], append([]int{r.WithinCases}, out[i:]...)...)
		}
	}
	return append(out, r.WithinCases)
}

// plain designs a chart without case mix.
func (r DesignRequest) plain() (Design, error) {
	acceptable, unacceptable, err := r.rates()
	if err != nil {
		return Design{}, err
	}
	scores, null, alternative := Scores{}, acceptable, unacceptable
	if r.Kind == Competence {
		scores, err = CompetenceScores(acceptable, unacceptable)
		null, alternative = unacceptable, acceptable
	} else {
		scores, err = BernoulliScores(acceptable, unacceptable)
	}
	if err != nil {
		return Design{}, err
	}
	chart := Chart{Scores: scores, Threshold: r.Threshold}
	if chart.Threshold == 0 {
		chart.Threshold, err = r.search(r.guess(scores, null), 0.02, goal{
			average: func(h float64) (float64, error) { return walk{scores, h, null}.average() },
			chance: func(h float64) (float64, error) {
				by, err := walk{scores, h, null}.alarms(0, r.WithinCases)
				if err != nil {
					return 0, err
				}
				return by[r.WithinCases], nil
			},
		})
		if err != nil {
			return Design{}, err
		}
	}
	design := Design{Threshold: chart.Threshold, Scores: scores}
	if design.InControl, err = chart.RunLength(null, r.within()...); err != nil {
		return Design{}, err
	}
	if design.OutOfControl, err = chart.RunLength(alternative, r.within()...); err != nil {
		return Design{}, err
	}
	return design, nil
}

// mixed designs a chart for a case mix.
func (r DesignRequest) mixed() (Design, error) {
	mix, err := checkMix(r.CaseMix)
	if err != nil {
		return Design{}, err
	}
	if r.Acceptable != 0 {
		return Design{}, outside("acceptable", r.Acceptable, "nothing when case_mix is given: the mix is what is acceptable")
	}
	if r.Unacceptable != 0 {
		return Design{}, outside("unacceptable", r.Unacceptable, "nothing when case_mix is given: use odds_ratio")
	}
	if err := checkOddsRatio(r.OddsRatio); err != nil {
		return Design{}, err
	}
	chart := MixChart{Mix: mix, OddsRatio: r.OddsRatio, Threshold: r.Threshold, Competence: r.Kind == Competence}
	null, alternative := 1.0, r.OddsRatio
	mean := meanRisk(mix)
	scores, err := LLR(mean, r.OddsRatio)
	if err != nil {
		return Design{}, err
	}
	nullRate := mean
	if chart.Competence {
		scores = scores.Reversed()
		null, alternative = alternative, null
		nullRate = risen(mean, r.OddsRatio)
	}
	if chart.Threshold == 0 {
		if chart.Threshold, err = r.searchMixed(chart, scores, null, nullRate); err != nil {
			return Design{}, err
		}
	}
	in, err := chart.RunLength(null, r.within()...)
	if err != nil {
		return Design{}, err
	}
	out, err := chart.RunLength(alternative, r.within()...)
	if err != nil {
		return Design{}, err
	}
	return Design{Threshold: chart.Threshold, Scores: scores, InControl: in.RunLength, OutOfControl: out.RunLength,
		RelativeError: math.Max(in.RelativeError, out.RelativeError)}, nil
}

// searchMixed finds the threshold for a case mix.
func (r DesignRequest) searchMixed(chart MixChart, scores Scores, null, nullRate float64) (float64, error) {
	steps, err := chart.jumps(chart.Mix, null)
	if err != nil {
		return 0, err
	}
	threshold, reach := r.guess(scores, nullRate), 0.02
	for _, nodes := range []int{coarseNodes, fineNodes} {
		grid := func(h float64) grid {
			if g, ok := commonGrid(steps, h); ok {
				return g
			}
			return evenGrid(steps, h, nodes)
		}
		threshold, err = r.search(threshold, reach, goal{
			average: func(h float64) (float64, error) { return grid(h).average() },
			chance: func(h float64) (float64, error) {
				by, _ := grid(h).alarms(r.WithinCases)
				return by[r.WithinCases], nil
			},
		})
		if err != nil {
			return 0, err
		}
		if _, ok := commonGrid(steps, threshold); ok {
			break // exact already
		}
		reach = 0.002
	}
	return threshold, nil
}

// goal is what a threshold does under the null.
type goal struct {
	average func(threshold float64) (float64, error)
	chance  func(threshold float64) (float64, error)
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
	return guessThreshold(runLength, drift, overshoot)
}

// search finds the threshold for the wanted run length or false-alarm chance.
func (r DesignRequest) search(guess, reach float64, g goal) (float64, error) {
	if r.RunLength != 0 {
		return smallestThreshold(-math.Log(r.RunLength), guess, reach, func(h float64) (float64, error) {
			average, err := g.average(h)
			return -math.Log(average), err
		})
	}
	return smallestThreshold(math.Log(r.FalseAlarmChance), guess, reach, func(h float64) (float64, error) {
		chance, err := g.chance(h)
		return math.Log(chance), err
	})
}
