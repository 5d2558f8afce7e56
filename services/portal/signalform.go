package portal

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"lensledger/events"
	"lensledger/services/analytics"
	"lensledger/services/web"
)

// What a form of a signal sends.
const (
	sentAcknowledgement = "acknowledgements"
	sentAssignment      = "assignments"
	sentReview          = "reviews"
)

// signalForm is what may be said about a signal, as typed in, and as shown again
// when it wasn't stored.
type signalForm struct {
	Alarm    string
	Sent     string // which part of it was sent; "" before
	Open     bool   // the signal isn't closed: it can be acknowledged and given to somebody
	OpenedAt string // when the form was made, RFC 3339; the time of what it decides
	Note     string
	Owner    string
	DueOn    string
	Finding  string
	Action   string
	Restart  bool
	Findings []choice
}

// choice is one option of a list.
type choice struct {
	Value, Words string
	Selected     bool
}

const maxActionCharacters = 500 // as events.Text has it

// A form may lie open for this long before it has to be sent.
const formLife = 12 * time.Hour

func newSignalForm(alarmCode string, now time.Time) *signalForm {
	f := &signalForm{Alarm: alarmCode, OpenedAt: now.UTC().Format(time.RFC3339)}
	f.list()
	return f
}

func (f *signalForm) list() {
	f.Findings = []choice{{"", "Choose a finding", f.Finding == ""}}
	for _, w := range events.Words[events.Finding]() {
		f.Findings = append(f.Findings, choice{string(w), sentence(plain(string(w))), f.Finding == string(w)})
	}
}

// read fills the form from what was sent and says what is wrong with it.
func (f *signalForm) read(r *http.Request, now time.Time) (time.Time, []problemView) {
	// Text of an event is one line: the breaks of the field become spaces.
	text := func(name string) string { return strings.Join(strings.Fields(r.PostFormValue(name)), " ") }
	f.OpenedAt, f.Note, f.Action = r.PostFormValue("opened_at"), text("note"), text("action")
	f.Owner, f.DueOn = strings.TrimSpace(r.PostFormValue("owner")), strings.TrimSpace(r.PostFormValue("due_on"))
	f.Finding, f.Restart = r.PostFormValue("finding"), r.PostFormValue("restart") == "yes"
	f.list()
	var problems []problemView
	add := func(field, format string, args ...any) {
		problems = append(problems, problemView{field + "-" + f.Alarm, fmt.Sprintf(format, args...)})
	}
	tooLong := func(field, what, said string) {
		if n := utf8.RuneCountInString(said); n > maxActionCharacters {
			add(field, "The %s has %d characters; shorten it to %d.", what, n, maxActionCharacters)
		}
	}
	at, err := time.Parse(time.RFC3339, f.OpenedAt)
	stale := err != nil || at.After(now.Add(time.Minute)) || now.Sub(at) > formLife
	switch f.Sent {
	case sentAcknowledgement:
		tooLong("note", "note", f.Note)
	case sentAssignment:
		if !caseCode.MatchString(f.Owner) {
			add("owner", "Give the code of who is to look into it: letters, digits, - and _, at most 40.")
		}
		if due := f.dueProblem(now); due != "" {
			add("due", "%s", due)
		}
	default:
		if !slices.Contains(events.Words[events.Finding](), events.Finding(f.Finding)) {
			add("finding", "Choose what the review found.")
		}
		tooLong("action", "action", f.Action)
	}
	if stale {
		f.OpenedAt = now.UTC().Format(time.RFC3339)
		problems = append(problems, problemView{f.firstField(), "The form lay open for too long. Check that nothing has changed above, and send it again."})
	}
	return at, problems
}

func (f *signalForm) dueProblem(now time.Time) string {
	if f.DueOn == "" {
		return "Give the day by which it is to be looked into."
	}
	var wrong *web.Error
	if errors.As(analytics.CheckDue(f.DueOn, now), &wrong) {
		return "The day by which it is to be looked into is today or up to a year ahead, such as " + now.UTC().AddDate(0, 0, 14).Format(time.DateOnly) + "."
	}
	return ""
}

// firstField is where to look at the part that was sent.
func (f *signalForm) firstField() string {
	return map[string]string{sentAcknowledgement: "note-", sentAssignment: "owner-", sentReview: "finding-"}[f.Sent] + f.Alarm
}

// Typed lists what was typed into the part that was sent, for whoever has no form
// to find it in any more.
func (f *signalForm) Typed() []string {
	var out []string
	for _, said := range []struct{ label, text string }{{"Note", f.Note}, {"Owner", f.Owner}, {"By", f.DueOn}, {"Finding", sentence(plain(f.Finding))}, {"Action", f.Action}} {
		if said.text != "" && !(said.label == "Finding" && f.Finding == "") {
			out = append(out, said.label+": "+said.text)
		}
	}
	return out
}
