package portal

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/services/access"
	"lensledger/services/analytics"
)

// alarmsView is the quality officer's page: what changed since the last meeting
// first, then the signals, overdue ones before all others.
type alarmsView struct {
	frame
	Answer   string
	Problems []problemView // of a form that wasn't stored, or of the day asked for
	Recorded string        // what became of what was just sent
	Lost     []string      // what was typed about a signal that isn't there any more
	Since    string        // day, as typed or 28 days back
	Changes  []changeView
	Open     []signalView
	Closed   []signalView // reviewed, the chart not restarted
	Past     []signalView // charts that were restarted since
	Codes    []string     // of surgeons, to choose an owner from
	Charts   []link       // each department's charts
	False    []string     // false alarms to expect in a year, of each department
}

// changeView is one kind of change since the last meeting, with its signals.
type changeView struct {
	Words   string
	Signals []link
}

// signalView is one signal with its evidence and its life.
type signalView struct {
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
	Life       string // how far it has come, in words
	Overdue    bool
	Chart      string // address of its chart
	Deeds      []string
	Form       *signalForm // nil when the reader can't say anything about it
}

// problemView leads to a field that is at fault.
type problemView struct{ Field, Words string }

// meetingDays is how far back changes are shown where nobody says since when.
// Common practice, no source.
const meetingDays = 28

// alarms serves GET /alarms?since=.
func (s *Service) alarms(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.alarmsPage(w, r, actor, http.StatusOK, nil, nil)
}

// alarmsPage shows the signals; sent is a form that wasn't stored, and why.
func (s *Service) alarmsPage(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, sent *signalForm, problems []problemView) error {
	var view alarmsView
	query := r.URL.Query()
	asked, since := query.Get("since"), s.cfg.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -meetingDays)
	if asked != "" {
		day, err := time.Parse(time.DateOnly, asked)
		if err == nil {
			since = day
		} else {
			problems = append(problems, problemView{"since", "Since: give a day such as " + since.Format(time.DateOnly) + "; what is shown is since then."})
			status = http.StatusUnprocessableEntity
		}
	}
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		alarms, err := alarm.List(r.Context(), tx, asOf)
		if err != nil {
			return err
		}
		states, err := alarm.States(r.Context(), tx)
		if err != nil {
			return err
		}
		view = s.alarmsView(actor, alarms, states, since, sent)
		if view.False, err = falseAlarms(r.Context(), tx, actor.Departments, asOf); err != nil {
			return err
		}
		view.frame = s.frame(r.Context(), actor, "What changed since the last meeting, and who owns it?", &asOf)
		view.Problems = problems
		view.Recorded = recordedWords(query.Get("recorded"), query.Get("what"), alarms)
		return nil
	})
	if err != nil {
		return err
	}
	if view.Since = since.Format(time.DateOnly); asked != "" {
		view.Since = asked
	}
	return s.render(w, status, "alarms", view)
}

// alarmsView words the signals; states are where the charts stand.
func (s *Service) alarmsView(actor access.Actor, alarms []alarm.Listed, states []alarm.ChartRow, since time.Time, sent *signalForm) alarmsView {
	var view alarmsView
	today := s.cfg.Now().UTC().Format(time.DateOnly)
	changes := alarm.ChangesSince(alarms, since, today)
	canSay := s.cfg.Desk != nil && may(actor.Role, http.MethodPost, "/alarms/{alarm}/"+sentReview)
	found := false
	for _, a := range alarm.Urgent(alarms, today) {
		v := signalWords(a, today)
		if canSay && !a.Restarted && actor.InDepartment(a.Department) {
			v.Form = newSignalForm(a.Alarm, s.cfg.Now())
			if sent != nil && sent.Alarm == a.Alarm {
				v.Form, found = sent, true
			}
			v.Form.Open = a.Open()
		}
		switch {
		case a.Restarted:
			view.Past = append(view.Past, v)
		case a.Open():
			view.Open = append(view.Open, v)
		default:
			view.Closed = append(view.Closed, v)
		}
	}
	if sent != nil && !found {
		view.Lost = sent.Typed()
	}
	view.Answer = alarmsAnswer(len(states), len(view.Open), changes)
	view.Changes = changeWords(changes, alarms)
	for _, c := range states {
		view.Codes = append(view.Codes, c.Surgeon)
	}
	slices.Sort(view.Codes)
	view.Codes = slices.Compact(view.Codes)
	for _, d := range actor.Departments {
		view.Charts = append(view.Charts, link{Href: departmentHref(departmentChartsRoute, d), Text: "All charts of department " + d})
	}
	return view
}

// alarmsAnswer says first what is overdue, then what nobody owns.
func alarmsAnswer(charts, open int, c alarm.Changes) string {
	if charts == 0 {
		return "No charts yet: no operation of your departments is recorded."
	}
	if open == 0 {
		return "No signal is open."
	}
	out := ""
	if n := len(c.Overdue); n > 0 {
		out = sentence(plural(n, "signal is", "signals are")) + " overdue. "
	}
	if n := len(c.NobodyOwns); n > 0 {
		out += sentence(plural(n, "signal has", "signals have")) + " no owner. "
	}
	return out + sentence(plural(open, "signal is", "signals are")) + " open in all."
}

// changeWords list what became of signals since the last meeting, and who owns
// each now.
func changeWords(c alarm.Changes, alarms []alarm.Listed) []changeView {
	var out []changeView
	for _, kind := range []struct {
		none, one, many string
		codes           []string
	}{
		{"No signal is overdue", "signal is overdue", "signals are overdue", c.Overdue},
		{"Every open signal has an owner", "open signal has no owner", "open signals have no owner", c.NobodyOwns},
		{"No chart crossed its line", "chart crossed its line", "charts crossed their line", c.Crossed},
		{"No signal was acknowledged", "signal was acknowledged", "signals were acknowledged", c.Acknowledged},
		{"No signal was given to an owner", "signal was given to an owner", "signals were given to an owner", c.Assigned},
		{"No signal was closed", "signal was closed", "signals were closed", c.Closed},
		{"No chart was restarted", "chart was restarted", "charts were restarted", c.Restarted},
	} {
		v := changeView{Words: kind.none + "."}
		if n := len(kind.codes); n > 0 {
			v.Words = plural(n, kind.one, kind.many) + "."
		}
		for _, code := range kind.codes {
			if i := slices.IndexFunc(alarms, func(a alarm.Listed) bool { return a.Alarm == code }); i >= 0 {
				v.Signals = append(v.Signals, link{Href: "#" + code, Text: signalName(alarms[i]), Question: analytics.LifeWords(alarms[i])})
			}
		}
		out = append(out, v)
	}
	return out
}

func signalName(a alarm.Listed) string {
	return analytics.WatchedBy(a.Outcome).Title + ", surgeon " + a.Surgeon + ", " + day(a.CrossedAt)
}

func signalWords(a alarm.Listed, today string) signalView {
	v := signalView{Alarm: a.Alarm, Title: analytics.ChartTitle(a.Outcome, a.Kind), Surgeon: a.Surgeon, Department: a.Department,
		Case: a.CaseCode, CaseNumber: whole(int(a.CaseNumber)), Date: day(a.CrossedAt),
		Value: decimal(events.Millionths(a.Value).Float(), 2), Line: decimal(events.Millionths(a.Threshold).Float(), 2),
		Life: sentence(analytics.LifeWords(a)) + ".", Overdue: a.Overdue(today), Chart: chartHref(a.Surgeon, a.Outcome, a.Kind), Deeds: deedWords(a.Deeds())}
	v.Known = "since the record was last rebuilt"
	if a.FirstKnown != nil {
		v.Known = "since position " + whole(int(*a.FirstKnown))
	}
	return v
}

// deedWords say who did what and when.
func deedWords(deeds []alarm.Deed) []string {
	var out []string
	for i, d := range deeds {
		words := moment(d.At) + ", " + d.By + ": "
		switch d.Did {
		case alarm.Acknowledged:
			words += "acknowledged."
			if d.Note != "" {
				words += " Note: “" + d.Note + "”."
			}
		case alarm.Assigned:
			words += "given to " + d.Owner + ", due on " + isoDay(d.DueOn) + "."
		default:
			words += "closed."
			if d.Did == alarm.Restarted {
				words = words[:len(words)-len("closed.")] + "chart restarted; it begins again with the next operation."
			}
			// A review that restarts its chart is two events of one decision.
			if i > 0 && d.Did == alarm.Restarted && sameDecision(deeds[i-1], d) {
				break
			}
			words += " Found: " + plain(d.Finding) + "."
			if d.Action != "" {
				words += " Action: “" + d.Action + "”."
			}
		}
		out = append(out, words)
	}
	return out
}

func sameDecision(a, b alarm.Deed) bool {
	return a.Did == alarm.Closed && a.At.Equal(b.At) && a.By == b.By && a.Finding == b.Finding && a.Action == b.Action
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
		r.Department, analytics.AboutWords(r.PerYear), plural(charts, "detection chart", "detection charts"), isoDay(r.From), isoDay(r.To))
	if r.Unknown > 0 {
		out += " " + plural(r.Unknown, "more chart isn't", "more charts aren't") + " counted: how often they are wrong can't be worked out."
	}
	return out
}

// recordedWords answer a form that was just sent.
func recordedWords(code, what string, alarms []alarm.Listed) string {
	did, ok := map[string]struct{ did, words string }{
		sentAcknowledgement: {alarm.Acknowledged, "That you have seen it"}, sentAssignment: {alarm.Assigned, "Its owner"}, sentReview: {alarm.Closed, "Your review"}}[what]
	for _, a := range alarms {
		if a.Alarm != code || !ok {
			continue
		}
		if slices.ContainsFunc(a.Deeds(), func(d alarm.Deed) bool { return d.Did == did.did }) {
			return did.words + " is recorded."
		}
		return did.words + " is stored and will show here once it is read in. Open this page again in a moment."
	}
	return ""
}

// chartHref leads to one chart of a surgeon.
func chartHref(surgeon, outcome, kind string) string {
	return "/charts?" + url.Values{"surgeon": {surgeon}, "outcome": {outcome}, "kind": {kind}}.Encode()
}
