package analytics

import (
	"fmt"
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
	points := func(n int, crossed ...int) []alarm.Point {
		out := make([]alarm.Point, n)
		for i := range out {
			out[i].CaseNumber = 100 + i
		}
		for _, i := range crossed {
			out[i].Crossed = true
		}
		return out
	}
	restarted := points(60, 30, 31)
	restarted[40].Restarted = true
	for want, c := range map[string]alarm.Chart{
		"no cases yet":                                         {Design: detection},
		"too few cases (24)":                                   {Design: detection, Points: points(24)},
		"no signal (could still miss a doubling)":              {Design: detection, Points: points(25)},
		"no signal (could still miss odds 2.58 times as high)": {Design: alarm.Design{Kind: "detection", Acceptable: 0.02, Unacceptable: 0.05}, Points: points(104)},
		"crossed its line at case number 103, for review":      {Design: detection, Points: points(10, 3, 4, 5)},
		// Back under the line without a restart it still waits for a review.
		"crossed its line at case number 104, for review; 1 case left out whose outcome isn't known yet": {Design: detection, Points: points(30, 4), LeftOut: 1},
		"no signal (could still miss a doubling); 2 cases left out whose outcome isn't known yet":        {Design: detection, Points: restarted, LeftOut: 2},
		"evidence has not reached the set line yet":                                                      {Design: competence, Points: points(60)},
		"evidence reached the set line at case number 190":                                               {Design: competence, Points: points(100, 90)},
		"evidence did not reach the set line; closed after 300 cases":                                    {Design: competence, Points: points(300), Closed: true},
	} {
		if got := ChartWords(c); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// The sentences never judge (common practice, no source).
func TestWordsNeverJudge(t *testing.T) {
	d, err := measure.NewDesign(measure.DesignRequest{Acceptable: 0.05, Unacceptable: 0.1, Threshold: 3.59, Kind: measure.Competence, WithinCases: 300})
	if err != nil {
		t.Fatal(err)
	}
	c := alarm.Chart{Design: alarm.Design{Kind: "competence", Acceptable: 0.05, Unacceptable: 0.1, Threshold: 3.58, ClosesAfter: 300}, Points: make([]alarm.Point, 120)}
	// At most 10 % by case 300, and a median of 149, by exact run lengths.
	got := CannotSee(c, &d)
	if want := "Someone at 5.0 % reaches the line after a median of 149 cases; there are 120. Not to have reached it doesn't show the contrary." +
		" Someone at 10.0 % reaches it by case 300 in 9.9 of 100 such charts."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	e, err := measure.NewDesign(measure.DesignRequest{Acceptable: 0.01, OddsRatio: 2, Threshold: 2.4})
	if err != nil {
		t.Fatal(err)
	}
	c.Design = alarm.Design{Kind: "detection", Acceptable: 0.01, Unacceptable: 0.02 / 1.01, Threshold: 2.4}
	if got, want := CannotSee(c, &e), fmt.Sprintf("With a doubling of the odds, the line is crossed after a median of %v cases; there are 120, so no signal doesn't rule it out."+
		" Where nothing has changed, it is crossed by case 200 in 2.5 of 100 such charts.", e.OutOfControl.MedianRunLength); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	all := got + CannotSee(c, &e) + CannotSee(c, nil) + AlarmWords(alarm.Listed{}) + ChartWords(c) + GroupWords(alarm.GroupChart{Chart: c}) +
		strings.Join(ProgressWords(learning.Progress{Trainee: true, PartCases: 2, NextMinimum: &learning.Minimums[0]}), "")
	for _, word := range []string{"competent", "incompetent", "better", "worse", "fail", "bad", "poor", "safe", "rank"} {
		if strings.Contains(strings.ToLower(all), word) {
			t.Errorf("%q judges: %s", word, all)
		}
	}
}

func TestAlarmWords(t *testing.T) {
	l := alarm.Listed{Row: alarm.Row{CaseNumber: 57}}
	if got := AlarmWords(l); got != "crossed its line at case number 57, for review" {
		t.Error(got)
	}
	at := time.Date(2026, 3, 12, 9, 0, 0, 0, time.UTC)
	l.Reviews = []alarm.ReviewRow{{ReviewedAt: at, Finding: "case-mix"}, {ReviewedAt: at.AddDate(0, 0, 1), Finding: "training-need"}, {ReviewedAt: at.AddDate(0, 0, 2), Finding: "other", Restart: true}}
	l.Restarted = true
	if got := AlarmWords(l); got != "crossed its line at case number 57; reviewed on 13 March 2026: training need; the chart has begun again at zero since" {
		t.Error(got)
	}
}
