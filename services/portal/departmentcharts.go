package portal

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/services/access"
	"lensledger/services/analytics"
)

const departmentChartsRoute = "/departments/{department}/charts"

// chartsPerPage bounds the small charts of one page.
const chartsPerPage = 40

// smallChartsPage is all charts of a department's surgeons and the department's
// own, small, the one nearest to its line first.
type smallChartsPage struct {
	frame
	Department string
	Pages      []link
	Action     string
	Outcomes   []choice
	Problems   []problemView
	Answer     string
	Groups     []smallCharts
	Other      []link // other pages of the list
}

// smallCharts are those of one kind.
type smallCharts struct {
	Heading string
	Charts  []smallChart
}

// smallChart is one chart.
type smallChart struct {
	Title, Whose, State string
	Href                string
	Drawing             drawing

	kind string
	at   alarm.Standing
}

// departmentCharts serves GET /departments/{department}/charts?outcome&page.
func (s *Service) departmentCharts(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	code, query := mux.Vars(r)["department"], r.URL.Query()
	page := &smallChartsPage{Department: code, Action: r.URL.EscapedPath(), Pages: departmentPages(actor.Role, code, url.Values{})}
	outcome := page.outcomes(query.Get("outcome"))
	number := 1
	if asked := query.Get("page"); asked != "" {
		var err error
		if number, err = strconv.Atoi(asked); err != nil || number < 1 {
			number = 1
			page.Problems = append(page.Problems, problemView{"outcome", "There is no such page of the list: this is the first."})
		}
	}
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		page.frame = s.frame(r.Context(), actor, "Which of the department's charts are near their line, and what can they still miss?", &asOf)
		charts, err := smallChartsOf(r.Context(), tx, code, outcome, asOf)
		if err != nil {
			return err
		}
		page.fill(charts, outcome, number)
		return nil
	})
	if err != nil {
		return err
	}
	status := http.StatusOK
	if len(page.Problems) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.render(w, status, "departmentcharts", page)
}

// Outcomes of the charts of a department, its surgeons' first.
var (
	surgeonOutcomes = []string{string(events.OutcomeCapsuleRupture), string(events.OutcomeUnplannedTakeover)}
)

// outcomes makes the list to choose from and gives the one asked for; "" is all.
func (p *smallChartsPage) outcomes(asked string) string {
	p.Outcomes = []choice{{"", "All outcomes", asked == ""}}
	known := asked == ""
	for _, o := range slices.Concat(surgeonOutcomes, alarm.OwnOutcomes) {
		p.Outcomes = append(p.Outcomes, choice{o, analytics.WatchedBy(o).Title, o == asked})
		known = known || o == asked
	}
	if !known {
		p.Outcomes[0].Selected = true
		p.Problems = append(p.Problems, problemView{"outcome", "Outcome: choose one of the list. These are all charts."})
		return ""
	}
	return asked
}

// smallChartsOf reads the charts, the one nearest to its line first within its
// kind.
func smallChartsOf(ctx context.Context, tx pgx.Tx, code, outcome string, asOf archive.AsOf) ([]smallChart, error) {
	alarms, err := alarm.List(ctx, tx, asOf)
	if err != nil {
		return nil, err
	}
	states, err := alarm.States(ctx, tx)
	if err != nil {
		return nil, err
	}
	restarted, err := drawRestarted(ctx, tx, alarms, asOf)
	if err != nil {
		return nil, err
	}
	designs, err := alarm.DesignsOf(ctx, tx, asOf)
	if err != nil {
		return nil, err
	}
	var out []smallChart
	for _, c := range states {
		if c.Department != code || outcome != "" && c.Outcome != outcome {
			continue
		}
		at := alarm.StandingOfRow(c, alarms)
		if drawn, ok := restarted[c.Chart]; ok {
			at = alarm.StandingOf(drawn, alarms)
		}
		q := chartQuery{surgeon: c.Surgeon, outcome: c.Outcome, kind: c.Kind}
		out = append(out, smallChartOf(q, "surgeon "+c.Surgeon, at, designs[c.Design].Lengths()))
	}
	watched := alarm.OwnOutcomes
	if outcome != "" {
		watched = []string{outcome}
	}
	groups, err := alarm.DepartmentCharts(ctx, tx, code, watched, alarm.ByNothing, asOf)
	if err != nil {
		return nil, err
	}
	for _, g := range groups {
		out = append(out, smallChartOf(chartQuery{department: code, outcome: g.Design.Outcome, kind: g.Design.Kind}, "the department", alarm.StandingOfGroup(g), g.Design.Lengths()))
	}
	slices.SortStableFunc(out, func(a, b smallChart) int {
		return cmp.Or(cmp.Compare(b.kind, a.kind), cmp.Compare(b.at.Nearness(), a.at.Nearness()), cmp.Compare(a.Title, b.Title), cmp.Compare(a.Whose, b.Whose))
	})
	return out, nil
}

// drawRestarted draws the charts that were restarted after an alarm, by code.
func drawRestarted(ctx context.Context, tx pgx.Tx, alarms []alarm.Listed, asOf archive.AsOf) (map[string]alarm.Chart, error) {
	out := map[string]alarm.Chart{}
	for _, a := range alarms {
		if _, done := out[a.Chart]; done || !a.Restarted {
			continue
		}
		drawn, err := alarm.Charts(ctx, tx, a.Surgeon, asOf)
		if err != nil {
			return nil, err
		}
		for _, c := range drawn {
			out[c.Code] = c
		}
	}
	return out, nil
}

func smallChartOf(q chartQuery, whose string, at alarm.Standing, lengths alarm.Lengths) smallChart {
	c := smallChart{Title: analytics.WatchedBy(q.outcome).Title, Whose: whose, State: analytics.StateWords(at.State()), kind: q.kind, at: at,
		Drawing: drawing{Kind: "small-run", Source: q.source(), Finding: analytics.ChartWords(at, lengths)}}
	if q.department != "" {
		q.kind = ""
	}
	c.Href = "/charts?" + q.values().Encode()
	return c
}

// fill puts one page of the charts into the page.
func (p *smallChartsPage) fill(charts []smallChart, outcome string, number int) {
	if len(charts) == 0 {
		p.Answer = "No charts yet: no operation of this department is recorded."
		return
	}
	counts := map[alarm.State]int{}
	for _, c := range charts {
		counts[c.at.State()]++
	}
	var said []string
	for _, s := range alarm.AllStates {
		if counts[s] > 0 {
			said = append(said, whole(counts[s])+" "+plainState(s))
		}
	}
	p.Answer = plural(len(charts), "chart", "charts") + ": " + list(said) + "."
	last := (len(charts) + chartsPerPage - 1) / chartsPerPage
	number = min(number, last)
	shown := charts[(number-1)*chartsPerPage : min(number*chartsPerPage, len(charts))]
	for _, kind := range []struct{ kind, heading string }{
		{string(events.KindDetection), "Watching for more than expected"}, {string(events.KindCompetence), "Gathering evidence that the rate is acceptable"}} {
		g := smallCharts{Heading: kind.heading}
		for _, c := range shown {
			if c.kind == kind.kind {
				g.Charts = append(g.Charts, c)
			}
		}
		if len(g.Charts) > 0 {
			p.Groups = append(p.Groups, g)
		}
	}
	for n := 1; n <= last; n++ {
		if n != number {
			values := url.Values{"page": {strconv.Itoa(n)}}
			if outcome != "" {
				values.Set("outcome", outcome)
			}
			p.Other = append(p.Other, link{Href: p.Action + "?" + values.Encode(),
				Text: fmt.Sprintf("Charts %s to %s of %s", whole((n-1)*chartsPerPage+1), whole(min(n*chartsPerPage, len(charts))), whole(len(charts)))})
		}
	}
}

// plainState is a state inside a sentence.
func plainState(s alarm.State) string {
	return map[alarm.State]string{alarm.StateTooFew: "with too few cases", alarm.StateDataLate: "whose data is late", alarm.StateNoSignal: "without a signal",
		alarm.StateNear: "near its line", alarm.StateCrossed: "over its line and open for review", alarm.StateReviewed: "over its line and reviewed",
		alarm.StateRestarted: "beginning again", alarm.StateReached: "with the evidence at the set line", alarm.StateNotReached: "with the evidence not there yet",
		alarm.StateClosed: "closed"}[s]
}
