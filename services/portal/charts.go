package portal

import (
	"fmt"
	"net/http"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/services/access"
	"lensledger/services/web"
)

// chartsView is the page of one surgeon's charts: answers first.
type chartsView struct {
	frame
	Surgeon string
	Own     bool // the reader's own charts
	Counts  string
	Charts  []chartView // empty when nothing is recorded yet
}

// chartView is one chart.
type chartView struct {
	Anchor string
	Title  string
	Answer string
	Counts string
	Design []string
	Recent []pointView // latest first
	All    []pointView // latest first; empty when Recent holds all
	Hidden int         // cases older than those of All
	Review []reviewView
}

// pointView is one case on a chart, in words.
type pointView struct {
	Case       string
	CaseNumber string
	Date       string
	Outcome    string
	Expected   string
	Score      string
	Value      string
	Line       string
	Note       string
}

const (
	recentCases = 20
	// allCases bounds the whole list, so that a page stays a page.
	allCases = 1000
)

// charts serves GET /my/charts: a trainee's or trainer's own, or with ?surgeon=
// those of somebody the trainer supervises.
func (s *Service) charts(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	surgeon := r.URL.Query().Get("surgeon")
	if surgeon == "" {
		surgeon = actor.Surgeon
	}
	if !actor.Sees(surgeon) {
		return web.NotFound()
	}
	var view chartsView
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		drawn, err := alarm.Charts(r.Context(), tx, surgeon, asOf)
		if err != nil {
			return err
		}
		entries, err := learning.Entries(r.Context(), tx, surgeon, asOf)
		if err != nil {
			return err
		}
		alarms, err := alarm.List(r.Context(), tx, asOf)
		if err != nil {
			return err
		}
		view = s.chartsView(surgeon, surgeon == actor.Surgeon, drawn, entries, alarms)
		view.frame = s.frame(r.Context(), actor, "Where do these charts stand, and what could they still miss?", &asOf)
		return nil
	})
	if err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "charts", view)
}

// chartsView words a surgeon's charts.
func (s *Service) chartsView(surgeon string, own bool, drawn []alarm.Chart, entries []learning.Entry, alarms []alarm.Listed) chartsView {
	view := chartsView{Surgeon: surgeon, Own: own}
	if len(drawn) == 0 {
		return view
	}
	view.Counts = countWords(drawn[0].Surgeon, entries)
	for _, c := range drawn {
		view.Charts = append(view.Charts, s.chartView(c, alarms))
	}
	return view
}

// countWords say how many operations there are of which kind.
func countWords(standing learning.Surgeon, entries []learning.Entry) string {
	wholeCases, part, takenOver := 0, 0, 0
	for _, e := range entries {
		switch {
		case e.Whole:
			wholeCases++
		case e.TakenOver != nil && *e.TakenOver:
			takenOver++
		default:
			part++
		}
	}
	return fmt.Sprintf("Case number %s: %s recorded here and %s before the record begins. Besides: %s stopped unplanned, which enter the charts, and %s of other kinds, which enter the charts of their steps alone.",
		whole(wholeCases+int(standing.PriorWhole)), plural(wholeCases, "whole case", "whole cases"), whole(int(standing.PriorWhole)),
		plural(takenOver, "case", "cases"), plural(part, "part case", "part cases"))
}

func (s *Service) chartView(c alarm.Chart, alarms []alarm.Listed) chartView {
	f, at := s.designs.of(c.Design), standingOf(c, alarms)
	v := chartView{Anchor: chartAnchor(c.Design.Outcome, c.Design.Kind), Title: chartTitle(c.Design.Outcome, c.Design.Kind),
		Answer: at.Words(f), Design: designWords(c.Design, f)}
	v.Counts = pointCounts(c)
	points := make([]pointView, len(c.Points))
	for i, p := range c.Points {
		points[len(points)-1-i] = pointWords(c.Design, p)
	}
	v.Recent = points[:min(recentCases, len(points))]
	if len(points) > recentCases {
		v.All = points[:min(allCases, len(points))]
		v.Hidden = len(points) - len(v.All)
	}
	for _, a := range alarms {
		if a.Chart == c.Code {
			v.Review = append(v.Review, reviewWords(a)...)
		}
	}
	return v
}

func pointWords(d alarm.Design, p alarm.Point) pointView {
	var notes []string
	if p.Restarted {
		notes = append(notes, "chart begins again")
	}
	if p.Crossed && d.Kind == string(events.KindDetection) {
		notes = append(notes, "at or over the line")
	}
	if p.Crossed && d.Kind == string(events.KindCompetence) {
		notes = append(notes, "at the set line")
	}
	return pointView{Case: p.Case, CaseNumber: whole(p.CaseNumber), Date: day(p.StartedAt), Outcome: outcomeWords(d.Outcome, p.Outcome),
		Expected: percent(p.Expected), Score: signed(p.Score, 3), Value: decimal(p.Value, 2), Line: decimal(d.Threshold, 2), Note: list(notes)}
}

// pointCounts say which cases stand on a chart.
func pointCounts(c alarm.Chart) string {
	on := plural(len(c.Points), "case", "cases")
	if isStep(c.Design.Outcome) {
		return fmt.Sprintf("On this chart: %s in which the surgeon did the step, whole cases and part cases. Left out because it isn't known whether the hand-over was planned: %s.",
			on, whole(c.LeftOut))
	}
	return fmt.Sprintf("On this chart: %s. Left out because the outcome isn't known yet: %s. Part cases, which don't enter: %s.", on, whole(c.LeftOut), whole(c.Part))
}

func outcomeWords(outcome string, happened int) string {
	if happened == 1 {
		return singular(outcome)
	}
	return watchedBy(outcome).none
}

// reviewView is what a named person made of an alarm.
type reviewView struct {
	Who, When, Finding, Action string
	Restart                    bool
}

func reviewWords(a alarm.Listed) []reviewView {
	var out []reviewView
	for _, r := range a.Reviews {
		v := reviewView{Who: r.ReviewedBy, When: moment(r.ReviewedAt), Finding: sentence(plain(r.Finding)), Action: r.Action, Restart: r.Restart}
		// A review that restarts its chart is two events of one decision.
		if i := len(out) - 1; r.Restart && i >= 0 && !out[i].Restart && slices.Equal([]string{out[i].Who, out[i].When, out[i].Action}, []string{v.Who, v.When, v.Action}) {
			out[i].Restart = true
			continue
		}
		out = append(out, v)
	}
	return out
}
