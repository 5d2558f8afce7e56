package portal

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/learning"
	"lensledger/services/access"
	"lensledger/services/web"
)

// logbookView is one surgeon's logbook: a table to read, to print and to take along.
type logbookView struct {
	frame
	Problems []problemView
	Surgeon  string
	Own      bool
	Choices  []choice
	From, To string
	Answer   string
	Totals   []factView
	File     string // address of the same as a table file; empty where the period is wrong
	Cases    tableView
	Meaning  []string
}

// logbook serves GET /my/logbook: a trainee's or trainer's own, or with ?surgeon=
// that of somebody the trainer supervises, of the days from from to to.
func (s *Service) logbook(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	view := logbookView{From: r.URL.Query().Get("from"), To: r.URL.Query().Get("to")}
	var err error
	if view.Surgeon, err = chosenSurgeon(r, actor); err != nil {
		return err
	}
	from, to, fault := learning.ParseDays(view.From, view.To)
	status := http.StatusOK
	err = s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		view.frame = s.frame(r.Context(), actor, "Which operations are in the logbook, and what came of them?", &asOf)
		if fault != "" {
			return nil
		}
		book, err := learning.ReadLogbook(r.Context(), tx, view.Surgeon, from, to, asOf)
		view.words(book)
		return err
	})
	if err != nil {
		return err
	}
	if fault != "" {
		status = http.StatusUnprocessableEntity
		view.Problems = []problemView{daysProblem(fault)}
		view.Answer = "No operation is shown, because the period can't be read."
	}
	view.Own, view.Choices = view.Surgeon == actor.Surgeon, surgeonChoices(actor, view.Surgeon)
	return s.render(w, status, "logbook", view)
}

// logbookFile serves GET /my/logbook.csv.
func (s *Service) logbookFile(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	surgeon, err := chosenSurgeon(r, actor)
	if err != nil {
		return err
	}
	query := r.URL.Query()
	from, to, fault := learning.ParseDays(query.Get("from"), query.Get("to"))
	if fault != "" {
		return &web.Error{Code: web.CodeInvalid, Message: daysProblem(fault).Words + " Go back and choose the days again."}
	}
	var file []byte
	err = s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		book, err := learning.ReadLogbook(r.Context(), tx, surgeon, from, to, asOf)
		if err == nil {
			file, err = learning.LogbookCSV(book.Cases)
		}
		return err
	})
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", `attachment; filename="logbook`+between("-", query.Get("from"), query.Get("to"))+`.csv"`)
	_, _ = w.Write(file)
	return nil
}

// between puts a mark before each part that there is.
func between(mark string, parts ...string) string {
	out := ""
	for _, p := range parts {
		if p != "" {
			out += mark + p
		}
	}
	return out
}

// chosenSurgeon is whom a page is about: the reader, or somebody that the reader
// supervises. Everybody else looks as if they didn't exist.
func chosenSurgeon(r *http.Request, actor access.Actor) (string, error) {
	surgeon := r.URL.Query().Get("surgeon")
	if surgeon == "" {
		surgeon = actor.Surgeon
	}
	if !actor.Sees(surgeon) {
		return "", web.NotFound()
	}
	return surgeon, nil
}

func daysProblem(fault string) problemView {
	switch fault {
	case "order":
		return problemView{"to", "The last day lies before the first. Choose a last day on or after it."}
	case "from":
		return problemView{"from", "The first day can't be read. Give it as a date, such as 2025-03-12, or leave it empty."}
	}
	return problemView{"to", "The last day can't be read. Give it as a date, such as 2025-03-31, or leave it empty."}
}

// words put a logbook into words.
func (v *logbookView) words(b learning.Logbook) {
	t := b.Totals
	v.Answer = sentence(plural(t.Operations, "operation", "operations")) + periodWords(b) + ": " + plural(t.Whole, "whole case", "whole cases") + " and " +
		plural(t.Part, "part case", "part cases")
	if t.Excluded > 0 {
		v.Answer += "; besides, " + whole(t.Excluded) + " that " + isAre(t.Excluded) + " counted apart"
	}
	v.Answer += "."
	if t.Operations == 0 {
		v.Answer = "No operation is recorded" + periodWords(b) + ". Choose other days, or open it again once the theatre has sent the record."
	}
	of := func(n int) string { return whole(n) + " of " + whole(t.Whole+t.Part) }
	v.Totals = []factView{
		{"Begun as first operator", of(t.FirstOperator)}, {"Stopped unplanned", of(t.TakenOver)}, {"Capsule rupture", of(t.Rupture)},
		{"Acuity after known", of(t.AcuityKnown)}, {"Acuity after missing", of(t.AcuityMissing)},
		{"Refraction known", of(t.RefractionKnown)}, {"Refraction missing", of(t.RefractionMissing)},
	}
	v.File = "/my/logbook.csv?" + logbookQuery(b)
	v.Cases = tableView{Name: "Operations", None: "There is nothing to list.", Caption: "Operations in the order of their start; days by the department's calendar",
		Head: []column{{"Case", false}, {"Number", true}, {"Day", false}, {"Department", false}, {"Eye", false}, {"Part", false}, {"Supervision", false},
			{"Consultant", false}, {"Steps done", false}, {"Complications", false}, {"Follow-up", false}}}
	for _, c := range b.Cases {
		row := cells(c.Case, whole(c.CaseNumber), c.OperatedOn, c.Department, strings.TrimSuffix(eyeWords(c.Eye), " eye"), logPart(c), supervision(c.Supervision),
			person(c.ResponsibleConsultant), logSteps(c), logComplications(c), logFollowup(c))
		row[0].Href = caseHref(c.Case)
		v.Cases.Rows = append(v.Cases.Rows, row)
	}
	v.Meaning = []string{
		"A whole case is everything from sculpting through cortex aspiration by this surgeon. The number counts whole cases, those before the record added; a part case carries the number reached by then.",
		"A capsule rupture counts for whoever caused it, for everyone whole or stopped where the cause is undetermined, and for whoever was stopped unplanned. Complications are those of the operation, whoever caused them.",
		"Follow-up: the acuity of days 14 to 180 and the refraction of days 28 to 120. Missing means that the time is over and nothing came; it is never taken as success.",
		"An operation counted apart, combined with another procedure for example, stays out of case numbers, charts and benchmarks. Only those that this surgeon began are listed.",
		"Where this logbook is wrong, say so on the page of the case.",
	}
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func periodWords(b learning.Logbook) string {
	word := func(day string) string {
		t, err := time.Parse(time.DateOnly, day)
		if err != nil {
			return day
		}
		return t.Format("2 January 2006")
	}
	switch {
	case b.From != "" && b.To != "":
		return " from " + word(b.From) + " to " + word(b.To)
	case b.From != "":
		return " from " + word(b.From) + " on"
	case b.To != "":
		return " up to " + word(b.To)
	}
	return ""
}

func logbookQuery(b learning.Logbook) string {
	query := url.Values{"surgeon": {b.Surgeon}}
	for name, day := range map[string]string{"from": b.From, "to": b.To} {
		if day != "" {
			query.Set(name, day)
		}
	}
	return query.Encode()
}

// logPart says what part of an operation the surgeon had.
func logPart(c learning.LogbookCase) string {
	out := "part"
	if c.Whole {
		out = "whole"
	}
	if c.Role == learning.RoleFirstOperator {
		out += ", began it"
	} else {
		out += ", came in later"
	}
	switch {
	case c.TakenOver == nil:
		out += "; not recorded whether a hand-over was planned"
	case *c.TakenOver:
		out += "; stopped unplanned"
	}
	if c.Excluded != "" {
		out += "; apart: " + leftOut(c.Excluded)
	}
	return out
}

func logSteps(c learning.LogbookCase) string {
	if len(c.Steps) == 0 {
		return notRecorded
	}
	steps := make([]string, len(c.Steps))
	for i, step := range c.Steps {
		steps[i] = plain(step)
	}
	return strings.Join(steps, ", ")
}

func logComplications(c learning.LogbookCase) string {
	if len(c.Complications) == 0 {
		if !c.OutcomeKnown {
			return "none recorded; no end recorded"
		}
		return "none recorded"
	}
	kinds := make([]string, len(c.Complications))
	for i, kind := range c.Complications {
		kinds[i] = plain(kind)
	}
	return strings.Join(kinds, ", ")
}

func logFollowup(c learning.LogbookCase) string {
	if c.AcuityAfter == "" {
		return "not followed here"
	}
	out := fmt.Sprintf("acuity %s, refraction %s", plain(c.AcuityAfter), plain(c.Refraction))
	if c.FollowupClosed != "" {
		out += "; ended: " + plain(c.FollowupClosed)
	}
	return out
}
