package portal

import (
	"fmt"
	"net/http"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/services/access"
	"lensledger/services/analytics"
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
	Href   string // of the chart's own page
	Answer string
	Counts string
	Design []string
	Cases  int
	Recent []pointView // latest first
	Deeds  []string    // who did what about its alarms
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

// recentCases are listed first; the others are a link away.
const recentCases = 20

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
		alarms, err := alarm.ListOf(r.Context(), tx, drawn, asOf)
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
		view.Charts = append(view.Charts, chartViewOf(c, alarms))
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

func chartViewOf(c alarm.Chart, alarms []alarm.Listed) chartView {
	at, lengths := alarm.StandingOf(c, alarms), c.Design.Lengths()
	v := chartView{Anchor: analytics.ChartAnchor(c.Design.Outcome, c.Design.Kind), Title: analytics.ChartTitle(c.Design.Outcome, c.Design.Kind),
		Href: chartHref(c.Surgeon.Surgeon, c.Design.Outcome, c.Design.Kind), Answer: answerWords(at, lengths), Design: designWords(c.Design, lengths)}
	v.Counts = pointCounts(c)
	v.Cases = len(c.Points)
	for i := len(c.Points) - 1; i >= max(0, len(c.Points)-recentCases); i-- {
		v.Recent = append(v.Recent, pointWords(c.Design, c.Points[i]))
	}
	for _, a := range alarms {
		if a.Chart == c.Code {
			v.Deeds = append(v.Deeds, deedWords(a.Deeds())...)
		}
	}
	return v
}

// answerWords say where a chart stands and what that means.
func answerWords(at alarm.Standing, lengths alarm.Lengths) string {
	out := analytics.ChartWords(at, lengths)
	if more := analytics.MeaningWords(at, lengths); more != "" {
		out += " " + more
	}
	return out
}

// designWords say what a chart watches for, where its line is, how often it is
// wrong and what it can't see.
func designWords(d alarm.Design, lengths alarm.Lengths) []string {
	words := analytics.DesignWords(d)
	out := words[:1:1]
	if wrong := analytics.FalseWords(d, lengths); wrong != "" {
		out = append(out, "How often it is wrong. "+wrong)
	}
	out = append(out, "What it can't see. "+analytics.CannotSee(d, lengths))
	return append(out, words[1:]...)
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
	return pointView{Case: p.Case, CaseNumber: whole(p.CaseNumber), Date: day(p.StartedAt), Outcome: analytics.WatchedBy(d.Outcome).Happened(p.Outcome),
		Expected: percent(p.Expected), Score: signed(p.Score, 3), Value: decimal(p.Value, 2), Line: decimal(d.Threshold, 2), Note: list(notes)}
}

// pointCounts say which cases stand on a chart.
func pointCounts(c alarm.Chart) string {
	on := plural(len(c.Points), "case", "cases")
	if _, step := events.Outcome(c.Design.Outcome).Step(); step {
		return fmt.Sprintf("On this chart: %s in which the surgeon did the step, whole cases and part cases. Left out because it isn't known whether the hand-over was planned: %s.",
			on, whole(c.LeftOut))
	}
	return fmt.Sprintf("On this chart: %s. Left out because the outcome isn't known yet: %s. Part cases, which don't enter: %s.", on, whole(c.LeftOut), whole(c.Part))
}
