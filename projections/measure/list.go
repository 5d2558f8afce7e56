package measure

import (
	"math"
	"slices"
	"strconv"
)

// ListChances is what a chart does on a given list of cases, in its order. Cases
// is the length of the list, and the chances are those of an alarm at or before
// a case of it, under the null and the alternative, each to about 0.0005.
// ObservedMinusExpected are the 95 % limits of the list's other chart after each
// of the same cases: see ObservedMinusExpectedLimits.
type ListChances struct {
	Cases                 int           `json:"cases"`
	InControl             []AlarmWithin `json:"in_control"`
	OutOfControl          []AlarmWithin `json:"out_of_control"`
	ObservedMinusExpected []ListLimits  `json:"observed_minus_expected"`
}

// ListLimits are the limits after so many cases of a list.
type ListLimits struct {
	Cases int `json:"cases"`
	Limits
}

// listed designs a chart for a list of risks.
func (r DesignRequest) listed() (Design, error) {
	if err := r.checkList(); err != nil {
		return Design{}, err
	}
	if r.FalseAlarmChance != 0 && r.WithinCases == 0 {
		r.WithinCases = len(r.Risks)
	}
	mix := make([]MixPoint, len(r.Risks))
	for i, p := range r.Risks {
		mix[i] = MixPoint{Risk: p, Share: 1 / float64(len(mix))}
	}
	mix, err := checkPoints(mix)
	if err != nil {
		return Design{}, err
	}
	chart := MixChart{Mix: mix, OddsRatio: r.OddsRatio, Threshold: r.Threshold, HeadStart: r.HeadStart,
		Competence: r.Kind == Competence, listed: true}
	if chart.Threshold == 0 {
		if chart.Threshold, err = r.searchMixed(chart); err != nil {
			return Design{}, err
		}
		if r.FalseAlarmChance != 0 {
			if chart.Threshold, err = r.searchList(chart); err != nil {
				return Design{}, err
			}
		}
	}
	design, err := r.ofMix(chart)
	if err != nil {
		return Design{}, err
	}
	cases := r.listCases()
	list := ListChances{Cases: len(r.Risks)}
	null, alternative := chart.hypotheses()
	list.InControl = pick(r.chances(chart, null), cases)
	list.OutOfControl = pick(r.chances(chart, alternative), cases)
	limits, err := ObservedMinusExpectedLimits(r.Risks, 0.95)
	if err != nil {
		return Design{}, err
	}
	for _, n := range cases {
		list.ObservedMinusExpected = append(list.ObservedMinusExpected, ListLimits{Cases: n, Limits: limits[n-1]})
	}
	design.List = &list
	return design, nil
}

func (r DesignRequest) checkList() error {
	if err := r.checkMixed("risks"); err != nil {
		return err
	}
	if len(r.CaseMix) > 0 {
		return outsideCount("case_mix", len(r.CaseMix), "nothing when risks is given")
	}
	if len(r.Risks) > maxWithin {
		return outsideCount("number of risks", len(r.Risks), "1 to 10000")
	}
	if r.WithinCases > len(r.Risks) {
		return outsideCount("within_cases", r.WithinCases, "1 to the number of risks = "+strconv.Itoa(len(r.Risks)))
	}
	for i, p := range r.Risks {
		if err := checkProbability("item "+strconv.Itoa(i+1)+" of risks", p); err != nil {
			return err
		}
	}
	return nil
}

// listCases are the numbers of cases that a list states: those of the design
// that it has, and its end.
func (r DesignRequest) listCases() []int {
	cases := slices.DeleteFunc(r.within(), func(n int) bool { return n >= len(r.Risks) })
	return append(cases, len(r.Risks))
}

// chances gives the chance of an alarm at or before each case of the list.
func (r DesignRequest) chances(chart MixChart, trueOddsRatio float64) []float64 {
	return fixedList(r.Risks, chart, trueOddsRatio, driftNodes)
}

// searchList finds the threshold on the list itself, from the one for its mix:
// first roughly, then as the chances are stated.
func (r DesignRequest) searchList(chart MixChart) (threshold float64, err error) {
	null, _ := chart.hypotheses()
	threshold = chart.Threshold
	for _, turn := range []struct {
		nodes float64
		reach float64
	}{{driftNodes / 8, 0.05}, {driftNodes, 0.005}} {
		part := r.Risks[:r.WithinCases]
		threshold, err = r.search(threshold, turn.reach, goal{slack: 2e-4, chance: func(h float64) (float64, error) {
			chart.Threshold = h
			return fixedList(part, chart, null, turn.nodes)[r.WithinCases], nil
		}})
		if err != nil {
			return 0, err
		}
	}
	return math.Max(threshold, 1.0/thresholdsPerUnit), nil
}
