package main

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// truthTimes: "minutes at case 10, 25, 50, 100, 200, 400, consultant: 50, 45, 38,
// 29, 22, 17, 12. Seconds: rhexis 260, 210, 160, 110, 80, 60, 40; segments 330, 280,
// 240, 190, 140, 110, 75; cortex 300, 255, 215, 165, 120, 90, 60", medians.
var (
	truthAt    = []float64{10, 25, 50, 100, 200, 400}
	truthTimes = map[string][]float64{
		"minutes":           {50, 45, 38, 29, 22, 17, 12},
		"capsulorhexis":     {260, 210, 160, 110, 80, 60, 40},
		"segment-removal":   {330, 280, 240, 190, 140, 110, 75},
		"cortex-aspiration": {300, 255, 215, 165, 120, 90, 60},
	}
)

// "Step log-SD 0.4, surgeon 0.15"; the whole operation "log-SD 0.28".
const (
	truthStepSD, truthSurgeonSD, truthWholeSD = .4, .15, .28
	medianFactor                              = 1.2533 // standard error of a median over that of a mean
)

// truthMargin is what the record adds to the minutes of the steps and gaps: it
// begins one to four minutes before the first step and ends half a minute to two
// after the last (settings of events/simulate).
const truthMargin = 2.5 + 1.25

// truthMedian is the geometric mean of the medians over a run of cases, in
// straight lines between the anchors; a case before the tenth goes on in the line.
func truthMedian(what string, first, last int) float64 {
	rows, sum := truthTimes[what], 0.0
	for n := first; n <= last; n++ {
		i := 1
		for i < len(truthAt)-1 && float64(n) > truthAt[i] {
			i++
		}
		weight := (float64(n) - truthAt[i-1]) / (truthAt[i] - truthAt[i-1])
		v := rows[i-1] + weight*(rows[i]-rows[i-1])
		if what == "minutes" {
			v += truthMargin
		}
		sum += math.Log(v)
	}
	return math.Exp(sum / float64(last-first+1))
}

type truthBandTimes struct {
	First       int `json:"first_case"`
	Last        int `json:"last_case"`
	N           int
	Percentiles []float64
}

// truthProgress is a surgeon's times.
type truthProgress struct {
	Whole struct{ Bands []truthBandTimes } `json:"operating_time"`
	Steps []struct {
		Step  string
		Times struct{ Bands []truthBandTimes }
	}
	Peers struct {
		Bands []struct {
			Step         string
			First        int `json:"first_case"`
			Last         int `json:"last_case"`
			Hidden       bool
			Others, Runs int
			Median       float64 `json:"median_seconds"`
		}
	}
}

// holdTimes: the median of the trainee's peers for each step and stage, trainees'
// whole operations, and consultants. Of a step that a consultant took over in its
// middle the time is neither's; the two trainees who "flatten after case 80" are
// left out of whole operations and stand among the peers.
func (c *truth) holdTimes(t *testing.T) {
	t.Helper()
	var own truthProgress
	c.w.get(t, actors["trainee"], "/v1/surgeons/S-014/progress", &own)
	for _, b := range own.Peers.Bands {
		if truthTimes[b.Step] == nil || b.Hidden || b.Last > 400 || b.Last < b.First {
			continue
		}
		se := math.Sqrt(truthSurgeonSD*truthSurgeonSD/float64(b.Others) + math.Pow(medianFactor*truthStepSD, 2)/float64(b.Runs))
		c.amount(t, fmt.Sprintf("log of peers' median seconds, %s from case %d", b.Step, b.First), math.Log(b.Median),
			math.Log(truthMedian(b.Step, b.First, b.Last)), se)
	}
	// By stage, or "" for consultants: logs of each surgeon's median over the rule.
	type sum struct {
		n            int
		log, squares float64
	}
	sums := map[string]*sum{}
	add := func(what string, median, want, sd float64, runs int) {
		if sums[what] == nil {
			sums[what] = &sum{}
		}
		s := sums[what]
		s.n++
		s.log += math.Log(median / want)
		s.squares += truthSurgeonSD*truthSurgeonSD + math.Pow(medianFactor*sd, 2)/float64(runs)
	}
	for _, s := range c.summary.Surgeons {
		consultant := strings.HasPrefix(s.Code, "C-")
		if strings.HasPrefix(s.Story, "times") {
			continue
		}
		var p truthProgress
		c.w.get(t, truthOfficer(truthHome(s.Code, s.Department)), "/v1/surgeons/"+s.Code+"/progress", &p)
		for _, b := range p.Whole.Bands {
			switch {
			case b.N < 5:
			case consultant:
				add("consultants' minutes", b.Percentiles[1], 12+truthMargin, truthWholeSD, b.N)
			case b.Last >= b.First && b.Last <= 400:
				add(fmt.Sprintf("trainees' minutes from case %d", b.First), b.Percentiles[1], truthMedian("minutes", b.First, b.Last), truthWholeSD, b.N)
			}
		}
		for _, step := range p.Steps {
			if rows := truthTimes[step.Step]; consultant && rows != nil {
				for _, b := range step.Times.Bands {
					add("consultants' seconds, "+step.Step, b.Percentiles[1], rows[len(rows)-1], truthStepSD, b.N)
				}
			}
		}
	}
	for what, s := range sums {
		c.amount(t, "log ratio of "+what, s.log/float64(s.n), 0, math.Sqrt(s.squares)/float64(s.n))
	}
}
