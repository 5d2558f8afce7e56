package measure

import (
	"encoding/json"
	"math"
	"testing"
)

func within(t *testing.T, r RunLength, cases int) float64 {
	t.Helper()
	for _, a := range r.AlarmWithin {
		if a.Cases == cases {
			return a.Chance
		}
	}
	t.Fatalf("the chance of an alarm within %d cases is not stated: %+v", cases, r)
	return 0
}

// Settings of common practice; their chances are computed by an exact recursion
// in R.
func TestDesignsOfCommonPractice(t *testing.T) {
	trainee := must[Design](t)(NewDesign(DesignRequest{Acceptable: .03, OddsRatio: 2, Threshold: 2.36}))
	near(t, "trainee, false alarm by case 100", within(t, trainee.InControl, 100), .049, .0005)
	chart := Chart{Scores: trainee.Scores, Threshold: 2.36}
	nine := must[RunLength](t)(chart.RunLength(.09, 100))
	near(t, "a true 9 % caught by case 100", within(t, nine, 100), .81, .005)
	near(t, "its median", nine.MedianRunLength, 59, 0)
	independent := must[Design](t)(NewDesign(DesignRequest{Acceptable: .01, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 300}))
	near(t, "independent, threshold", independent.Threshold, 2.4, .01)
	near(t, "independent, false alarm by case 300", within(t, independent.InControl, 300), .05, .0005)
	if got := within(t, independent.InControl, 300); got > .05 {
		t.Errorf("the chance of a false alarm is %g, above the wanted 0.05", got)
	}
	doubled := Chart{Scores: independent.Scores, Threshold: 2.4}
	near(t, "a doubling's median", must[RunLength](t)(doubled.RunLength(.02)).MedianRunLength, 351, 0)

	loose := must[Design](t)(NewDesign(DesignRequest{Acceptable: .05, Unacceptable: .10, Threshold: 2, Kind: Competence}))
	near(t, "inadequate trainee crosses by case 100", within(t, loose.InControl, 100), .21, .005)
	near(t, "inadequate trainee crosses by case 500", within(t, loose.InControl, 500), .83, .005)
	for _, c := range []struct {
		acceptable, unacceptable float64
		cases                    int
		threshold                float64
		clean                    int
		median                   float64
	}{
		{.05, .10, 100, 2.42, 45, 87}, {.05, .10, 300, 3.58, 67, 149}, {.02, .05, 300, 3.22, 104, 181}, {.10, .30, 100, 4.27, 17, 28},
	} {
		d := must[Design](t)(NewDesign(DesignRequest{Acceptable: c.acceptable, Unacceptable: c.unacceptable,
			FalseAlarmChance: .1, WithinCases: c.cases, Kind: Competence}))
		near(t, "competence threshold", d.Threshold, c.threshold, .01)
		near(t, "adequate trainee's median", d.OutOfControl.MedianRunLength, c.median, 0)
		// At the threshold as it is usually written, with two places.
		fewest := must[int](t)(Chart{Scores: d.Scores, Threshold: c.threshold}.FewestCases())
		near(t, "fewest clean cases", float64(fewest), float64(c.clean), 0)
		if got := within(t, d.InControl, c.cases); got > .1 || got < .09 {
			t.Errorf("an inadequate trainee crosses with chance %g, want at most 0.1 and near it", got)
		}
	}
}

// Every threshold of the reference designs is found again from its run length,
// and the one a step below does not keep it.
func TestThresholdSearchFindsReferenceDesigns(t *testing.T) {
	tested := 0
	for _, r := range readRows(t, "bernoulli_cusum_arl") {
		if r.text("true") != "p0" {
			continue
		}
		tested++
		request := DesignRequest{Acceptable: r.number("p0"), OddsRatio: r.number("odds_ratio"), RunLength: r.number("arl_exact") * (1 - 1e-9)}
		got := must[Design](t)(NewDesign(request))
		if got.Threshold > r.number("h")+1e-12 || got.InControl.AverageRunLength < request.RunLength {
			t.Errorf("%s: threshold %g with run length %g, want at most %g that keeps %g",
				r.where, got.Threshold, got.InControl.AverageRunLength, r.number("h"), request.RunLength)
		}
		if got.Threshold > 0.0001 {
			below := Chart{Scores: got.Scores, Threshold: got.Threshold - 0.0001}
			if average := must[RunLength](t)(below.RunLength(r.number("p0"))).AverageRunLength; average >= request.RunLength {
				t.Errorf("%s: threshold %g is not the smallest, the one below gives %g", r.where, got.Threshold, average)
			}
		}
	}
	if tested != 90 {
		t.Errorf("%d designs tested, want 90", tested)
	}
}

func TestFalseAlarmChanceIsKeptByTheSmallestThreshold(t *testing.T) {
	for _, kind := range []Kind{Detection, Competence} {
		for _, p0 := range []float64{.005, .02, .1} {
			for _, oddsRatio := range []float64{1.3, 2, 4} {
				for _, cases := range []int{20, 150, 1000} {
					for _, chance := range []float64{.001, .05, .4} {
						d, err := NewDesign(DesignRequest{Acceptable: p0, OddsRatio: oddsRatio, FalseAlarmChance: chance, WithinCases: cases, Kind: kind})
						if err != nil {
							t.Errorf("%s %g %g %d %g: %v", kind, p0, oddsRatio, cases, chance, err)
							continue
						}
						null := p0
						if kind == Competence {
							null = risen(p0, oddsRatio)
						}
						if got := within(t, d.InControl, cases); got > chance {
							t.Errorf("%s %g %g %d: chance %g, wanted %g", kind, p0, oddsRatio, cases, got, chance)
						}
						if d.Threshold > 0.0001 {
							below := must[[]float64](t)(Chart{Scores: d.Scores, Threshold: d.Threshold - 0.0001}.Alarms(null, cases))
							if below[cases] <= chance {
								t.Errorf("%s %g %g %d %g: threshold %g is not the smallest", kind, p0, oddsRatio, cases, chance, d.Threshold)
							}
						}
					}
				}
			}
		}
	}
}

func TestMixedDesign(t *testing.T) {
	mix := referenceMixes(t)["lattice_up"]
	d := must[Design](t)(NewDesign(DesignRequest{CaseMix: mix, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 300}))
	chart := MixChart{Mix: mix, OddsRatio: 2, Threshold: d.Threshold}
	if got := within(t, d.InControl, 300); got > .05 || got < .045 {
		t.Errorf("chance of a false alarm %g, want at most 0.05 and near it", got)
	}
	again := must[MixRunLength](t)(chart.RunLength(2))
	near(t, "out of control", d.OutOfControl.AverageRunLength, again.AverageRunLength, 0)
	mean := 0.0
	for _, p := range mix {
		mean += p.Risk * p.Share
	}
	near(t, "score of an event at the mean risk", d.Scores.Event, math.Log(2/(1+mean)), 1e-12)
	competence := must[Design](t)(NewDesign(DesignRequest{CaseMix: mix, OddsRatio: 2, RunLength: 2000, Kind: Competence}))
	if competence.InControl.AverageRunLength < 2000 || competence.InControl.AverageRunLength < 3*competence.OutOfControl.AverageRunLength {
		t.Errorf("competence design with a case mix: %+v", competence)
	}
}

func TestDesignShape(t *testing.T) {
	d := must[Design](t)(NewDesign(DesignRequest{Acceptable: .02, OddsRatio: 2, Threshold: 3, WithinCases: 150}))
	data, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(data, &got); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"threshold", "scores", "in_control", "out_of_control"} {
		if got[name] == nil {
			t.Errorf("the design has no %s: %s", name, data)
		}
	}
	if len(got) != 4 {
		t.Errorf("the design has more than its four fields: %s", data)
	}
	if list := d.InControl.AlarmWithin; len(list) != 7 || list[2].Cases != 150 {
		t.Errorf("alarm within %+v, want 150 cases at its place", list)
	}
}

func TestDesignRefuses(t *testing.T) {
	mix := []MixPoint{{.01, .5}, {.05, .5}}
	for _, c := range []struct {
		what    string
		request DesignRequest
		name    string
	}{
		{"nothing", DesignRequest{}, "threshold"},
		{"no rates", DesignRequest{Threshold: 2}, "acceptable"},
		{"acceptable 0", DesignRequest{Acceptable: -.1, OddsRatio: 2, Threshold: 2}, "acceptable"},
		{"acceptable 1", DesignRequest{Acceptable: 1, OddsRatio: 2, Threshold: 2}, "acceptable"},
		{"acceptable NaN", DesignRequest{Acceptable: math.NaN(), OddsRatio: 2, Threshold: 2}, "acceptable"},
		{"no alternative", DesignRequest{Acceptable: .1, Threshold: 2}, "odds_ratio"},
		{"two alternatives", DesignRequest{Acceptable: .1, OddsRatio: 2, Unacceptable: .2, Threshold: 2}, "odds_ratio"},
		{"odds ratio 1", DesignRequest{Acceptable: .1, OddsRatio: 1, Threshold: 2}, "odds_ratio"},
		{"odds ratio below 1", DesignRequest{Acceptable: .1, OddsRatio: .5, Threshold: 2}, "odds_ratio"},
		{"odds ratio NaN", DesignRequest{Acceptable: .1, OddsRatio: math.NaN(), Threshold: 2}, "odds_ratio"},
		{"p1 below p0", DesignRequest{Acceptable: .1, Unacceptable: .05, Threshold: 2}, "unacceptable"},
		{"p1 equal p0", DesignRequest{Acceptable: .1, Unacceptable: .1, Threshold: 2}, "unacceptable"},
		{"p1 of 1", DesignRequest{Acceptable: .1, Unacceptable: 1, Threshold: 2}, "unacceptable"},
		{"threshold below 0", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: -2}, "threshold"},
		{"threshold NaN", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: math.NaN()}, "threshold"},
		{"threshold 21", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 21}, "threshold"},
		{"two goals", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, RunLength: 100}, "threshold"},
		{"chance without cases", DesignRequest{Acceptable: .1, OddsRatio: 2, FalseAlarmChance: .1}, "within_cases"},
		{"chance 1", DesignRequest{Acceptable: .1, OddsRatio: 2, FalseAlarmChance: 1, WithinCases: 100}, "false_alarm_chance"},
		{"chance below 0", DesignRequest{Acceptable: .1, OddsRatio: 2, FalseAlarmChance: -1, WithinCases: 100}, "false_alarm_chance"},
		{"cases below 0", DesignRequest{Acceptable: .1, OddsRatio: 2, FalseAlarmChance: .1, WithinCases: -1}, "within_cases"},
		{"too many cases", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, WithinCases: 10_001}, "within_cases"},
		{"run length 1", DesignRequest{Acceptable: .1, OddsRatio: 2, RunLength: 1}, "run_length"},
		{"run length NaN", DesignRequest{Acceptable: .1, OddsRatio: 2, RunLength: math.NaN()}, "run_length"},
		{"run length infinite", DesignRequest{Acceptable: .1, OddsRatio: 2, RunLength: math.Inf(1)}, "run_length"},
		{"kind", DesignRequest{Acceptable: .1, OddsRatio: 2, Threshold: 2, Kind: "verdict"}, "kind"},
		{"mix with acceptable", DesignRequest{Acceptable: .1, CaseMix: mix, OddsRatio: 2, Threshold: 2}, "acceptable"},
		{"mix with unacceptable", DesignRequest{Unacceptable: .1, CaseMix: mix, Threshold: 2}, "unacceptable"},
		{"mix without odds ratio", DesignRequest{CaseMix: mix, Threshold: 2}, "odds_ratio"},
		{"mix of shares 0.6", DesignRequest{CaseMix: []MixPoint{{.1, .6}}, OddsRatio: 2, Threshold: 2}, "sum of shares of case_mix"},
		{"unreachable", DesignRequest{Acceptable: 1e-9, OddsRatio: 2, RunLength: 1e8, CaseMix: nil, Kind: Competence}, "threshold"},
	} {
		_, err := NewDesign(c.request)
		refused(t, c.what, err, c.name)
	}
}
