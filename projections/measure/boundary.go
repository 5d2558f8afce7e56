package measure

// BoundaryTest is a boundary chart's design beside its run lengths: the limits
// in log-likelihood units, the same chart drawn in events, and what a single
// test does under the null and the alternative. The run lengths of its Design
// are those of the resetting chart, on which a new test begins whenever the
// lower limit is reached.
type BoundaryTest struct {
	Limits       WaldLimits    `json:"limits"`
	Events       BoundaryChart `json:"events"`
	InControl    SingleTest    `json:"in_control"`
	OutOfControl SingleTest    `json:"out_of_control"`
}

// SingleTest is one sequential test at one true rate: the chance that it ends
// at the upper limit, and its average length in cases.
type SingleTest struct {
	UnacceptableChance float64 `json:"unacceptable_chance"`
	CasesToEnd         float64 `json:"cases_to_end"`
}

// checkBoundary refuses what a boundary chart does not take.
func (r DesignRequest) checkBoundary() error {
	for _, given := range []struct {
		name  string
		value float64
	}{
		{"threshold", r.Threshold}, {"false_alarm_chance", r.FalseAlarmChance}, {"run_length", r.RunLength}, {"head_start", r.HeadStart},
	} {
		if given.value != 0 {
			return outside(given.name, given.value, "nothing when kind is boundary: its limits come from alpha and beta")
		}
	}
	if r.WithinCases < 0 || r.WithinCases > maxWithin {
		return outsideCount("within_cases", r.WithinCases, "1 to 10000")
	}
	if len(r.CaseMix) > 0 {
		return outsideCount("case_mix", len(r.CaseMix), "nothing when kind is boundary")
	}
	if len(r.Risks) > 0 {
		return outsideCount("risks", len(r.Risks), "nothing when kind is boundary")
	}
	if r.SteadyState {
		return outsideWord("steady_state", "true", "nothing when kind is boundary")
	}
	_, err := NewWaldLimits(r.Alpha, r.Beta)
	return err
}

// boundary designs a sequential test.
func (r DesignRequest) boundary() (Design, error) {
	acceptable, unacceptable, err := r.rates()
	if err != nil {
		return Design{}, err
	}
	scores, err := BernoulliScores(acceptable, unacceptable)
	if err != nil {
		return Design{}, err
	}
	limits, err := NewWaldLimits(r.Alpha, r.Beta)
	if err != nil {
		return Design{}, err
	}
	chart, err := NewBoundaryChart(acceptable, unacceptable, r.Alpha, r.Beta)
	if err != nil {
		return Design{}, err
	}
	design := Design{Threshold: limits.Upper, Scores: scores, Boundary: &BoundaryTest{Limits: limits, Events: chart}}
	test := SPRT{Scores: scores, Limits: limits}
	for _, one := range []struct {
		rate   float64
		run    *RunLength
		single *SingleTest
	}{
		{acceptable, &design.InControl, &design.Boundary.InControl}, {unacceptable, &design.OutOfControl, &design.Boundary.OutOfControl},
	} {
		got, err := test.Test(one.rate, r.within()...)
		if err != nil {
			return Design{}, &ArgumentError{Name: "alpha", Got: number(r.Alpha),
				Allowed: "one whose run lengths can be computed: raise it, or move the two rates apart"}
		}
		*one.run = RunLength{AverageRunLength: got.AverageRunLength, MedianRunLength: got.MedianRunLength, AlarmWithin: got.AlarmWithin}
		*one.single = SingleTest{UnacceptableChance: got.UnacceptableChance, CasesToEnd: got.CasesToEnd}
	}
	return design, nil
}
