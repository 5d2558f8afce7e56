package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strconv"

	"lensledger/projections/measure"
)

type designCommand struct {
	Acceptable       float64            `help:"Acceptable probability of the event, for example 0.03; or --risks."`
	Unacceptable     float64            `help:"Unacceptable probability; or --odds-ratio."`
	OddsRatio        float64            `help:"Odds ratio that the chart is to find."`
	Threshold        float64            `help:"Line of the chart, in log-likelihood units; or --false-alarm-chance with --within-cases; or --run-length."`
	FalseAlarmChance float64            `help:"Wanted chance of a false alarm within --within-cases."`
	WithinCases      int                `help:"Cases within which the chance holds."`
	RunLength        float64            `help:"Wanted average cases to a false alarm."`
	Kind             string             `default:"detection" enum:"detection,competence,boundary" help:"detection, competence or boundary (a sequential test)."`
	Direction        string             `default:"up" enum:"up,down" help:"up for more events than acceptable, down for fewer."`
	HeadStart        float64            `help:"Value at which the chart begins, below its line."`
	CaseMix          map[string]float64 `placeholder:"RISK=SHARE;..." help:"Case mix in place of --acceptable: each risk with its share, for example 0.01=0.7;0.04=0.3."`
	Risks            []float64          `help:"Risks of a list of cases in order, in place of --acceptable; comma between them."`
	Alpha            float64            `help:"Of a boundary chart: wanted chance to call an acceptable rate unacceptable."`
	Beta             float64            `help:"Of a boundary chart: wanted chance to call an unacceptable rate acceptable."`
	AlarmWithin      []int              `help:"Numbers of cases at which to state the chance of an alarm."`
	SteadyState      bool               `help:"Also state the averages of a change that comes late."`
}

// Run prints the chart's threshold and run lengths as JSON.
func (c *designCommand) Run() error {
	mix, err := caseMix(c.CaseMix)
	if err != nil {
		return err
	}
	d, err := measure.NewDesign(measure.DesignRequest{CaseMix: mix, Acceptable: c.Acceptable, Unacceptable: c.Unacceptable, OddsRatio: c.OddsRatio,
		Threshold: c.Threshold, FalseAlarmChance: c.FalseAlarmChance, WithinCases: c.WithinCases, RunLength: c.RunLength,
		Kind: measure.Kind(c.Kind), Direction: measure.Direction(c.Direction), HeadStart: c.HeadStart, Risks: c.Risks,
		Alpha: c.Alpha, Beta: c.Beta, AlarmWithin: c.AlarmWithin, SteadyState: c.SteadyState})
	if err != nil {
		return err
	}
	out := json.NewEncoder(os.Stdout)
	out.SetIndent("", "  ")
	return out.Encode(d)
}

// caseMix reads the risks of a case mix, in rising order.
func caseMix(shares map[string]float64) ([]measure.MixPoint, error) {
	var mix []measure.MixPoint
	for text, share := range shares {
		risk, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return nil, fmt.Errorf("--case-mix: found the risk %q, allowed a probability such as 0.01", text)
		}
		mix = append(mix, measure.MixPoint{Risk: risk, Share: share})
	}
	slices.SortFunc(mix, func(a, b measure.MixPoint) int { return cmp.Compare(a.Risk, b.Risk) })
	return mix, nil
}
