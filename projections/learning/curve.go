package learning

import (
	"slices"

	"lensledger/projections/measure"
)

// StepProgress is one step of a surgeon by case number.
type StepProgress struct {
	Step     string `json:"step"`
	Critical bool   `json:"critical"`
	Cases    int    `json:"cases"`
	Failed   int    `json:"failed"`  // cases in which it was handed over unplanned
	Unknown  int    `json:"unknown"` // cases in which that isn't known
	// The least supervision under which the step was done and not handed over
	// unplanned, and that of the latest run where it is known; "" when none is.
	Reached      string       `json:"supervision_reached"`
	Latest       string       `json:"supervision_latest"`
	Lately       Lately       `json:"lately"`
	Supervisions []Supervised `json:"by_supervision"`
	Times        Curve        `json:"times"`
}

// LatelyCases is how many of the latest cases with a step say under which
// supervision it is done lately. Common practice, no source.
const LatelyCases = 10

// Lately is the least supervision under which a step was done and not handed over
// unplanned in its latest cases, LatelyCases at most; "" when none is on record.
// Failed of the cases were handed over unplanned.
type Lately struct {
	Supervision string `json:"supervision"`
	Cases       int    `json:"cases"`
	Failed      int    `json:"failed"`
	Unknown     int    `json:"unknown"` // cases of which the supervision, or whether it was handed over, isn't known
}

// did is one case of a step: under which supervision (its place in
// supervisionOrder, -1 when unknown), and what came of it.
type did struct {
	supervision   int
	failed, known bool
}

func latelyOf(cases []did) Lately {
	cases = cases[max(0, len(cases)-LatelyCases):]
	out, least := Lately{Cases: len(cases)}, -1
	for _, c := range cases {
		switch {
		case c.failed:
			out.Failed++
		case !c.known || c.supervision < 0:
			out.Unknown++
		default:
			least = max(least, c.supervision)
		}
	}
	if least >= 0 {
		out.Supervision = supervisionOrder[least]
	}
	return out
}

// Supervised counts the cases of a step under one supervision.
type Supervised struct {
	Supervision string `json:"supervision"`
	Cases       int    `json:"cases"`
	Failed      int    `json:"failed"`
	FirstCase   int    `json:"first_case_number"`
	LastCase    int    `json:"last_case_number"`
}

// supervisionOrder is from the closest supervision to none.
var supervisionOrder = []string{"operating", "scrubbed", "in-theatre", "on-site", "none"}

// stepProgressOf sums up the runs of a step, case by case.
func stepProgressOf(runs StepRuns) (StepProgress, error) {
	p := StepProgress{Step: runs.Step, Critical: runs.Critical, Supervisions: []Supervised{}}
	var seconds []measure.CaseValue
	untimed := 0
	bySupervision := make([]Supervised, len(supervisionOrder))
	var cases []did
	for from := 0; from < len(runs.Runs); {
		to := from
		failed, known := false, true
		for ; to < len(runs.Runs) && runs.Runs[to].Case == runs.Runs[from].Case; to++ {
			r := runs.Runs[to]
			failed = failed || (r.Failed != nil && *r.Failed)
			known = known && r.Failed != nil
			if r.Seconds == nil {
				untimed++
				continue
			}
			seconds = append(seconds, measure.CaseValue{Case: max(1, r.CaseNumber), Value: float64(*r.Seconds)})
		}
		last := runs.Runs[to-1]
		from = to
		p.Cases++
		switch {
		case failed:
			p.Failed++
		case !known:
			p.Unknown++
		}
		at := slices.Index(supervisionOrder, last.Supervision)
		cases = append(cases, did{at, failed, known})
		if at < 0 {
			continue
		}
		s := &bySupervision[at]
		if s.Cases == 0 {
			s.Supervision, s.FirstCase = last.Supervision, last.CaseNumber
		}
		s.Cases, s.LastCase, p.Latest = s.Cases+1, last.CaseNumber, last.Supervision
		if failed {
			s.Failed++
		} else if known && at >= slices.Index(supervisionOrder, p.Reached) {
			p.Reached = last.Supervision
		}
	}
	for _, s := range bySupervision {
		if s.Cases > 0 {
			p.Supervisions = append(p.Supervisions, s)
		}
	}
	p.Lately = latelyOf(cases)
	var err error
	p.Times, err = curveOf("seconds", seconds, untimed)
	return p, err
}

// Curve is a time against the case number. It is information, never an aim; a fit
// that the values don't allow is absent, with the reason. Neither fit is made to
// fall.
type Curve struct {
	Unit           string                    `json:"unit"` // seconds or minutes
	N              int                       `json:"n"`
	Unknown        int                       `json:"unknown"`
	Bands          []measure.BandPercentiles `json:"bands"` // lower quartile, median, upper quartile; those with values
	PowerLaw       *measure.PowerLaw         `json:"power_law"`
	PowerLawAbsent string                    `json:"power_law_absent,omitempty"`
	Monotone       *measure.IsotonicFit      `json:"monotone"`
	MonotoneAbsent string                    `json:"monotone_absent,omitempty"`
}

// fewestForFit is the least number of values from which a curve is drawn. Common
// practice, no source.
const fewestForFit = 10

func curveOf(unit string, values []measure.CaseValue, unknown int) (Curve, error) {
	c := Curve{Unit: unit, N: len(values), Unknown: unknown, Bands: []measure.BandPercentiles{}}
	edges := make([]int, len(Bands))
	for i, b := range Bands {
		edges[i] = b.Last
	}
	bands, err := measure.PercentilesByBand(values, edges, 0.25, 0.5, 0.75)
	if err != nil {
		return c, err
	}
	for _, b := range bands {
		if b.N > 0 {
			c.Bands = append(c.Bands, b)
		}
	}
	if len(values) < fewestForFit {
		c.PowerLawAbsent = "fewer than ten values"
		c.MonotoneAbsent = c.PowerLawAbsent
		return c, nil
	}
	if fit, err := measure.NewPowerLaw(values); err != nil {
		c.PowerLawAbsent = err.Error()
	} else {
		c.PowerLaw = &fit
	}
	if fit, err := measure.Monotone(values); err != nil {
		c.MonotoneAbsent = err.Error()
	} else {
		c.Monotone = &fit
	}
	return c, nil
}

// BandCount is how often something happened in a range of a hundred cases. Rate
// and interval are null below 25 cases.
type BandCount struct {
	measure.CaseBand
	Events   int               `json:"events"`
	N        int               `json:"n"`
	Rate     *float64          `json:"rate"`
	Interval *measure.Interval `json:"interval_95"`
}

// smallNumber is the number of cases below which counts stand alone.
const smallNumber = 25

// ratesByBand gives the rate by hundreds of cases, up to the one reached.
func ratesByBand(cases []measure.CaseEvent, reached int) ([]BandCount, error) {
	edges, err := measure.EvenEdges(100, max(1, (reached+99)/100))
	if err != nil {
		return nil, err
	}
	rates, err := measure.RateByBand(cases, edges)
	if err != nil {
		return nil, err
	}
	out := []BandCount{}
	for _, r := range rates {
		if r.Last == nil {
			break // nothing lies beyond the case reached
		}
		b := BandCount{CaseBand: r.CaseBand}
		if r.Rate != nil {
			b.Events, b.N = r.Rate.Events, r.Rate.N
			if b.N >= smallNumber {
				b.Rate, b.Interval = &r.Rate.Rate, &r.Rate.Wilson
			}
		}
		out = append(out, b)
	}
	return out, nil
}
