package portal

import (
	"fmt"
	"net/url"
	"strings"

	"lensledger/events"
	"lensledger/projections/alarm"
)

// chartsSection says of each chart that gathers evidence what is set and where it
// stands. The first of them stands open, the others are a link away.
func chartsSection(surgeon string, drawn []alarm.Chart) sectionView {
	out := sectionView{Heading: "Charts that gather evidence", Links: []link{{Href: "/my/charts?surgeon=" + url.QueryEscape(surgeon), Text: "All charts, those that watch for more than expected too"}},
		Words: []string{"Such a chart rises with each case without the event and falls with each that has it. Reaching the line is evidence for a discussion; it decides nothing by itself."}}
	t := tableView{Name: "Charts that gather evidence", Caption: "Charts by outcome and by step: what is set, and where each stands", Head: heads("Outcome or step", "What is set", "Where it stands"),
		None: "There is none: such charts are drawn for supervised trainees, from the first case that enters them on."}
	for _, c := range drawn {
		if c.Design.Kind != string(events.KindCompetence) {
			continue
		}
		view := chartViewOf(c, nil)
		watched, _, _ := strings.Cut(view.Title, ", ")
		row := cells(watched, setWords(c.Design), view.Answer)
		row[0].Href = chartHref(surgeon, c.Design.Outcome, c.Design.Kind)
		t.Rows = append(t.Rows, row)
		if len(out.Drawings) == 0 && len(c.Points) > 0 {
			out.Drawings = []drawing{{Kind: "run", Source: chartQuery{surgeon: surgeon, outcome: c.Design.Outcome, kind: c.Design.Kind}.source(), Finding: view.Title + ". " + view.Answer, Table: latestTable(view)}}
		}
	}
	out.Tables = []tableView{t}
	return out
}

// setWords say what a chart's design is set to.
func setWords(d alarm.Design) string {
	out := fmt.Sprintf("%s acceptable, %s not; line %s", percent(d.Acceptable), percent(d.Unacceptable), decimal(d.Threshold, 2))
	if d.ClosesAfter > 0 {
		out += "; for " + plural(d.ClosesAfter, "case", "cases")
	}
	return out
}

// latestTable lists a chart's latest cases.
func latestTable(v chartView) tableView {
	t := tableView{Name: "Latest cases of the chart", Caption: fmt.Sprintf("The latest %s of the chart, latest first", plural(len(v.Recent), "case", "cases")),
		Head: []column{{"Case", false}, {"Case number", true}, {"Date", false}, {"Outcome", false}, {"Chart", true}, {"Line", true}, {"Note", false}}}
	for _, p := range v.Recent {
		row := cells(p.Case, p.CaseNumber, p.Date, p.Outcome, p.Value, p.Line, p.Note)
		row[0].Href = caseHref(p.Case)
		t.Rows = append(t.Rows, row)
	}
	return t
}
