package measure

import (
	"math"
	"testing"
)

func sameRun(t *testing.T, what string, got, want RunLength, tolerance float64) {
	t.Helper()
	near(t, what+" average", got.AverageRunLength/want.AverageRunLength, 1, tolerance)
	near(t, what+" median", got.MedianRunLength, want.MedianRunLength, tolerance*want.MedianRunLength)
	for i := range want.AlarmWithin {
		near(t, what+" chance", got.AlarmWithin[i].Chance, want.AlarmWithin[i].Chance, tolerance)
	}
}

// A chart for fewer events is the mirror of one for more of their absence: rate
// 1-p and the inverse odds ratio.
func TestDirectionDownMirrorsUp(t *testing.T) {
	for _, c := range []struct{ p0, oddsRatio float64 }{{.03, 2}, {.1, 1.5}, {.25, 3}, {.5, 2}} {
		up := must[Design](t)(NewDesign(DesignRequest{Acceptable: c.p0, OddsRatio: c.oddsRatio, RunLength: 800, SteadyState: true}))
		down := must[Design](t)(NewDesign(DesignRequest{Acceptable: 1 - c.p0, OddsRatio: 1 / c.oddsRatio, RunLength: 800, Direction: Down, SteadyState: true}))
		near(t, "threshold", down.Threshold, up.Threshold, 1.5e-4)
		down = must[Design](t)(NewDesign(DesignRequest{Acceptable: 1 - c.p0, OddsRatio: 1 / c.oddsRatio, Threshold: up.Threshold, Direction: Down, SteadyState: true}))
		near(t, "event", down.Scores.Event, up.Scores.NoEvent, 1e-14)
		near(t, "no event", down.Scores.NoEvent, up.Scores.Event, 1e-14)
		sameRun(t, "in control", down.InControl, up.InControl, 1e-10)
		sameRun(t, "out of control", down.OutOfControl, up.OutOfControl, 1e-10)
		near(t, "late", down.SteadyState.OutOfControl/up.SteadyState.OutOfControl, 1, 1e-10)
		near(t, "late", down.SteadyState.InControl/up.SteadyState.InControl, 1, 1e-10)
	}
	// With a case mix as well, within what each states.
	mix, mirrored := referenceMixes(t)["generic"], []MixPoint(nil)
	for _, p := range mix {
		mirrored = append(mirrored, MixPoint{1 - p.Risk, p.Share})
	}
	up := must[Design](t)(NewDesign(DesignRequest{CaseMix: mix, OddsRatio: 2, Threshold: 2}))
	down := must[Design](t)(NewDesign(DesignRequest{CaseMix: mirrored, OddsRatio: .5, Threshold: 2, Direction: Down}))
	sameRun(t, "mix", down.InControl, up.InControl, 1e-7)
	// Down by a rate: 4 % acceptable, 2 % to be found.
	rate := must[Design](t)(NewDesign(DesignRequest{Acceptable: .04, Unacceptable: .02, Threshold: 2, Direction: Down}))
	if rate.Scores.Event >= 0 || rate.Scores.NoEvent <= 0 || rate.OutOfControl.AverageRunLength >= rate.InControl.AverageRunLength {
		t.Errorf("%+v", rate)
	}
}

// Run lengths grow with the threshold and shrink with the head start, in every
// kind of chart.
func TestDesignsAreMonotone(t *testing.T) {
	risks := make([]float64, 150)
	for i := range risks {
		risks[i] = 0.01 + 0.09*float64(i%7)/7
	}
	for _, r := range []DesignRequest{
		{Acceptable: .03, OddsRatio: 2}, {Acceptable: .05, OddsRatio: 2, Kind: Competence}, {Acceptable: .1, OddsRatio: .5, Direction: Down},
		{CaseMix: referenceMixes(t)["generic"], OddsRatio: 2}, {CaseMix: referenceMixes(t)["lattice_up"], OddsRatio: 2},
		{CaseMix: referenceMixes(t)["generic"], OddsRatio: 2, Kind: Competence}, {Risks: risks, OddsRatio: 2}, {Risks: risks, OddsRatio: 2, Kind: Competence},
	} {
		var last *Design
		for _, r.Threshold = range []float64{1.5, 2, 2.6, 3.3} {
			d := must[Design](t)(NewDesign(r))
			if last != nil && !(d.InControl.AverageRunLength > last.InControl.AverageRunLength && d.OutOfControl.AverageRunLength > last.OutOfControl.AverageRunLength &&
				d.InControl.AlarmWithin[2].Chance < last.InControl.AlarmWithin[2].Chance) {
				t.Errorf("%+v: %+v after %+v", r, d.InControl, last.InControl)
			}
			last = &d
		}
		last = nil
		for _, r.HeadStart = range []float64{0, 0.4, 1.1, 2, 3} {
			d := must[Design](t)(NewDesign(r))
			if last != nil && !(d.InControl.AverageRunLength < last.InControl.AverageRunLength && d.OutOfControl.AverageRunLength < last.OutOfControl.AverageRunLength) {
				t.Errorf("%+v: average %g after %g with a smaller head start", r, d.InControl.AverageRunLength, last.InControl.AverageRunLength)
			}
			if last != nil && d.List != nil && !(d.List.InControl[len(d.List.InControl)-1].Chance > last.List.InControl[len(last.List.InControl)-1].Chance) {
				t.Errorf("chance in the list %g after %g with a smaller head start", d.List.InControl[len(d.List.InControl)-1].Chance, last.List.InControl[len(last.List.InControl)-1].Chance)
			}
			last = &d
		}
	}
}

// A threshold is found for a chart with a head start too.
func TestSearchWithHeadStart(t *testing.T) {
	for _, r := range []DesignRequest{
		{Acceptable: .03, OddsRatio: 2, RunLength: 500, HeadStart: 1}, {Acceptable: .03, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 100, HeadStart: 2.5},
		{CaseMix: referenceMixes(t)["generic"], OddsRatio: 2, RunLength: 500, HeadStart: 1},
	} {
		d := must[Design](t)(NewDesign(r))
		if r.RunLength > 0 && !(d.InControl.AverageRunLength >= r.RunLength*(1-1e-9) && d.InControl.AverageRunLength < r.RunLength*1.01) {
			t.Errorf("%+v: average %g", r, d.InControl.AverageRunLength)
		}
		if r.FalseAlarmChance > 0 {
			if got := within(t, d.InControl, 100); got > .05 || got < .049 {
				t.Errorf("%+v: chance %g", r, got)
			}
		}
		if d.Threshold <= r.HeadStart {
			t.Errorf("%+v: threshold %g", r, d.Threshold)
		}
	}
}

// A list of equal risks is a chart without case mix, in order or not.
func TestListDesign(t *testing.T) {
	risks := make([]float64, 320)
	for i := range risks {
		risks[i] = .04
	}
	for _, kind := range []Kind{Detection, Competence} {
		want := must[Design](t)(NewDesign(DesignRequest{Acceptable: .04, OddsRatio: 2, Threshold: 2.3, Kind: kind, WithinCases: 320, HeadStart: .5}))
		got := must[Design](t)(NewDesign(DesignRequest{Risks: risks, OddsRatio: 2, Threshold: 2.3, Kind: kind, WithinCases: 320, HeadStart: .5}))
		sameRun(t, "as a mix", got.InControl, want.InControl, 1e-12)
		if got.List.Cases != 320 || len(got.List.InControl) != 5 {
			t.Fatalf("%+v", got.List)
		}
		for i, w := range got.List.InControl {
			near(t, "in control", w.Chance, within(t, want.InControl, w.Cases), 5e-4)
			near(t, "out of control", got.List.OutOfControl[i].Chance, within(t, want.OutOfControl, w.Cases), 5e-4)
			if l := got.List.ObservedMinusExpected[i]; l.Cases != w.Cases || !(l.Lower < 0 && l.Upper > 0) {
				t.Errorf("observed minus expected %+v at %d cases", l, w.Cases)
			}
		}
	}
	// The threshold for a chance within the list keeps it.
	for i := range risks {
		risks[i] = 0.005 + 0.1*float64(i*7%11)/11
	}
	for _, cases := range []int{0, 100} {
		d := must[Design](t)(NewDesign(DesignRequest{Risks: risks, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: cases}))
		at := 320
		if cases != 0 {
			at = cases
		}
		chance := must[[]float64](t)(FixedList(risks, 2, d.Threshold, 1))[at]
		if chance > .05 || chance < .0495 {
			t.Errorf("chance %g within %d of the list", chance, at)
		}
	}
	lists := must[Design](t)(NewDesign(DesignRequest{Risks: risks, OddsRatio: .5, Direction: Down, RunLength: 500, SteadyState: true}))
	if lists.InControl.AverageRunLength < 500 || lists.SteadyState == nil || lists.RelativeError <= 0 {
		t.Errorf("%+v", lists)
	}
}

// 5 % against 10 % with alpha and beta 0.1: see TestSPRTIsExact.
func TestBoundaryDesign(t *testing.T) {
	d := must[Design](t)(NewDesign(DesignRequest{Kind: Boundary, Acceptable: .05, Unacceptable: .10, Alpha: .1, Beta: .1, AlarmWithin: []int{100, 7}}))
	near(t, "average", d.InControl.AverageRunLength, 1409.4842279267245, 1e-6)
	near(t, "average", d.OutOfControl.AverageRunLength, 106.6568402452113, 1e-7)
	near(t, "alarm within 100", within(t, d.InControl, 100), 0.060700378439854555, 1e-11)
	near(t, "wrong end", d.Boundary.InControl.UnacceptableChance, 0.0789318396118132, 1e-11)
	near(t, "cases to the end", d.Boundary.OutOfControl.CasesToEnd, 96.0430744785847, 1e-7)
	near(t, "h1", d.Boundary.Events.H1, 2.940554, 1e-6)
	near(t, "threshold", d.Threshold, math.Log(9), 1e-12)
	if len(d.InControl.AlarmWithin) != 2 || d.InControl.AlarmWithin[0].Cases != 7 {
		t.Errorf("%+v", d.InControl.AlarmWithin)
	}
	// The median, counted.
	test := SPRT{d.Scores, d.Boundary.Limits}
	median := int(d.InControl.MedianRunLength)
	run := must[TestRun](t)(test.Test(.05, median-1, median))
	if run.AlarmWithin[0].Chance >= .5 || run.AlarmWithin[1].Chance < .5 {
		t.Errorf("median %d has chances %+v", median, run.AlarmWithin)
	}
}

func TestDesignKindsRefuse(t *testing.T) {
	risks := []float64{.01, .05, .02}
	for _, c := range []struct {
		what    string
		request DesignRequest
		name    string
	}{
		{"direction", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, Direction: "sideways"}, "direction"},
		{"competence down", DesignRequest{Acceptable: .1, OddsRatio: .5, Threshold: 2, Direction: Down, Kind: Competence}, "direction"},
		{"down above 1", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, Direction: Down}, "odds_ratio"},
		{"down, nearly 1", DesignRequest{Acceptable: .1, OddsRatio: .97, Threshold: 2, Direction: Down}, "odds_ratio"},
		{"down, higher rate", DesignRequest{Acceptable: .1, Unacceptable: .2, Threshold: 2, Direction: Down}, "unacceptable"},
		{"head start at the threshold", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, HeadStart: 2}, "head_start"},
		{"head start below 0", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, HeadStart: -1}, "head_start"},
		{"head start NaN", DesignRequest{Acceptable: .1, OddsRatio: 2, RunLength: 200, HeadStart: math.NaN()}, "head_start"},
		{"alpha of a detection chart", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, Alpha: .1}, "alpha"},
		{"beta of a detection chart", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, Beta: .1}, "beta"},
		{"alarm_within 0", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, AlarmWithin: []int{5, 0}}, "alarm_within"},
		{"alarm_within 10001", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, AlarmWithin: []int{10_001}}, "alarm_within"},
		{"many alarm_within", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, AlarmWithin: make([]int, 101)}, "number of alarm_within"},
		{"list with acceptable", DesignRequest{Acceptable: .1, Risks: risks, OddsRatio: 2, Threshold: 2}, "acceptable"},
		{"list with unacceptable", DesignRequest{Unacceptable: .1, Risks: risks, OddsRatio: 2, Threshold: 2}, "unacceptable"},
		{"list with a mix", DesignRequest{Risks: risks, CaseMix: []MixPoint{{.1, 1}}, OddsRatio: 2, Threshold: 2}, "case_mix"},
		{"list, past its end", DesignRequest{Risks: risks, OddsRatio: 2, Threshold: 2, WithinCases: 4}, "within_cases"},
		{"list of a risk of 1", DesignRequest{Risks: []float64{.1, 1}, OddsRatio: 2, Threshold: 2}, "item 2 of risks"},
		{"list of NaN", DesignRequest{Risks: []float64{math.NaN()}, OddsRatio: 2, Threshold: 2}, "item 1 of risks"},
		{"long list", DesignRequest{Risks: make([]float64, 10_001), OddsRatio: 2, Threshold: 2}, "number of risks"},
		{"boundary without alpha", DesignRequest{Kind: Boundary, Acceptable: .05, OddsRatio: 2, Beta: .1}, "alpha"},
		{"boundary without beta", DesignRequest{Kind: Boundary, Acceptable: .05, OddsRatio: 2, Alpha: .1}, "beta"},
		{"boundary with a threshold", DesignRequest{Kind: Boundary, Acceptable: .05, OddsRatio: 2, Alpha: .1, Beta: .1, Threshold: 2}, "threshold"},
		{"boundary with a run length", DesignRequest{Kind: Boundary, Acceptable: .05, OddsRatio: 2, Alpha: .1, Beta: .1, RunLength: 100}, "run_length"},
		{"boundary with a chance", DesignRequest{Kind: Boundary, Acceptable: .05, OddsRatio: 2, Alpha: .1, Beta: .1, FalseAlarmChance: .1}, "false_alarm_chance"},
		{"boundary with a head start", DesignRequest{Kind: Boundary, Acceptable: .05, OddsRatio: 2, Alpha: .1, Beta: .1, HeadStart: 1}, "head_start"},
		{"boundary with a mix", DesignRequest{Kind: Boundary, CaseMix: []MixPoint{{.1, 1}}, OddsRatio: 2, Alpha: .1, Beta: .1}, "case_mix"},
		{"boundary with a list", DesignRequest{Kind: Boundary, Risks: risks, OddsRatio: 2, Alpha: .1, Beta: .1}, "risks"},
		{"boundary in steady state", DesignRequest{Kind: Boundary, Acceptable: .05, OddsRatio: 2, Alpha: .1, Beta: .1, SteadyState: true}, "steady_state"},
		{"boundary without rates", DesignRequest{Kind: Boundary, Alpha: .1, Beta: .1}, "acceptable"},
		{"boundary too wide", DesignRequest{Kind: Boundary, Acceptable: 1e-9, OddsRatio: 2, Alpha: 1e-9, Beta: 1e-9}, "alpha"},
	} {
		_, err := NewDesign(c.request)
		refused(t, c.what, err, c.name)
	}
}
