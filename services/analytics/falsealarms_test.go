package analytics

import (
	"math"
	"slices"
	"strings"
	"testing"

	"lensledger/projections/alarm"
)

// testFalseAlarms: cases of a year by cases to a false alarm, added up over all
// detection charts of each department.
func (r *registry) testFalseAlarms(t *testing.T) {
	var first, next alarms
	got := r.call(t, "quality", "GET", "/v1/alarms?limit=1", "")
	got.into(t, &first)
	if len(first.FalseAlarms) != 2 || first.FalseAlarms[0].Department != "HARBOUR" || first.FalseAlarms[1].Department != "PUBLISHED" {
		t.Fatalf("%s", got.body)
	}
	of := first.FalseAlarms[1]
	sum, people := 0.0, map[string]int{}
	for _, c := range of.Charts {
		if c.AverageRunLength == nil || math.Abs(*c.PerYear - float64(c.Cases) / *c.AverageRunLength) > 1e-12 {
			t.Errorf("%+v", c)
		}
		sum += float64(c.Cases) / *c.AverageRunLength
		people[c.Surgeon] += c.Cases
	}
	// Of the two published series only the one of 148 operations, on as many days of
	// 2025, lies in the last year; the other was done a year before its days. Each
	// case is on two charts.
	if math.Abs(sum-of.PerYear) > 1e-12 || sum == 0 || of.To != "2025-05-28" || of.From != "2024-05-29" || people["S-148"] != 2*148 || people["S-104"] != 0 || of.Unknown != 0 {
		t.Errorf("%+v", of)
	}
	if !slices.ContainsFunc(of.Charts, func(c alarm.ChartFalseAlarms) bool { return c.Surgeon == "" && c.Outcome == "refraction-miss" }) ||
		!strings.Contains(of.Words, "6 detection charts together: for each, its cases from 2024-05-29 to 2025-05-28 divided by its average number of cases to a false alarm, added up.") {
		t.Errorf("%+v", of)
	}
	r.call(t, "quality", "GET", "/v1/alarms?limit=1&after="+*first.Next, "").into(t, &next)
	if next.FalseAlarms != nil {
		t.Errorf("%+v", next.FalseAlarms)
	}
}
