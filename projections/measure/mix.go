package measure

import (
	"math"
	"sort"
)

// MixPoint is one risk in a case mix and the share of cases that carry it.
type MixPoint struct {
	Risk  float64 `json:"risk"`
	Share float64 `json:"share"`
}

// MixChart is a risk-adjusted chart whose cases' risks are drawn from a case
// mix. OddsRatio is the one it watches for; Competence reverses its scores, so
// that the null is the odds ratio and cases without event raise the chart.
type MixChart struct {
	Mix        []MixPoint
	OddsRatio  float64
	Threshold  float64
	HeadStart  float64 // where it begins, usually 0
	Competence bool

	listed bool // the mix is that of a list of cases, of any length
}

// maxMix bounds a case mix: more points change nothing that can be seen. A list
// of risks makes one of as many points as it has cases.
const maxMix = 500

// checkMix wants risks inside 0 to 1 and shares that add up to 1, to 1e-6. It
// gives the mix sorted by risk, each risk once, with shares that add up to 1.
func checkMix(mix []MixPoint) ([]MixPoint, error) {
	if len(mix) == 0 || len(mix) > maxMix {
		return nil, outsideCount("number of points of case_mix", len(mix), "1 to 500")
	}
	return checkPoints(mix)
}

func checkPoints(mix []MixPoint) ([]MixPoint, error) {
	sorted := append([]MixPoint(nil), mix...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].Risk < sorted[j].Risk })
	sum := 0.0
	for _, point := range sorted {
		if err := checkProbability("risk of case_mix", point.Risk); err != nil {
			return nil, err
		}
		if !(point.Share > 0 && point.Share <= 1+1e-6) {
			return nil, outside("share of case_mix", point.Share, "more than 0 and at most 1")
		}
		sum += point.Share
	}
	if math.Abs(sum-1) > 1e-6 {
		return nil, outside("sum of shares of case_mix", sum, "1")
	}
	merged := sorted[:0]
	for _, point := range sorted {
		point.Share /= sum
		if last := len(merged) - 1; last >= 0 && merged[last].Risk == point.Risk {
			merged[last].Share += point.Share
			continue
		}
		merged = append(merged, point)
	}
	return merged, nil
}

// meanRisk is the average risk of a checked mix.
func meanRisk(mix []MixPoint) float64 {
	mean := 0.0
	for _, point := range mix {
		mean += float64(point.Risk * point.Share)
	}
	return mean
}

// hypotheses are the true odds ratios under the null and the alternative.
func (c MixChart) hypotheses() (null, alternative float64) {
	if c.Competence {
		return c.OddsRatio, 1
	}
	return 1, c.OddsRatio
}

// meanScores are the scores of a case with the mean risk.
func (c MixChart) meanScores() (Scores, error) {
	scores, err := LLR(meanRisk(c.Mix), c.OddsRatio)
	if c.Competence {
		scores = scores.Reversed()
	}
	return scores, err
}

// risen is a risk whose odds are multiplied by an odds ratio.
func risen(p, oddsRatio float64) float64 {
	return float64(oddsRatio*p) / (1 - p + float64(oddsRatio*p))
}

// jump is one thing that can happen at a case: a score and its chance.
type jump struct {
	score  float64
	chance float64
}

// jumps lists what can happen at a case whose true odds are true times those of
// the mix.
func (c MixChart) jumps(mix []MixPoint, trueOddsRatio float64) ([]jump, error) {
	out := make([]jump, 0, 2*len(mix))
	for _, point := range mix {
		s, err := LLR(point.Risk, c.OddsRatio)
		if err != nil {
			return nil, err
		}
		if c.Competence {
			s = s.Reversed()
		}
		p := risen(point.Risk, trueOddsRatio)
		out = append(out, jump{s.Event, float64(point.Share * p)}, jump{s.NoEvent, float64(point.Share * (1 - p))})
	}
	return out, nil
}

// MixRunLength is a run length with the largest relative error that its average
// may carry: 0 when all scores lie on one lattice and the answer is exact, else
// the change that halving the lattice's width last made and unevenError more,
// for the part that does not fall evenly with the width.
type MixRunLength struct {
	RunLength
	RelativeError float64 `json:"relative_error"`
}

// RunLength gives the chart's run length when the true odds of every case are
// trueOddsRatio times those of its risk: 1 is as acceptable. The chances of an
// alarm are within the numbers of cases asked for (1 to 10000).
//
// Source: the Markov chain of Brook D, Evans DA. Biometrika 1972;59:539-549
// (from memory), with scores rounded in pairs that keep their mean: Webster RA,
// Pettitt AN 2007; Knoth S, Wittenberg P, Gan FF. Stat Med 2019;38:2206.
func (c MixChart) RunLength(trueOddsRatio float64, within ...int) (MixRunLength, error) {
	limit, err := furthest(within)
	if err != nil {
		return MixRunLength{}, err
	}
	steps, err := c.checked(trueOddsRatio)
	if err != nil {
		return MixRunLength{}, err
	}
	if len(steps) == 2 { // one risk: a chart without case mix
		chart := Chart{Scores: Scores{Event: steps[0].score, NoEvent: steps[1].score}, Threshold: c.Threshold, HeadStart: c.HeadStart}
		exact, err := chart.RunLength(steps[0].chance, within...)
		return MixRunLength{RunLength: exact}, err
	}
	if g, ok := commonGrid(steps, c.Threshold); ok {
		if start, ok := g.from(c.HeadStart); ok {
			exact, err := g.runLength(start, limit, within)
			return MixRunLength{RunLength: exact}, err
		}
	}
	coarse, fine := evenNodes(steps)
	g := evenGrid(steps, c.Threshold, coarse)
	start, _ := g.from(c.HeadStart)
	rough, err := g.runLength(start, limit, within)
	if err != nil {
		return MixRunLength{}, err
	}
	g = evenGrid(steps, c.Threshold, fine)
	start, _ = g.from(c.HeadStart)
	average, err := g.average(start)
	if err != nil {
		return MixRunLength{}, err
	}
	off := math.Abs(average/rough.AverageRunLength-1) + unevenError
	rough.AverageRunLength = average
	return MixRunLength{RunLength: rough, RelativeError: off}, nil
}

func (c MixChart) checked(trueOddsRatio float64) ([]jump, error) {
	check := checkMix
	if c.listed {
		check = checkPoints
	}
	mix, err := check(c.Mix)
	if err != nil {
		return nil, err
	}
	if !(trueOddsRatio >= 1e-3 && trueOddsRatio <= 1e3) {
		return nil, outside("true odds ratio", trueOddsRatio, "0.001 to 1000")
	}
	if !(c.Threshold > 0 && c.Threshold <= 20) {
		return nil, outside("threshold", c.Threshold, "more than 0 and at most 20")
	}
	if !(c.HeadStart >= 0 && c.HeadStart < c.Threshold) {
		return nil, outside("head_start", c.HeadStart, "0 up to the threshold = "+number(c.Threshold))
	}
	return c.jumps(mix, trueOddsRatio)
}

// unevenError is the part of an average that may not fall evenly with the
// lattice's width: scores and threshold meet the nodes by chance.
const unevenError = 0.001

// evenNodes are how many parts a mix's two lattices have. Scores of many risks
// smooth each other out, and their moves cost the more.
func evenNodes(steps []jump) (coarse, fine int) {
	if len(steps) > 40 {
		return 500, 1000
	}
	return 1000, 2000
}
