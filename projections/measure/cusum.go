package measure

import (
	"math"
	"strconv"
)

// Scores are what a case adds to a chart: Event when the outcome came, NoEvent
// when it did not. They are log-likelihood ratios, without unit.
type Scores struct {
	Event   float64 `json:"event"`
	NoEvent float64 `json:"no_event"`
}

// Of is the score of one outcome.
func (s Scores) Of(event bool) float64 {
	if event {
		return s.Event
	}
	return s.NoEvent
}

// LLR gives the scores of a case with risk p on a chart that watches for the
// odds of an event being oddsRatio times the acceptable ones. An odds ratio
// above 1 makes an upward chart (worse than acceptable), one below 1 a chart for
// fewer events than expected; both climb from 0 towards their threshold.
//
// Source: Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics
// 2000;1:441-452, with R0 = 1.
func LLR(p, oddsRatio float64) (Scores, error) {
	if err := checkProbability("risk", p); err != nil {
		return Scores{}, err
	}
	if !(oddsRatio >= 1e-3 && oddsRatio <= 1e3) || oddsRatio == 1 {
		return Scores{}, outside("odds_ratio", oddsRatio, "0.001 to 1000 and not 1")
	}
	base := math.Log(1 - p + float64(oddsRatio*p))
	return Scores{Event: math.Log(oddsRatio) - base, NoEvent: -base}, nil
}

// BernoulliScores gives the scores of a chart without case mix: acceptable rate
// p0 against p1. With p1 above p0 an event raises the chart, with p1 below p0 a
// case without event does.
//
// Source: Reynolds MR, Stoumbos ZG. J Qual Technol 1999;31:87-108.
func BernoulliScores(p0, p1 float64) (Scores, error) {
	if err := checkProbability("acceptable", p0); err != nil {
		return Scores{}, err
	}
	if err := checkProbability("unacceptable", p1); err != nil {
		return Scores{}, err
	}
	if p0 == p1 {
		return Scores{}, outside("unacceptable", p1, "another rate than acceptable = "+number(p0))
	}
	return Scores{Event: math.Log(p1 / p0), NoEvent: math.Log((1 - p1) / (1 - p0))}, nil
}

// CompetenceScores gives the scores of a competence chart: the null is the
// unacceptable rate, the alternative the acceptable one, so a case without event
// raises the chart and an event lowers it. Reaching the threshold is evidence
// for the acceptable rate.
//
// Source: Biau DJ, Williams SM, Schlup MM, Nizard RS, Porcher R. Br J Surg
// 2008;95:925-929; Biau DJ, Porcher R. Stat Med 2010;29:1900-1909.
func CompetenceScores(acceptable, unacceptable float64) (Scores, error) {
	if err := checkProbability("acceptable", acceptable); err != nil {
		return Scores{}, err
	}
	if err := checkProbability("unacceptable", unacceptable); err != nil {
		return Scores{}, err
	}
	if unacceptable <= acceptable {
		return Scores{}, outside("unacceptable", unacceptable, "more than acceptable = "+number(acceptable))
	}
	return Scores{Event: math.Log(acceptable / unacceptable), NoEvent: math.Log((1 - acceptable) / (1 - unacceptable))}, nil
}

// Reversed turns detection scores into competence scores of the same case and
// back: the two hypotheses change places.
func (s Scores) Reversed() Scores { return Scores{Event: -s.Event, NoEvent: -s.NoEvent} }

// Point is one case on a chart. Crossed says that the value stands at or above
// the threshold; Alarm marks the first such case since the start or the last
// restart; Alarmed stays true from it until a restart.
type Point struct {
	Score   float64 `json:"score"`
	Value   float64 `json:"value"`
	Crossed bool    `json:"crossed"`
	Alarm   bool    `json:"alarm"`
	Alarmed bool    `json:"alarmed"`
}

// After gives the point of the next case: value = max(0, value + score). The
// zero Point stands before the first case and after a restart.
func (p Point) After(score, threshold float64) Point {
	next := Point{Score: score, Value: math.Max(0, p.Value+score)}
	next.Crossed = next.Value >= threshold
	next.Alarm = next.Crossed && !p.Alarmed
	next.Alarmed = next.Crossed || p.Alarmed
	return next
}

// Path gives a chart's points for the scores of its cases in order. An alarm is
// value >= threshold. The chart is not restarted by an alarm: it keeps climbing,
// until a restart that someone decided. A restart i sets the value to 0 before
// case i, counted from 0.
//
// Source: Page ES. Biometrika 1954;41:100-115 (from memory).
func Path(scores []float64, threshold float64, restarts ...int) ([]Point, error) {
	return PathFrom(nil, scores, threshold, restarts...)
}

// PathFrom keeps the points already known and adds those of the remaining
// scores; scores are those of the whole chart, so that a case that changed late costs only the cases from it on.
// Restarts count from the first case of the chart, and those among the known
// points are left as they are.
func PathFrom(known []Point, scores []float64, threshold float64, restarts ...int) ([]Point, error) {
	if !(threshold > 0 && finite(threshold)) {
		return nil, outside("threshold", threshold, "more than 0")
	}
	if len(known) > len(scores) {
		return nil, outsideCount("known points", len(known), "at most the number of scores")
	}
	restarted := make(map[int]bool, len(restarts))
	for _, i := range restarts {
		if i < 0 || i > len(scores) {
			return nil, outsideCount("restart", i, "0 to "+strconv.Itoa(len(scores)))
		}
		restarted[i] = true
	}
	points := make([]Point, len(known), len(scores))
	copy(points, known)
	var before Point
	if len(known) > 0 {
		before = known[len(known)-1]
	}
	for i := len(known); i < len(scores); i++ {
		if !finite(scores[i]) || math.Abs(scores[i]) > 1e6 {
			return nil, outside("score of case "+strconv.Itoa(i+1), scores[i], "-1000000 to 1000000")
		}
		if restarted[i] {
			before = Point{}
		}
		before = before.After(scores[i], threshold)
		points = append(points, before)
	}
	return points, nil
}

// ObservedMinusExpected gives, after each case, the events so far less the sum
// of the risks so far: 0 is as expected, above 0 more events than expected.
//
// Source: Lovegrove J, Valencia O, Treasure T, et al. Lancet 1997;350:1128-1130
// (from memory), with the sign turned.
func ObservedMinusExpected(risks []float64, events []bool) ([]float64, error) {
	if len(events) != len(risks) {
		return nil, outsideCount("number of events", len(events), "as many as risks: "+strconv.Itoa(len(risks)))
	}
	out := make([]float64, len(risks))
	observed, expected := 0, 0.0
	for i, p := range risks {
		if !(p >= 0 && p <= 1) {
			return nil, outside("risk of case "+strconv.Itoa(i+1), p, "0 to 1")
		}
		expected += p
		if events[i] {
			observed++
		}
		out[i] = float64(observed) - expected
	}
	return out, nil
}
