package measure

import (
	"math"
	"strconv"
)

// WaldLimits are the two limits of a sequential test on the scale of
// log-likelihood ratios: at or above Upper the evidence is for the unacceptable
// rate, at or below Lower for the acceptable one.
type WaldLimits struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// NewWaldLimits gives ln(beta/(1-alpha)) and ln((1-beta)/alpha). alpha is the
// wanted chance to call an acceptable rate unacceptable, beta to call an
// unacceptable one acceptable. Both are proportions, and together below 1. They
// are Wald's approximation: see SPRT.Test for the chances that come of them.
//
// Source: Wald A. Ann Math Stat 1945;16:117-186 (from memory).
func NewWaldLimits(alpha, beta float64) (WaldLimits, error) {
	if !(alpha >= 1e-9 && alpha < 1) {
		return WaldLimits{}, outside("alpha", alpha, "0.000000001 to less than 1")
	}
	if !(beta >= 1e-9 && beta < 1-alpha) {
		return WaldLimits{}, outside("beta", beta, "0.000000001 to less than 1 - alpha")
	}
	return WaldLimits{Lower: math.Log(beta / (1 - alpha)), Upper: math.Log((1 - beta) / alpha)}, nil
}

// BoundaryChart is a sequential test drawn in events: a case without event
// lowers the line by S, an event raises it by 1-S. At H1 or higher the evidence
// is for the unacceptable rate, at -H0 or lower for the acceptable one. P and Q
// are the parts of S: a case's log-likelihood ratio is P for an event and -Q
// for none, and P+Q times the chart's scale.
type BoundaryChart struct {
	P  float64 `json:"p"`
	Q  float64 `json:"q"`
	S  float64 `json:"s"`
	H1 float64 `json:"h1"`
	H0 float64 `json:"h0"`
}

// NewBoundaryChart gives a chart of the acceptable rate against the
// unacceptable one, proportions from 0 to 1, with alpha and beta as for
// NewWaldLimits.
//
// Source: Bolsin S, Colson M. Int J Qual Health Care 2000;12:433-438 (its
// formulas from memory).
func NewBoundaryChart(acceptable, unacceptable, alpha, beta float64) (BoundaryChart, error) {
	scores, err := CompetenceScores(acceptable, unacceptable)
	if err != nil {
		return BoundaryChart{}, err
	}
	limits, err := NewWaldLimits(alpha, beta)
	if err != nil {
		return BoundaryChart{}, err
	}
	c := BoundaryChart{P: -scores.Event, Q: scores.NoEvent}
	scale := c.P + c.Q
	c.S, c.H1, c.H0 = c.Q/scale, limits.Upper/scale, -limits.Lower/scale
	return c, nil
}

// Scores are what a case adds to the line, in events.
func (c BoundaryChart) Scores() Scores { return Scores{Event: 1 - c.S, NoEvent: -c.S} }

// Limits are the chart's limits on the same scale, in events.
func (c BoundaryChart) Limits() WaldLimits { return WaldLimits{Lower: -c.H0, Upper: c.H1} }

// TestPoint is one case on a resetting chart. Acceptable says that the value
// has come to the lower limit: that test is over and the next case begins at 0.
// Alarm marks the first case at or above the upper limit since the start or the
// last restart; Alarmed stays true from it until a restart.
type TestPoint struct {
	Score      float64 `json:"score"`
	Value      float64 `json:"value"`
	Acceptable bool    `json:"acceptable"`
	Alarm      bool    `json:"alarm"`
	Alarmed    bool    `json:"alarmed"`
}

// ResettingPath gives the points of a resetting sequential test for the scores
// of its cases in order, the scores on the limits' scale. Each time the lower
// limit is reached a new test begins at 0, so that a long good record can't hide
// a change. An alarm does not begin a new one: that takes a restart that someone
// decided. A restart i sets the value to 0 before case i, counted from 0.
//
// Source: Grigg OA, Farewell VT, Spiegelhalter DJ. Stat Methods Med Res
// 2003;12:147-170 (the rule from memory).
func ResettingPath(scores []float64, limits WaldLimits, restarts ...int) ([]TestPoint, error) {
	if err := limits.check(); err != nil {
		return nil, err
	}
	restarted := make(map[int]bool, len(restarts))
	for _, i := range restarts {
		if i < 0 || i > len(scores) {
			return nil, outsideCount("restart", i, "0 to "+strconv.Itoa(len(scores)))
		}
		restarted[i] = true
	}
	limits = limits.drawnIn()
	points := make([]TestPoint, 0, len(scores))
	var before TestPoint
	for i, score := range scores {
		if !finite(score) || math.Abs(score) > 1e6 {
			return nil, outside("score of case "+strconv.Itoa(i+1), score, "-1000000 to 1000000")
		}
		switch {
		case restarted[i]:
			before = TestPoint{}
		case before.Acceptable:
			before.Value = 0
		}
		next := TestPoint{Score: score, Value: before.Value + score}
		next.Acceptable = next.Value <= limits.Lower
		next.Alarm = next.Value >= limits.Upper && !before.Alarmed
		next.Alarmed = next.Alarm || before.Alarmed
		points = append(points, next)
		before = next
	}
	return points, nil
}

func (l WaldLimits) check() error {
	if !(l.Upper > 0 && l.Upper <= maxThreshold/2) {
		return outside("upper limit", l.Upper, "more than 0 and at most 500000")
	}
	if !(l.Lower <= 0 && l.Lower >= -maxThreshold/2) {
		return outside("lower limit", l.Lower, "-500000 to 0")
	}
	return nil
}

// drawnIn moves both limits towards 0 by a part in ten thousand million. Whole
// numbers of cases can lie exactly on a limit (5 % against 15 % with alpha and
// beta 0.1: two events running), and rounding must not decide that they don't.
func (l WaldLimits) drawnIn() WaldLimits {
	return WaldLimits{Lower: float64(l.Lower * (1 - 1e-10)), Upper: float64(l.Upper * (1 - 1e-10))}
}

// SPRT is a sequential test whose cases all carry the same two scores.
type SPRT struct {
	Scores Scores
	Limits WaldLimits
}

// TestRun is what a sequential test does at one true rate. UnacceptableChance is
// the chance that a single test ends at the upper limit, CasesToEnd its average
// length; AverageRunLength and MedianRunLength are those of the resetting chart
// until its alarm. Lengths are in cases, the last case included.
type TestRun struct {
	UnacceptableChance float64       `json:"unacceptable_chance"`
	CasesToEnd         float64       `json:"cases_to_end"`
	AverageRunLength   float64       `json:"average_run_length"`
	MedianRunLength    float64       `json:"median_run_length"`
	AlarmWithin        []AlarmWithin `json:"alarm_within"`
}

// Test gives what the test does when the true chance of an event is p, with the
// chance of the resetting chart's alarm within each of the numbers of cases
// asked for (1 to 10000). It is exact, by the recursion described in cycle.go.
func (s SPRT) Test(p float64, within ...int) (TestRun, error) {
	if err := s.Limits.check(); err != nil {
		return TestRun{}, err
	}
	if s.Limits.Lower == 0 {
		return TestRun{}, outside("lower limit", 0, "less than 0; for 0 use a chart with a threshold")
	}
	limits := s.Limits.drawnIn()
	start, threshold := -limits.Lower, limits.Upper-limits.Lower
	if err := (Chart{Scores: s.Scores, Threshold: threshold, HeadStart: start}).check(p); err != nil {
		return TestRun{}, err
	}
	limit, err := furthest(within)
	if err != nil {
		return TestRun{}, err
	}
	w := walk{s.Scores, threshold, p}
	to := extent{exactly: max(limit, 256)}
	test, err := w.excursion(start, to)
	if average := test.mean / test.alarm; err != nil || !finite(average) {
		return TestRun{}, s.endless()
	}
	by := alarmBy(test, test, to.exactly)
	median, err := w.medianOfTests(start, test, by)
	if err != nil {
		return TestRun{}, s.endless()
	}
	return TestRun{UnacceptableChance: test.alarm, CasesToEnd: test.mean, AverageRunLength: test.mean / test.alarm,
		MedianRunLength: median, AlarmWithin: pick(by, within)}, nil
}

// medianOfTests is the first case by which half of the resetting charts have
// alarmed. It is counted, not taken from the tail: tests without an event end
// after one number of cases, those with one after another, and the rhythm of
// that fades slowly. Only a median too far to count is the tail's, which is then
// within a thousandth of it.
func (w walk) medianOfTests(start float64, test cycle, by []float64) (float64, error) {
	if n, found := firstHalf(by); found {
		return n, nil
	}
	rate, factor := tail(test, test)
	n := math.Ceil(math.Log(2*factor) / rate)
	if !finite(n) {
		return 0, tooLong(w.threshold)
	}
	limit := float64(1.01*n) + 100
	if limit > 1e6 || float64(len(test.returns))*limit > medianWork {
		return n, nil
	}
	again, err := w.excursion(start, extent{exactly: int(limit), only: true})
	if err != nil {
		return 0, err
	}
	if counted, found := firstHalf(alarmBy(again, again, int(limit))); found {
		n = counted
	}
	return n, nil
}

func (s SPRT) endless() error {
	return outside("upper limit", s.Limits.Upper, "a limit whose run length can be computed: lower it, or move the two rates apart")
}
