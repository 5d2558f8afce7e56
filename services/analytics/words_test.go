package analytics

import (
	"strings"
	"testing"
	"time"

	"lensledger/projections/alarm"
	"lensledger/projections/learning"
	"lensledger/projections/measure"
)

func TestRateWords(t *testing.T) {
	for _, c := range []struct {
		events, n int
		want      string
	}{
		{0, 0, "no cases"},
		// The trade's own way to write a rate (common practice, no source).
		{3, 142, "3 of 142 (2.1 %, 95 % CI 0.7 to 6.0)"},
		{15, 148, "15 of 148 (10.1 %, 95 % CI 6.2 to 16.0)"}, // Newcombe 1998: .0624 to .1605
		{0, 40, "0 of 40 (0.0 %; any rate from 0.0 to 8.8 % fits so few cases, 95 % CI)"},
	} {
		var rate *float64
		var interval *measure.Interval
		if c.n > 0 {
			r, err := measure.NewRate(c.events, c.n)
			if err != nil {
				t.Fatal(err)
			}
			rate, interval = &r.Rate, &r.Wilson
		}
		if got := RateWords(c.events, c.n, rate, interval); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	if got := RateWords(2, 24, nil, nil); got != "2 of 24 (too few cases for a rate)" {
		t.Error(got)
	}
}

func TestChartWords(t *testing.T) {
	detection := alarm.Design{Kind: "detection", Acceptable: 0.01, Unacceptable: 0.02 / 1.01, Threshold: 2.4}
	competence := alarm.Design{Kind: "competence", Acceptable: 0.05, Unacceptable: 0.1, Threshold: 3.58, ClosesAfter: 300}
	points := func(n int) []alarm.Point {
		out := make([]alarm.Point, n)
		for i := range out {
			out[i].CaseNumber = 100 + i
		}
		return out
	}
	crossed := func(at int) []alarm.Listed {
		return []alarm.Listed{{Row: alarm.Row{Chart: "c", CaseNumber: int32(at), CrossedAt: time.Date(2025, 1, 9, 0, 0, 0, 0, time.UTC), Value: 2_410_000, Threshold: 2_400_000}}}
	}
	reviewed, restarted := crossed(104), crossed(131)
	reviewed[0].Reviews = []alarm.ReviewRow{{ReviewedAt: time.Date(2025, 1, 12, 0, 0, 0, 0, time.UTC), ReviewedBy: "Q-1", Finding: "case-mix"}}
	restarted[0].Restarted = true
	since := points(60)
	since[40].Restarted = true
	for i := range since[40:] {
		since[40+i].StartedAt = time.Date(2025, 2, 1+i, 0, 0, 0, 0, time.UTC)
	}
	for want, c := range map[string]struct {
		chart  alarm.Chart
		alarms []alarm.Listed
	}{
		"Too few cases to say anything: 0 capsule ruptures among 0 cases; from 25 on the chart is put in words.":                                                             {chart: alarm.Chart{Design: detection}},
		"Too few cases to say anything: 1 capsule rupture among 24 cases; from 25 on the chart is put in words.":                                                             {chart: alarm.Chart{Design: detection, Points: points(24), Events: 1}},
		"No signal (could still miss a doubling): 0 capsule ruptures among 25 cases, chart at 0.00, line 2.40.":                                                              {chart: alarm.Chart{Design: detection, Points: points(25)}},
		"No signal (could still miss odds 2.6 times as high): 0 capsule ruptures among 104 cases, chart at 0.00, line 5.00.":                                                 {chart: alarm.Chart{Design: alarm.Design{Kind: "detection", Acceptable: 0.02, Unacceptable: 0.05, Threshold: 5}, Points: points(104)}},
		"Crossed its line, for review: case number 103 on 9 January 2025 brought the chart to 2.41, line 2.40.":                                                              {alarm.Chart{Code: "c", Design: detection, Points: points(10)}, crossed(103)},
		"Crossed its line, reviewed: Q-1 on 12 January 2025 found the case mix to be the cause. The chart goes on from where it is (0.00, line 2.40) until it is restarted.": {alarm.Chart{Code: "c", Design: detection, Points: points(30)}, reviewed},
		"Data late: of 4 cases more the outcome isn't known yet, so little can be said (0 capsule ruptures among 30 cases).":                                                 {chart: alarm.Chart{Design: detection, Points: points(30), LeftOut: 4}},
		"No signal (could still miss a doubling): 0 capsule ruptures among 60 cases, chart at 0.00, line 2.40.":                                                              {alarm.Chart{Code: "c", Design: detection, Points: since, LeftOut: 2}, restarted},
		"Begins again at zero with the next operation, after a review.":                                                                                                      {alarm.Chart{Code: "c", Design: detection, Points: points(60)}, restarted},
		"Evidence hasn't reached the set line (0.00, line 3.58; 0 capsule ruptures among 60 cases).":                                                                         {chart: alarm.Chart{Design: competence, Points: points(60)}},
		"Evidence reached the set line (0 capsule ruptures among 100 cases).":                                                                                                {chart: alarm.Chart{Design: competence, Points: points(100), Reaching: points(100)[90:91]}},
		"Closed without having reached the set line (0 capsule ruptures among 300 cases): it holds only for the number of cases it was made for.":                            {chart: alarm.Chart{Design: competence, Points: points(300), Closed: true}},
	} {
		if got := ChartWords(alarm.StandingOf(c.chart, c.alarms), c.chart.Design.Lengths()); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// The sentences never judge (common practice, no source).
func TestWordsNeverJudge(t *testing.T) {
	// At most 10 % by case 300, and a median of 149, by exact run lengths.
	competence := alarm.Design{Outcome: "capsule-rupture", Kind: "competence", Acceptable: 0.05, Unacceptable: 0.1, Threshold: 3.59, ClosesAfter: 300}
	all := CannotSee(competence, competence.Lengths()) + " " + FalseWords(competence, competence.Lengths())
	if !strings.HasPrefix(all, "At an acceptable rate, half of such charts reach the line by case 149, and ") ||
		!strings.HasSuffix(all, " of such charts reach the line all the same by case 300.") || !strings.Contains(all, "At a rate that is not acceptable, 9.") {
		t.Error(all)
	}
	detection := alarm.Design{Outcome: "capsule-rupture", Kind: "detection", Scope: "independent", Acceptable: 0.01, Unacceptable: 0.02 / 1.01, Threshold: 2.4}
	got := CannotSee(detection, detection.Lengths())
	if want := "If the odds became twice as high, half of such charts would still be below the line after "; !strings.HasPrefix(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	all += got + CannotSee(detection, alarm.Lengths{}) + AlarmWords(alarm.Listed{}) + FalseWords(detection, detection.Lengths())
	for _, d := range []alarm.Design{competence, detection} {
		c := alarm.Chart{Design: d, Points: make([]alarm.Point, 120)}
		all += strings.Join(DesignWords(d), "") + CanTellWords(c.CanTell()) + ChartWords(alarm.StandingOfGroup(alarm.GroupChart{Chart: c}), d.Lengths())
		for _, s := range []alarm.Standing{
			{}, {Cases: 30}, {Cases: 30, Value: 2.3}, {Cases: 30, Closed: true}, {Cases: 30, Reached: true, ReachedAt: &alarm.Point{CaseNumber: 9}}, {Cases: 30, Restarted: true}, {Cases: 30, LeftOut: 9},
			{Cases: 30, Alarm: &alarm.Listed{}}, {Cases: 30, Alarm: &alarm.Listed{Reviews: []alarm.ReviewRow{{Finding: "other"}}}},
			{Cases: 30, Alarm: &alarm.Listed{Handling: []alarm.HandlingRow{{Did: alarm.Assigned, Owner: "C-1", DueOn: "2025-06-30"}}}},
		} {
			s.Outcome, s.Kind, s.Line = d.Outcome, d.Kind, d.Threshold
			all += ChartWords(s, d.Lengths()) + MeaningWords(s, d.Lengths())
		}
	}
	all += strings.Join(ProgressWords(learning.Progress{Trainee: true, PartCases: 2, NextMinimum: &learning.Minimums[0]}), "")
	for _, word := range []string{"competent", "incompetent", "better", "worse", "fail", "bad", "poor", "safe", "rank", "outlier"} {
		if strings.Contains(strings.ToLower(all), word) {
			t.Errorf("%q judges: %s", word, all)
		}
	}
}

func TestAlarmWords(t *testing.T) {
	l := alarm.Listed{Row: alarm.Row{CaseNumber: 57}}
	at := time.Date(2026, 3, 12, 9, 0, 0, 0, time.UTC)
	want := func(words string, life alarm.Life) {
		t.Helper()
		if got := AlarmWords(l); got != "crossed its line at case number 57; "+words || l.Life() != life {
			t.Errorf("%s: %q", l.Life(), got)
		}
	}
	want("nobody has acknowledged it yet", "crossed")
	l.Handling = []alarm.HandlingRow{{Did: alarm.Acknowledged, HandledAt: at, HandledBy: "Q-1"}}
	want("acknowledged by Q-1 on 12 March 2026; nobody owns it yet", "acknowledged")
	l.Handling = append(l.Handling, alarm.HandlingRow{Did: alarm.Assigned, HandledAt: at, Owner: "C-1", DueOn: "2026-03-20"},
		alarm.HandlingRow{Did: alarm.Assigned, HandledAt: at, Owner: "C-2", DueOn: "2026-03-21"}, alarm.HandlingRow{Did: alarm.Acknowledged, HandledAt: at})
	want("under review by C-2, due on 21 March 2026", "under-review")
	if l.Overdue("2026-03-21") || !l.Overdue("2026-03-22") {
		t.Error("overdue is not from the day after the date on")
	}
	l.Reviews = []alarm.ReviewRow{{ReviewedAt: at, ReviewedBy: "Q-1", Finding: "case-mix"}, {ReviewedAt: at.AddDate(0, 0, 1), ReviewedBy: "Q-1", Finding: "training-need"}, {ReviewedAt: at.AddDate(0, 0, 2), Finding: "other", Restart: true}}
	want("closed by Q-1 on 13 March 2026: training need", "closed")
	if l.Overdue("2026-03-22") {
		t.Error("a closed signal is overdue")
	}
	l.Restarted = true
	want("closed by Q-1 on 13 March 2026: training need; the chart has begun again at zero since", "restarted")
}
