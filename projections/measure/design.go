package measure

import (
	"math"
	"slices"
	"strconv"
)

// Kind is what a chart is for.
type Kind string

// The kinds of chart. A detection chart watches for another rate than the
// acceptable one; a competence chart gathers evidence for acceptable; a boundary
// chart is a sequential test with a limit on either side.
const (
	Detection  Kind = "detection"
	Competence Kind = "competence"
	Boundary   Kind = "boundary"
)

// Direction is what a detection chart watches for.
type Direction string

// Up is for more events than acceptable, Down for fewer.
const (
	Up   Direction = "up"
	Down Direction = "down"
)

// DesignRequest asks for a chart. Rates, chances and shares are proportions from
// 0 to 1; a field that is 0 or empty is not given. It wants
//   - Acceptable, or in its place CaseMix, or Risks, a list of cases in order;
//   - Unacceptable or OddsRatio (with CaseMix and Risks: OddsRatio). Direction
//     Down wants them below acceptable and below 1: the rate to be found;
//   - Threshold, or FalseAlarmChance with WithinCases (with Risks: by their end
//     unless given), or RunLength, the average number of cases to a false alarm.
//     A boundary chart wants Alpha and Beta instead, and no CaseMix or Risks.
//
// HeadStart is the value at which the chart begins, below the threshold.
// AlarmWithin are the numbers of cases at which to state the chance of an alarm,
// in place of 50, 100, 200, 300, 500 and 1000; WithinCases is always stated.
// SteadyState asks for the averages of a change that comes late.
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
	Direction        Direction  `json:"direction,omitempty"`
	HeadStart        float64    `json:"head_start,omitempty"`
	Risks            []float64  `json:"risks,omitempty"`
	Alpha            float64    `json:"alpha,omitempty"`
	Beta             float64    `json:"beta,omitempty"`
	AlarmWithin      []int      `json:"alarm_within,omitempty"`
	SteadyState      bool       `json:"steady_state,omitempty"`
}

// Design is a chart with what it does. InControl is under the null: performance
// acceptable on a detection or boundary chart, unacceptable on a competence
// chart, so that an alarm is a false one. OutOfControl is under the alternative.
// With a case mix, Scores are those of its mean risk, and RelativeError is the
// largest error the average run lengths may carry; without one they are exact.
// With a list of risks, both run lengths are those of cases drawn from it, and
// List is for the list itself, in its order.
type Design struct {
	Threshold     float64       `json:"threshold"`
	Scores        Scores        `json:"scores"`
	InControl     RunLength     `json:"in_control"`
	OutOfControl  RunLength     `json:"out_of_control"`
	RelativeError float64       `json:"relative_error,omitempty"`
	SteadyState   *LateChange   `json:"steady_state,omitempty"`
	List          *ListChances  `json:"list,omitempty"`
	Boundary      *BoundaryTest `json:"boundary,omitempty"`
}

// LateChange are the averages of a chart that has run for long under the null
// without an alarm, in cases: to its next false alarm, and from a change to the
// alternative to the alarm. See Chart.SteadyState.
type LateChange struct {
	InControl    float64 `json:"in_control"`
	OutOfControl float64 `json:"out_of_control"`
}

// designCases are the numbers of cases at which a design states the chance of
// an alarm when none are asked for.
var designCases = []int{50, 100, 200, 300, 500, 1000}

// NewDesign gives the chart that was asked for. A threshold that is searched for
// is the smallest, in steps of 1/10000, that keeps the wanted false-alarm chance
// or run length; where it rests on a lattice or on a list, it keeps it and is
// within a few steps of the smallest.
//
// Sources: Reynolds MR, Stoumbos ZG. J Qual Technol 1999;31:87-108 (detection);
// Biau DJ, Porcher R. Stat Med 2010;29:1900-1909 (competence); Steiner SH, Cook
// RJ, Farewell VT, Treasure T. Biostatistics 2000;1:441-452 (case mix); Lucas JM,
// Crosier RB. Technometrics 1982;24:199-205 (head start, from memory). Run
// lengths by exact recursion: see Chart.RunLength, MixChart.RunLength, FixedList
// and SPRT.Test.
func NewDesign(r DesignRequest) (Design, error) {
	if r.Kind == "" {
		r.Kind = Detection
	}
	if r.Direction == "" {
		r.Direction = Up
	}
	if err := r.check(); err != nil {
		return Design{}, err
	}
	switch {
	case r.Kind == Boundary:
		return r.boundary()
	case len(r.Risks) > 0:
		return r.listed()
	case len(r.CaseMix) > 0:
		return r.mixed()
	}
	return r.plain()
}

// check refuses what no chart could be made of.
func (r DesignRequest) check() error {
	if r.Kind != Detection && r.Kind != Competence && r.Kind != Boundary {
		return outsideWord("kind", string(r.Kind), "detection or competence or boundary")
	}
	if r.Direction != Up && r.Direction != Down {
		return outsideWord("direction", string(r.Direction), "up or down")
	}
	if r.Direction == Down && r.Kind != Detection {
		return outsideWord("direction", string(r.Direction), "up, or nothing, unless kind is detection")
	}
	if len(r.AlarmWithin) > maxStated {
		return outsideCount("number of alarm_within", len(r.AlarmWithin), "1 to 100")
	}
	for _, n := range r.AlarmWithin {
		if n < 1 || n > maxWithin {
			return outsideCount("alarm_within", n, "1 to 10000")
		}
	}
	if !(r.HeadStart >= 0 && r.HeadStart < 20) {
		return outside("head_start", r.HeadStart, "0 up to the threshold")
	}
	if r.Kind == Boundary {
		return r.checkBoundary()
	}
	if r.Alpha != 0 {
		return outside("alpha", r.Alpha, "nothing unless kind is boundary")
	}
	if r.Beta != 0 {
		return outside("beta", r.Beta, "nothing unless kind is boundary")
	}
	return r.checkGoal()
}

// maxStated bounds the numbers of cases at which a chance is stated.
const maxStated = 100

// checkGoal wants exactly one way to a threshold.
func (r DesignRequest) checkGoal() error {
	given := 0
	if r.Threshold != 0 {
		given++
		if !(r.Threshold > 0 && r.Threshold <= 20) {
			return outside("threshold", r.Threshold, "more than 0 and at most 20")
		}
		if r.HeadStart >= r.Threshold {
			return outside("head_start", r.HeadStart, "0 up to the threshold = "+number(r.Threshold))
		}
	}
	if r.FalseAlarmChance != 0 {
		given++
		if !(r.FalseAlarmChance >= 1e-6 && r.FalseAlarmChance < 1) {
			return outside("false_alarm_chance", r.FalseAlarmChance, "0.000001 to less than 1")
		}
		if r.WithinCases == 0 && len(r.Risks) == 0 {
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
		return &ArgumentError{Name: "threshold", Got: "given in " + strconv.Itoa(given) + " ways",
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
		if err := r.checkOddsRatio(); err != nil {
			return 0, 0, err
		}
		return r.Acceptable, risen(r.Acceptable, r.OddsRatio), nil
	}
	if err := checkProbability("unacceptable", r.Unacceptable); err != nil {
		return 0, 0, err
	}
	apart := odds(r.Unacceptable) / odds(r.Acceptable)
	if r.Direction == Down {
		if !(apart <= 1/leastOddsRatio) {
			return 0, 0, outside("unacceptable", r.Unacceptable,
				"less than acceptable = "+number(r.Acceptable)+" with direction down, with odds at least 1.05 times as low")
		}
	} else if !(apart >= leastOddsRatio) {
		return 0, 0, outside("unacceptable", r.Unacceptable,
			"more than acceptable = "+number(r.Acceptable)+", with odds at least 1.05 times as high")
	}
	return r.Acceptable, r.Unacceptable, nil
}

// leastOddsRatio is how far apart two rates must be at least.
const leastOddsRatio = 1.05

func (r DesignRequest) checkOddsRatio() error {
	if r.Direction == Down {
		if !(r.OddsRatio >= 1e-3 && r.OddsRatio <= 1/leastOddsRatio) {
			return outside("odds_ratio", r.OddsRatio, "0.001 to 0.9523 with direction down")
		}
		return nil
	}
	if !(r.OddsRatio >= leastOddsRatio && r.OddsRatio <= 1000) {
		return outside("odds_ratio", r.OddsRatio, "1.05 to 1000")
	}
	return nil
}

// within are the numbers of cases that a design states, in order.
func (r DesignRequest) within() []int {
	out := slices.Clone(designCases)
	if len(r.AlarmWithin) > 0 {
		out = slices.Clone(r.AlarmWithin)
	}
	if r.WithinCases != 0 {
		out = append(out, r.WithinCases)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// plain designs a chart without case mix.
func (r DesignRequest) plain() (Design, error) {
	acceptable, unacceptable, err := r.rates()
	if err != nil {
		return Design{}, err
	}
	var scores Scores
	null, alternative := acceptable, unacceptable
	if r.Kind == Competence {
		scores, err = CompetenceScores(acceptable, unacceptable)
		null, alternative = unacceptable, acceptable
	} else {
		scores, err = BernoulliScores(acceptable, unacceptable)
	}
	if err != nil {
		return Design{}, err
	}
	chart := Chart{Scores: scores, Threshold: r.Threshold, HeadStart: r.HeadStart}
	if chart.Threshold == 0 {
		if chart.Threshold, err = r.searchPlain(scores, null); err != nil {
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
	if !r.SteadyState {
		return design, nil
	}
	late := LateChange{}
	if late.InControl, err = chart.SteadyState(null, null); err != nil {
		return Design{}, err
	}
	if late.OutOfControl, err = chart.SteadyState(null, alternative); err != nil {
		return Design{}, err
	}
	design.SteadyState = &late
	return design, nil
}

// mixed designs a chart for a case mix.
func (r DesignRequest) mixed() (Design, error) {
	mix, err := checkMix(r.CaseMix)
	if err != nil {
		return Design{}, err
	}
	if err := r.checkMixed("case_mix"); err != nil {
		return Design{}, err
	}
	chart := MixChart{Mix: mix, OddsRatio: r.OddsRatio, Threshold: r.Threshold, HeadStart: r.HeadStart, Competence: r.Kind == Competence}
	if chart.Threshold == 0 {
		if chart.Threshold, err = r.searchMixed(chart); err != nil {
			return Design{}, err
		}
	}
	return r.ofMix(chart)
}

// checkMixed refuses what a case mix or a list of risks already says.
func (r DesignRequest) checkMixed(name string) error {
	if r.Acceptable != 0 {
		return outside("acceptable", r.Acceptable, "nothing when "+name+" is given: the risks are what is acceptable")
	}
	if r.Unacceptable != 0 {
		return outside("unacceptable", r.Unacceptable, "nothing when "+name+" is given: use odds_ratio")
	}
	return r.checkOddsRatio()
}

// ofMix gives the design of a chart with its threshold.
func (r DesignRequest) ofMix(chart MixChart) (Design, error) {
	scores, err := chart.meanScores()
	if err != nil {
		return Design{}, err
	}
	null, alternative := chart.hypotheses()
	in, err := chart.RunLength(null, r.within()...)
	if err != nil {
		return Design{}, err
	}
	out, err := chart.RunLength(alternative, r.within()...)
	if err != nil {
		return Design{}, err
	}
	design := Design{Threshold: chart.Threshold, Scores: scores, InControl: in.RunLength, OutOfControl: out.RunLength,
		RelativeError: math.Max(in.RelativeError, out.RelativeError)}
	if !r.SteadyState {
		return design, nil
	}
	late := LateChange{}
	for _, one := range []struct {
		to *float64
		at float64
	}{{&late.InControl, null}, {&late.OutOfControl, alternative}} {
		average, off, err := chart.SteadyState(null, one.at)
		if err != nil {
			return Design{}, err
		}
		*one.to = average
		design.RelativeError = math.Max(design.RelativeError, off)
	}
	design.SteadyState = &late
	return design, nil
}
