package portal

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/web"
)

// chartPage is one chart, large: what it shows, what it can and can't tell, the
// cases that moved it, and who did what about it.
type chartPage struct {
	frame
	Action     string
	Surgeon    string // or
	Department string
	AsOfAsked  string
	Choices    []selectView
	Problems   []problemView
	Chart      *largeChart // nil where there is none
	None       string      // why
}

// largeChart is the chart itself.
type largeChart struct {
	Title   string
	Answer  string
	Counts  string
	Drawing drawing
	CanTell []string
	Moved   string // how it came to where it stands
	Movers  tableView
	Deeds   []string
	Begins  []string // where the chart began again
	Design  []string
	Caption string
	Points  []pointView
	Later   *link // later cases than those listed
	Earlier *link
}

// earlierCases is how many cases a page of older ones lists.
const earlierCases = 100

// chartQuery is what the page is asked for.
type chartQuery struct {
	surgeon, department string
	outcome, kind       string
	asOf                string
	skip                int // latest cases to leave out of the table
}

// values are the query as an address has it, without the place in the table.
func (q chartQuery) values() url.Values {
	v := url.Values{"outcome": {q.outcome}}
	for name, value := range map[string]string{"surgeon": q.surgeon, "department": q.department, "kind": q.kind, "as_of": q.asOf} {
		if value != "" {
			v.Set(name, value)
		}
	}
	return v
}

// source is where the API gives the same chart.
func (q chartQuery) source() string {
	v := q.values()
	v.Del("surgeon")
	v.Del("department")
	if q.department != "" {
		v.Del("kind")
		return "/v1/departments/" + url.PathEscape(q.department) + "/charts?" + v.Encode()
	}
	return "/v1/surgeons/" + url.PathEscape(q.surgeon) + "/charts?" + v.Encode()
}

// chart serves GET /charts?surgeon&outcome&kind, or ?department&outcome; both take
// as_of, and skip for older cases.
func (s *Service) chart(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	q, page, err := readChartQuery(r, actor)
	if err != nil {
		return err
	}
	err = s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		if q.asOf != "" {
			at, err := archive.Resolve(r.Context(), tx, q.asOf)
			if errors.Is(err, archive.ErrAsOf) {
				page.Problems = append(page.Problems, asOfProblem)
				q.asOf, at, err = "", asOf, nil
			}
			if err != nil {
				return err
			}
			asOf = at
		}
		page.frame = s.frame(r.Context(), actor, "Where does this chart stand, which cases moved it, and what can it tell?", &asOf)
		if q.surgeon == "" && q.department == "" {
			page.Problems = append(page.Problems, problemView{"outcome", "Say whose chart: open one from the list of a department's charts."})
		}
		if len(page.Problems) > 0 {
			// Who may see it is still asked: a wrong word opens nothing.
			return s.seen(r.Context(), tx, actor, q, asOf)
		}
		page.Chart, err = s.largeChart(r.Context(), tx, actor, q, asOf)
		return err
	})
	if err != nil {
		return err
	}
	status := http.StatusOK
	switch {
	case len(page.Problems) > 0:
		status = http.StatusUnprocessableEntity
	case page.Chart == nil:
		page.None = "There is no such chart: no case of it is recorded, or it has no design for this surgeon. Charts of competence are for trainees."
	}
	return s.render(w, status, "chart", page)
}

var asOfProblem = problemView{"as-of", "As of: give a position that the record has reached, or a time with its offset such as 2025-03-12T10:41:07+00:00; leave it empty for now."}

// seen fails as the chart would for somebody who may not see it.
func (s *Service) seen(ctx context.Context, tx pgx.Tx, actor access.Actor, q chartQuery, asOf archive.AsOf) error {
	switch {
	case q.department != "" && !seesDepartmentCharts(actor, q.department):
		return web.NotFound()
	case q.surgeon != "":
		return analytics.MaySee(ctx, tx, actor, q.surgeon, asOf)
	}
	return nil
}

func seesDepartmentCharts(actor access.Actor, code string) bool {
	return may(actor.Role, http.MethodGet, departmentChartsRoute) && actor.InDepartment(code)
}

// readChartQuery reads what is asked for, and makes the form that asks it.
func readChartQuery(r *http.Request, actor access.Actor) (chartQuery, *chartPage, error) {
	query := r.URL.Query()
	q := chartQuery{surgeon: query.Get("surgeon"), department: query.Get("department"), outcome: query.Get("outcome"), kind: query.Get("kind"), asOf: query.Get("as_of")}
	if q.surgeon == "" && q.department == "" {
		q.surgeon = actor.Surgeon
	}
	page := &chartPage{Action: r.URL.Path, Surgeon: q.surgeon, Department: q.department, AsOfAsked: q.asOf}
	outcomes, kinds := analytics.SurgeonOutcomes(), []string{string(events.KindDetection), string(events.KindCompetence)}
	if q.department != "" {
		page.Surgeon, q.surgeon = "", ""
		outcomes, kinds, q.kind = []string{string(events.OutcomeRefractionMiss), string(events.OutcomeVisualLoss)}, nil, ""
	}
	choose := func(name, label, asked string, words func(string) string, values []string) string {
		if asked == "" {
			asked = values[0]
		}
		list := selectView{Name: name, Label: label}
		for _, v := range values {
			list.Options = append(list.Options, choice{v, words(v), v == asked})
		}
		if !slices.Contains(values, asked) {
			list.Options[0].Selected = true
			page.Problems = append(page.Problems, problemView{name, label + ": choose one of the list."})
		}
		page.Choices = append(page.Choices, list)
		return asked
	}
	q.outcome = choose("outcome", "Outcome", q.outcome, func(o string) string { return analytics.WatchedBy(o).Title }, outcomes)
	if kinds != nil {
		if _, step := events.Outcome(q.outcome).Step(); step && q.kind == "" {
			q.kind = string(events.KindCompetence)
		}
		q.kind = choose("kind", "Kind", q.kind, func(k string) string {
			return map[string]string{string(events.KindDetection): "Watching for more than expected", string(events.KindCompetence): "Gathering evidence that the rate is acceptable"}[k]
		}, kinds)
	}
	if asked := query.Get("skip"); asked != "" {
		var err error
		if q.skip, err = strconv.Atoi(asked); err != nil || q.skip < 0 {
			return q, nil, &web.Error{Code: web.CodeInvalid, Message: "The place in the list of cases can't be read. Follow the links below the table."}
		}
	}
	return q, page, nil
}

// largeChart reads the chart by the functions that the API answers with. It is nil
// where there is no such chart.
func (s *Service) largeChart(ctx context.Context, tx pgx.Tx, actor access.Actor, q chartQuery, asOf archive.AsOf) (*largeChart, error) {
	if q.department != "" {
		if !seesDepartmentCharts(actor, q.department) {
			return nil, web.NotFound()
		}
		groups, err := alarm.DepartmentCharts(ctx, tx, q.department, q.outcome, alarm.ByNothing, asOf)
		if err != nil || len(groups) == 0 {
			return nil, err
		}
		g := groups[0]
		return largeChartOf(q, g.Chart, alarm.StandingOfGroup(g), nil), nil
	}
	drawn, err := analytics.VisibleCharts(ctx, tx, actor, q.surgeon, asOf)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(drawn, func(c alarm.Chart) bool { return c.Design.Outcome == q.outcome && c.Design.Kind == q.kind })
	if i < 0 {
		return nil, nil
	}
	alarms, err := alarm.ListOf(ctx, tx, drawn[i:i+1], asOf)
	if err != nil {
		return nil, err
	}
	return largeChartOf(q, drawn[i], alarm.StandingOf(drawn[i], alarms), alarms), nil
}

// largeChartOf words a chart.
func largeChartOf(q chartQuery, c alarm.Chart, at alarm.Standing, alarms []alarm.Listed) *largeChart {
	lengths := c.Design.Lengths()
	v := &largeChart{Title: analytics.ChartTitle(c.Design.Outcome, c.Design.Kind), Answer: analytics.MeaningWords(at, lengths), Counts: pointCounts(c),
		Drawing: drawing{Kind: "run", Source: q.source(), Finding: analytics.ChartWords(at, lengths)}, Design: analytics.DesignWords(c.Design)}
	if at.Group {
		v.Counts = fmt.Sprintf("On this chart: %s, one eye of each patient, operated on up to %s. It is the department's and no person's, and raises no alarm.",
			plural(at.Cases, "eye", "eyes"), isoDay(at.CompleteTo))
	}
	for _, words := range []string{analytics.CanTellWords(c.CanTell()), analytics.FalseWords(c.Design, lengths), analytics.CannotSee(c.Design, lengths)} {
		if words != "" {
			v.CanTell = append(v.CanTell, words)
		}
	}
	v.climb(c)
	for _, a := range alarms {
		v.Deeds = append(v.Deeds, deedWords(a.Deeds())...)
	}
	for _, p := range c.Points {
		if p.Restarted {
			v.Begins = append(v.Begins, fmt.Sprintf("With case number %s on %s.", whole(p.CaseNumber), day(p.StartedAt)))
		}
	}
	v.list(q, c)
	return v
}

// climb says how the chart came to where it stands.
func (v *largeChart) climb(c alarm.Chart) {
	climb, watched := c.Climb(), analytics.WatchedBy(c.Design.Outcome)
	if climb.From == nil {
		v.Moved = "The chart stands at zero: no case holds it up."
		return
	}
	v.Moved = fmt.Sprintf("It last stood at zero before %s. The %s since add up to %s: %s, and %s expected.", day(*climb.From),
		plural(climb.Cases, "case", "cases"), decimal(c.Value(), 2), plural(climb.Events, watched.One, watched.Many), decimal(climb.Expected, 2))
	v.Movers = tableView{Name: "Cases that moved the chart", Caption: fmt.Sprintf("Largest contributions first, at most %d", alarm.MostContributions),
		Head: []column{{"Case", false}, {"Case number", true}, {"Date", false}, {"Outcome", false}, {"Expected", true}, {"Contribution", true}}}
	for _, p := range climb.Largest {
		row := cells(p.Case, whole(p.CaseNumber), day(p.StartedAt), watched.Happened(p.Outcome), percent(p.Expected), signed(p.Score, 3))
		row[0].Href = "/cases/" + url.PathEscape(p.Case)
		v.Movers.Rows = append(v.Movers.Rows, row)
	}
}

// list lists the latest cases, or older ones.
func (v *largeChart) list(q chartQuery, c alarm.Chart) {
	n := len(c.Points)
	from, size := min(q.skip, n), recentCases
	if from > 0 {
		size = earlierCases
	}
	to := min(from+size, n)
	for i := from; i < to; i++ {
		v.Points = append(v.Points, pointWords(c.Design, c.Points[n-1-i]))
	}
	at := func(skip int, words string) *link {
		values := q.values()
		if skip > 0 {
			values.Set("skip", strconv.Itoa(skip))
		}
		return &link{Href: "/charts?" + values.Encode() + "#cases", Text: words}
	}
	v.Caption = fmt.Sprintf("Cases %s to %s of %s, latest first. Dates in UTC; expected is the chance of the event at acceptable performance.", whole(min(from+1, to)), whole(to), whole(n))
	if to < n {
		v.Earlier = at(to, fmt.Sprintf("The %s before these", plural(min(earlierCases, n-to), "case", "cases")))
	}
	if from > 0 {
		before := from - earlierCases
		if from <= recentCases {
			before = 0
		}
		v.Later = at(max(0, before), "Later cases")
	}
}
