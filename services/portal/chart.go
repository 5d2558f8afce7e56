package portal

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

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
	chartQuery
	Action   string
	Problems []problemView
	Chart    *largeChart // nil where there is none
	None     string      // why
	Others   []link      // other charts of the same surgeon or department
}

// Surgeon is whose chart it is; "" for a department's.
func (p chartPage) Surgeon() string { return p.surgeon }

// Department is whose own chart it is; "" for a surgeon's.
func (p chartPage) Department() string { return p.department }

// AsOfAsked is as typed.
func (p chartPage) AsOfAsked() string { return p.chartQuery.asOf }

// Asked is what the page's form sends along.
func (p chartPage) Asked() []numberView {
	var out []numberView
	for name, value := range map[string]string{"surgeon": p.surgeon, "department": p.department, "outcome": p.outcome, "kind": p.kind} {
		if value != "" {
			out = append(out, numberView{Name: name, Value: value})
		}
	}
	slices.SortFunc(out, func(a, b numberView) int { return strings.Compare(a.Name, b.Name) })
	return out
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
	q, err := readChartQuery(r.URL.Query(), actor)
	if err != nil {
		return err
	}
	page := &chartPage{chartQuery: q, Action: r.URL.Path}
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
			page.Problems = append(page.Problems, problemView{"other-charts", "Say whose chart: open one from the list of a department's charts."})
			return nil
		}
		return page.fill(r.Context(), tx, actor, q, asOf)
	})
	if err != nil {
		return err
	}
	status := http.StatusOK
	if len(page.Problems) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.render(w, status, "chart", page)
}

var asOfProblem = problemView{"as-of", "As of: give a position that the record has reached, or a time with its offset such as 2025-03-12T10:41:07+00:00; leave it empty for now."}

// readChartQuery reads what is asked for. Without an outcome or a kind it is the
// first chart that there is.
func readChartQuery(query url.Values, actor access.Actor) (chartQuery, error) {
	q := chartQuery{surgeon: query.Get("surgeon"), department: query.Get("department"), outcome: query.Get("outcome"), kind: query.Get("kind"), asOf: query.Get("as_of")}
	switch {
	case q.department != "":
		q.surgeon, q.kind = "", ""
	case q.surgeon == "":
		q.surgeon = actor.Surgeon
	}
	if asked := query.Get("skip"); asked != "" {
		var err error
		if q.skip, err = strconv.Atoi(asked); err != nil || q.skip < 0 {
			return q, &web.Error{Code: web.CodeInvalid, Message: "The place in the list of cases can't be read. Follow the links below the table."}
		}
	}
	return q, nil
}

// fill puts the chart into the page, by the functions that the API answers with,
// and the way to the others.
func (p *chartPage) fill(ctx context.Context, tx pgx.Tx, actor access.Actor, q chartQuery, asOf archive.AsOf) error {
	if q.department != "" {
		return p.fillDepartment(ctx, tx, actor, q, asOf)
	}
	drawn, err := analytics.VisibleCharts(ctx, tx, actor, q.surgeon, asOf)
	if err != nil {
		return err
	}
	at := slices.IndexFunc(drawn, func(c alarm.Chart) bool {
		return (q.outcome == "" || c.Design.Outcome == q.outcome) && (q.kind == "" || c.Design.Kind == q.kind)
	})
	for i, c := range drawn {
		if i != at {
			other := chartQuery{surgeon: q.surgeon, outcome: c.Design.Outcome, kind: c.Design.Kind, asOf: q.asOf}
			p.Others = append(p.Others, link{Href: "/charts?" + other.values().Encode(), Text: analytics.ChartTitle(c.Design.Outcome, c.Design.Kind)})
		}
	}
	if at < 0 {
		p.missing(q, slices.Contains(analytics.SurgeonOutcomes(), q.outcome) && (q.kind == "" || slices.Contains(events.Words[events.ChartKind](), events.ChartKind(q.kind))))
		return nil
	}
	c := drawn[at]
	q.outcome, q.kind = c.Design.Outcome, c.Design.Kind
	alarms, err := alarm.ListOf(ctx, tx, drawn[at:at+1], asOf)
	if err != nil {
		return err
	}
	p.show(q, largeChartOf(q, c, alarm.StandingOf(c, alarms), alarms))
	return nil
}

func (p *chartPage) fillDepartment(ctx context.Context, tx pgx.Tx, actor access.Actor, q chartQuery, asOf archive.AsOf) error {
	if !may(actor.Role, http.MethodGet, departmentChartsRoute) || !actor.InDepartment(q.department) {
		return web.NotFound()
	}
	if q.outcome == "" {
		q.outcome = alarm.OwnOutcomes[0]
	}
	for _, o := range alarm.OwnOutcomes {
		if o != q.outcome {
			other := chartQuery{department: q.department, outcome: o, asOf: q.asOf}
			p.Others = append(p.Others, link{Href: "/charts?" + other.values().Encode(), Text: analytics.ChartTitle(o, string(events.KindDetection))})
		}
	}
	groups, err := alarm.DepartmentCharts(ctx, tx, q.department, []string{q.outcome}, alarm.ByNothing, asOf)
	if err != nil {
		return err
	}
	if len(groups) == 0 {
		p.missing(q, slices.Contains(alarm.OwnOutcomes, q.outcome))
		return nil
	}
	p.show(q, largeChartOf(q, groups[0].Chart, alarm.StandingOfGroup(groups[0]), nil))
	return nil
}

// show keeps what the page's own form asks for again.
func (p *chartPage) show(q chartQuery, c *largeChart) {
	asked := p.chartQuery.asOf
	p.chartQuery, p.Chart = q, c
	p.chartQuery.asOf = asked
}

// missing says why there is no chart; known is whether there could be one.
func (p *chartPage) missing(q chartQuery, known bool) {
	if !known && q.outcome != "" {
		p.Problems = append(p.Problems, problemView{"other-charts", "There is no chart of “" + strings.TrimSpace(q.outcome+" "+q.kind) + "”: choose one of those below."})
		return
	}
	p.None = "There is no such chart: no case of it is recorded, or it has no design for this surgeon. Charts that gather evidence are for trainees."
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
	if state := at.State(); state == alarm.StateNoSignal || state == alarm.StateNear {
		v.Answer = "" // what it could miss stands below
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
	v.Moved = fmt.Sprintf("Since %s it has stood above zero. The %s since add up to %s: %s, where %s were expected, added %s; the %s without added %s.", day(*climb.From),
		plural(climb.Cases, "case", "cases"), decimal(c.Value(), 2), plural(climb.Events, watched.One, watched.Many), decimal(climb.Expected, 2),
		decimal(climb.With, 2), plural(climb.Cases-climb.Events, "case", "cases"), decimal(climb.Without, 2))
	v.Movers = tableView{Name: "Cases that moved the chart", Caption: "Cases with " + watched.Noun + " since then, the largest contributions first",
		Head: []column{{"Case", false}, {"Case number", true}, {"Date", false}, {"Expected", true}, {"Contribution", true}}}
	for _, p := range climb.Largest {
		if p.Outcome == 0 {
			continue
		}
		row := cells(p.Case, whole(p.CaseNumber), day(p.StartedAt), percent(p.Expected), signed(p.Score, 3))
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
