package portal

import (
	"context"
	"net/url"
	"testing"
	"time"

	"lensledger/projections/alarm"
	"lensledger/projections/learning"
)

// sinceMeeting is the day of the golden pages' last meeting.
var sinceMeeting = time.Date(2025, 5, 5, 0, 0, 0, 0, time.UTC)

// alarmPages adds the page of signals, in each station of their life.
func alarmPages(t *testing.T, s *Service, crossed []alarm.Chart, states []alarm.ChartRow, review alarm.ReviewRow, add func(name, page string, view any)) {
	t.Helper()
	handled := func(owner, due string) []alarm.Listed {
		out := listed(crossed)
		for i := range out {
			out[i].Handling = []alarm.HandlingRow{{Did: alarm.Acknowledged, HandledAt: fixedNow.AddDate(0, 0, -9), HandledBy: "quality", Note: "Seen; <two> on one list"}}
			if owner != "" {
				out[i].Handling = append(out[i].Handling, alarm.HandlingRow{Did: alarm.Assigned, HandledAt: fixedNow.AddDate(0, 0, -8), HandledBy: "quality", Owner: owner, DueOn: due})
			}
		}
		return out
	}
	closed, restarted := handled("C-01", "2025-06-30"), listed(crossed, review)
	for i := range closed {
		closed[i].Reviews = listed(crossed, review)[i].Reviews
		restart := restarted[i].Reviews[0]
		restart.Restart = true
		restarted[i].Reviews, restarted[i].Restarted = append(restarted[i].Reviews, restart), true
	}
	typed := func(alarm, what string) *signalForm {
		f := &signalForm{Alarm: alarm, Sent: what, OpenedAt: "2025-06-02T08:00:00Z", Note: `Seen by "two"`, Owner: "C 01", DueOn: "2024-01-01", Finding: "case-mix",
			Action: `Look at "both" lists`, Restart: true}
		f.list()
		return f
	}
	code := crossed[0].Alarms[0].Alarm
	for _, c := range []struct {
		name   string
		alarms []alarm.Listed
		sent   *signalForm
	}{{"alarms-none", nil, nil}, {"alarms-for-review", listed(crossed), nil}, {"alarms-acknowledged", handled("", ""), nil},
		{"alarms-owned", handled("C-01", "2025-06-30"), nil}, {"alarms-overdue", handled("C-01", "2025-06-01"), nil},
		{"alarms-not-stored", listed(crossed), typed(code, sentReview)}, {"alarms-owner-refused", listed(crossed), typed(code, sentAssignment)},
		{"alarms-gone", nil, typed("chart-gone-1", sentReview)}, {"alarms-reviewed", closed, nil}, {"alarms-restarted", restarted, nil}} {
		view := s.alarmsView(quality, c.alarms, states, sinceMeeting, c.sent)
		view.frame = s.frame(t.Context(), quality, "What changed since the last meeting, and who owns it?", &fixedAt)
		view.Since = "2025-05-05"
		view.False = []string{falseAlarmWords(alarm.FalseAlarmRate{Department: "HARBOUR", From: "2024-07-01", To: "2025-06-30", PerYear: 1.23,
			Charts: make([]alarm.ChartFalseAlarms, 9), Unknown: 1})}
		if c.sent != nil {
			view.Problems = []problemView{{c.sent.firstField(), "Choose what the review found."}}
			if len(view.Lost) > 0 {
				view.Problems[0].Field = "signals"
			}
		}
		add(c.name, "alarms", view)
	}
}

// chartPages adds the pages of one chart, and of a department's charts.
func chartPages(s *Service, crossed []alarm.Chart, entries []learning.Entry, states []alarm.ChartRow, review alarm.ReviewRow, add func(name, page string, view any)) {
	of := func(name string, q chartQuery, c *largeChart) *chartPage {
		page := &chartPage{chartQuery: q, Action: "/charts", Chart: c, Others: []link{{Href: "/charts?surgeon=S-014&outcome=unplanned-takeover", Text: "Unplanned take-over"}}}
		page.frame = s.frame(context.Background(), quality, "Where does this chart stand, which cases moved it, and what can it tell?", &fixedAt)
		add(name, "chart", page)
		return page
	}
	q := chartQuery{surgeon: "S-014", outcome: "capsule-rupture", kind: "detection"}
	alarms := listed(crossed, review)
	of("chart-crossed", q, largeChartOf(q, crossed[0], alarm.StandingOf(crossed[0], alarms), alarms[:1]))
	earlier := chartQuery{surgeon: "S-014", outcome: "capsule-rupture", kind: "competence", skip: 20, asOf: "12000"}
	of("chart-earlier", earlier, largeChartOf(earlier, crossed[2], alarm.StandingOf(crossed[2], nil), nil))
	restarted := alarm.Compute(standingS014, crossed[0].Design, entries, []time.Time{entries[42].StartedAt.Add(-time.Hour)})
	again := listed([]alarm.Chart{restarted})
	again[0].Restarted = true
	of("chart-restarted", q, largeChartOf(q, restarted, alarm.StandingOf(restarted, again), again))
	own, g := chartQuery{department: "HARBOUR", outcome: "visual-loss"}, groupChart()
	of("chart-department", own, largeChartOf(own, g.Chart, alarm.StandingOfGroup(g), nil))
	wrong := chartQuery{surgeon: "S-014", outcome: `"beauty"`, asOf: `"noon"`}
	page := of("chart-wrong", wrong, nil)
	page.missing(wrong, false)
	page.Problems = append(page.Problems, asOfProblem)
	none := of("chart-none", chartQuery{surgeon: "S-002", outcome: "capsule-rupture", kind: "competence"}, nil)
	none.Others = nil
	none.missing(none.chartQuery, true)

	var small []smallChart
	for _, c := range states {
		at := alarm.StandingOfRow(c, listed(crossed))
		small = append(small, smallChartOf(chartQuery{surgeon: c.Surgeon, outcome: c.Outcome, kind: c.Kind}, "surgeon "+c.Surgeon, at, crossed[0].Design.Lengths()))
	}
	small = append(small, smallChartOf(chartQuery{department: "HARBOUR", outcome: "visual-loss", kind: "detection"}, "the department", alarm.StandingOfGroup(g), g.Design.Lengths()))
	for name, charts := range map[string][]smallChart{"department-charts": small, "department-charts-none": nil} {
		page := &smallChartsPage{Department: "HARBOUR", Action: "/departments/HARBOUR/charts", Pages: departmentPages(quality.Role, "HARBOUR", url.Values{})}
		page.frame = s.frame(context.Background(), quality, "Which of the department's charts are near their line, and what can they still miss?", &fixedAt)
		page.outcomes("")
		page.fill(charts, "", 1)
		add(name, "departmentcharts", page)
	}
	page2 := &smallChartsPage{Department: "HARBOUR", Action: "/departments/HARBOUR/charts"}
	page2.frame = s.frame(context.Background(), quality, "Which of the department's charts are near their line, and what can they still miss?", &fixedAt)
	page2.outcomes("capsule-rupture")
	many := small
	for len(many) < 90 {
		many = append(many, small...)
	}
	page2.fill(many[:90], "capsule-rupture", 3)
	add("department-charts-third", "departmentcharts", page2)
}

// groupChart is the department's own chart of visual loss.
func groupChart() alarm.GroupChart {
	d := alarm.DepartmentStandards()[1]
	g := alarm.GroupChart{Chart: alarm.Chart{Design: d}, Department: "HARBOUR", CompleteTo: "2025-03-01", Excluded: map[string]int{"no-acuity-after-in-window": 3}}
	for i := range 40 {
		g.Points = append(g.Points, alarm.Point{Case: caseName(i), CaseNumber: i + 1, StartedAt: time.Date(2025, 1, 6+i, 0, 0, 0, 0, time.UTC), Expected: 0.015, Score: -0.015})
	}
	g.Provisional = g.Points[:4]
	return g
}
