package portal

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/services/access"
)

// alarmsView is the quality officer's page: alarms for review first, then every
// chart of the departments, sorted by code and never by value.
type alarmsView struct {
	frame
	Answer    string
	Problems  []problemView // of a review that wasn't stored
	Recorded  string        // what became of a review just sent
	ForReview []alarmView
	Reviewed  []alarmView // reviewed, the chart not restarted
	Past      []alarmView // charts that were restarted since
	Charts    []chartRowView
	False     []string // false alarms to expect in a year, of each department
}

// alarmView is one alarm with its evidence.
type alarmView struct {
	Alarm      string
	Title      string
	Surgeon    string
	Department string
	Case       string
	CaseNumber string
	Date       string
	Value      string
	Line       string
	Known      string // since which position it is known
	Reviews    []reviewView
	Form       *reviewForm // nil when the reader can't review
}

// problemView leads to a field that is at fault.
type problemView struct{ Field, Words string }

// chartRowView is one chart in the list of all.
type chartRowView struct {
	Surgeon, Department, Title, State      string
	Cases, Events, LeftOut, Value, TheLine string
}

// alarms serves GET /alarms.
func (s *Service) alarms(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.alarmsPage(w, r, actor, http.StatusOK, nil, nil)
}

// alarmsPage shows the alarms; sent is a review that wasn't stored, and why.
func (s *Service) alarmsPage(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, sent *reviewForm, problems []problemView) error {
	var view alarmsView
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		alarms, err := alarm.List(r.Context(), tx, asOf)
		if err != nil {
			return err
		}
		states, err := alarm.States(r.Context(), tx)
		if err != nil {
			return err
		}
		restarted, err := drawRestarted(r.Context(), tx, alarms, asOf)
		if err != nil {
			return err
		}
		view = s.alarmsView(actor, alarms, states, restarted, sent)
		if view.False, err = falseAlarms(r.Context(), tx, actor.Departments, asOf); err != nil {
			return err
		}
		view.frame = s.frame(r.Context(), actor, "Has a chart crossed its line, and who has looked at it?", &asOf)
		view.Problems = problems
		view.Recorded = recordedWords(r.URL.Query().Get("recorded"), alarms)
		return nil
	})
	if err != nil {
		return err
	}
	return s.render(w, status, "alarms", view)
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

// alarmsView words alarms and charts; restarted are the charts of surgeons with
// a restart, by code.
func (s *Service) alarmsView(actor access.Actor, alarms []alarm.Listed, states []alarm.ChartRow, restarted map[string]alarm.Chart, sent *reviewForm) alarmsView {
	var view alarmsView
	canReview := s.cfg.Desk != nil && may(actor.Role, http.MethodPost, reviewRoute)
	for _, a := range alarms {
		v := alarmWords(a)
		switch {
		case a.Restarted:
			view.Past = append(view.Past, v)
			continue
		case !canReview || !actor.InDepartment(a.Department):
		case sent != nil && sent.Alarm == a.Alarm:
			v.Form = sent
		default:
			v.Form = newReviewForm(a.Alarm, s.cfg.Now())
		}
		if len(a.Reviews) > 0 {
			view.Reviewed = append(view.Reviewed, v)
		} else {
			view.ForReview = append(view.ForReview, v)
		}
	}
	for _, c := range sortedByCode(states) {
		at := standingOfRow(c, alarms)
		if drawn, ok := restarted[c.Chart]; ok {
			at = standingOf(drawn, alarms)
		}
		view.Charts = append(view.Charts, chartRowView{Surgeon: c.Surgeon, Department: c.Department, Title: chartTitle(c.Outcome, c.Kind),
			State: string(at.State()), Cases: whole(at.Cases), Events: whole(at.Events), LeftOut: whole(int(c.LeftOut)),
			Value: decimal(at.Value, 2), TheLine: decimal(at.Line, 2)})
	}
	view.Answer = alarmsAnswer(len(view.ForReview), len(view.Reviewed), len(view.Charts))
	return view
}

// sortedByCode puts charts in the order of surgeons' codes, which says nothing
// about anyone.
func sortedByCode(states []alarm.ChartRow) []alarm.ChartRow {
	out := slices.Clone(states)
	slices.SortFunc(out, func(a, b alarm.ChartRow) int {
		return slices.Compare([]string{a.Surgeon, b.Kind, a.Outcome}, []string{b.Surgeon, a.Kind, b.Outcome})
	})
	return out
}

func alarmsAnswer(forReview, reviewed, charts int) string {
	if charts == 0 {
		return "No charts yet: no operation of your departments is recorded."
	}
	out := "No chart waits for a review."
	if forReview > 0 {
		out = sentence(plural(forReview, "chart crossed its line and waits", "charts crossed their line and wait")) + " for a review."
	}
	if reviewed > 0 {
		out += " " + plural(reviewed, "more was reviewed and goes on without a restart.", "more were reviewed and go on without a restart.")
	}
	return out
}

func alarmWords(a alarm.Listed) alarmView {
	v := alarmView{Alarm: a.Alarm, Title: chartTitle(a.Outcome, a.Kind), Surgeon: a.Surgeon, Department: a.Department,
		Case: a.CaseCode, CaseNumber: whole(int(a.CaseNumber)), Date: day(a.CrossedAt),
		Value: decimal(events.Millionths(a.Value).Float(), 2), Line: decimal(events.Millionths(a.Threshold).Float(), 2),
		Reviews: reviewWords(a)}
	v.Known = "since the record was last rebuilt"
	if a.FirstKnown != nil {
		v.Known = "since position " + whole(int(*a.FirstKnown))
	}
	return v
}

// falseAlarms says how many false alarms a year are to be expected over all
// detection charts of each department, its own charts among them.
func falseAlarms(ctx context.Context, tx pgx.Tx, departments []string, asOf archive.AsOf) ([]string, error) {
	var out []string
	for _, code := range departments {
		rate, err := alarm.FalseAlarms(ctx, tx, code, asOf)
		if err != nil {
			return nil, err
		}
		if words := falseAlarmWords(rate); words != "" {
			out = append(out, words)
		}
	}
	return out, nil
}

// falseAlarmWords are empty where there is nothing to expect one from.
func falseAlarmWords(r alarm.FalseAlarmRate) string {
	charts := len(r.Charts) - r.Unknown
	if r.From == "" || charts <= 0 {
		return ""
	}
	out := fmt.Sprintf("Department %s: were everybody's performance exactly as acceptable, %s false alarms a year would still come from all %s together, the department's own among them (cases of %s to %s, divided by each chart's average number of cases to a false alarm).",
		r.Department, about(r.PerYear), plural(charts, "detection chart", "detection charts"), isoDay(r.From), isoDay(r.To))
	if r.Unknown > 0 {
		out += " " + plural(r.Unknown, "more chart isn't", "more charts aren't") + " counted: how often they are wrong can't be worked out."
	}
	return out
}

func about(n float64) string {
	if n < 0.05 {
		return "fewer than 0.1"
	}
	return "about " + decimal(n, 1)
}

// recordedWords answer a review that was just sent.
func recordedWords(code string, alarms []alarm.Listed) string {
	for _, a := range alarms {
		if a.Alarm != code {
			continue
		}
		if len(a.Reviews) > 0 {
			return "Your review is recorded."
		}
		return "Your review is stored and will show here once it is read in. Open this page again in a moment."
	}
	return ""
}

// alarmHref leads back to an alarm.
func alarmHref(code string) string {
	return "/alarms?recorded=" + url.QueryEscape(code) + "#" + url.PathEscape(code)
}
