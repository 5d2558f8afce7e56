package main

import (
	"encoding/json"
	"os"

	"lensledger/projections/measure"
)

type designCommand struct {
	Acceptable       float64 `required:"" help:"Acceptable probability of the event, for example 0.03."`
	Unacceptable     float64 `help:"Unacceptable probability; or --odds-ratio."`
	OddsRatio        float64 `help:"Odds ratio that the chart is to find."`
	Threshold        float64 `help:"Line of the chart, in log-likelihood units; or --false-alarm-chance with --within-cases; or --run-length."`
	FalseAlarmChance float64 `help:"Wanted chance of a false alarm within --within-cases."`
	WithinCases      int     `help:"Cases within which the chance holds."`
	RunLength        float64 `help:"Wanted average cases to a false alarm."`
	Kind             string  `default:"detection" enum:"detection,competence" help:"detection or competence."`
}

// Run prints the chart's threshold and exact run lengths as JSON.
func (c *designCommand) Run() error {
	d, err := measure.NewDesign(measure.DesignRequest{Acceptable: c.Acceptable, Unacceptable: c.Unacceptable, OddsRatio: c.OddsRatio,
		Threshold: c.Threshold, FalseAlarmChance: c.FalseAlarmChance, WithinCases: c.WithinCases, RunLength: c.RunLength, Kind: measure.Kind(c.Kind)})
	if err != nil {
		return err
	}
	out := json.NewEncoder(os.Stdout)
	out.SetIndent("", "  ")
	return out.Encode(d)
}
