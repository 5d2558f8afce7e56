package portal

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"time"

	"lensledger/events/simulate"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/services/access"
)

// frame is what stands around every page.
type frame struct {
	Title    string // the page's question; it names nobody
	Invented string // the demo's notice, else empty
	Who      string // who asks and for which department; empty for a stranger
	Links    []link
	AsOf     string // what the page's rows rest on; empty where it has none
	Late     string // a warning that the rows may be older than they look
	Position uint64 // the position of AsOf, for the page's script
	Live     string // how soon an open page shows what is new: one of the words below
	Caution  string
	by       string // mark of who asks, see typedBy; empty for a stranger
}

// How soon an open page shows what is new. A page of an earlier state never does.
const (
	liveNow  = "now"  // at once: who has it open acts on signals
	liveSoon = "soon" // within seconds, spread over all who have one open
)

// typist marks who types into the page's forms.
func (f frame) typist() string { return f.by }

// link leads to another page.
type link struct {
	Href, Text string
	Question   string // what the page answers
}

// lateAfter is how long a message may wait before pages say that they are late.
// Common practice, no source.
const lateAfter = 30 * time.Second

// lagWithin bounds the wait for the stream: the page is worth having without.
const lagWithin = 2 * time.Second

// frame makes the frame of a page. asOf is nil for a page without rows.
func (s *Service) frame(ctx context.Context, actor access.Actor, title string, asOf *archive.AsOf) frame {
	f := frame{Title: title, Caution: caution, Who: who(actor), Links: links(actor), by: markOf(actor)}
	if len(s.cfg.Personas) > 0 {
		f.Invented = simulate.Invented
	}
	if asOf == nil {
		return f
	}
	f.AsOf, f.Position = asOfWords(*asOf), asOf.Position
	switch {
	case asOf.Past:
	case actor.Role == access.Quality:
		f.Live = liveNow // who acts on signals
	default:
		f.Live = liveSoon
	}
	if s.cfg.Lag != nil && !asOf.Past {
		ctx, cancel := context.WithTimeout(ctx, lagWithin)
		defer cancel()
		if waiting, age, err := s.cfg.Lag.Lag(ctx); err != nil {
			f.Late = "It can't be told for the moment whether newer events wait to be read in."
		} else if age > lateAfter {
			f.Late = fmt.Sprintf("Late: %s to be read in, the oldest for %s. What you see may be older than it looks.",
				plural(int(waiting), "event waits", "events wait"), length(age))
		}
	}
	return f
}

func asOfWords(a archive.AsOf) string {
	out := fmt.Sprintf("As of position %s of the record", whole(int(a.Position)))
	if !a.RecordedAt.IsZero() {
		out += ", recorded up to " + moment(a.RecordedAt)
	}
	if a.Past {
		out += " (an earlier state, as you asked for)"
	}
	return out + ". Definitions: version " + department.Definition + "."
}

// who says who asks, in which role and for which department.
func who(a access.Actor) string {
	out := sentence(roleWords[a.Role])
	switch a.Role {
	case "":
		return ""
	case access.Trainee:
		out += " " + a.Surgeon
	case access.Trainer:
		out += " " + a.Surgeon
		if len(a.Supervises) > 0 {
			out += ", supervising " + list(a.Supervises)
		}
	case access.Integrator:
		out += " of source " + a.Source
	case access.Administrator:
		out += ": counts of all sources, no clinical rows"
	}
	switch n := len(a.Departments); {
	case n == 1:
		out += ", department " + a.Departments[0]
	case n > 1:
		out += ", departments " + list(a.Departments)
	}
	return out
}

// links lists the pages that the role may see, by the one access matrix.
func links(a access.Actor) []link {
	var out []link
	if may(a.Role, http.MethodGet, "/my/charts") {
		out = append(out, link{"/my/charts", "My charts", "Where do my charts stand, and what could they still miss?"})
		for _, surgeon := range a.Supervises {
			out = append(out, link{"/my/charts?surgeon=" + url.QueryEscape(surgeon), "Charts of " + surgeon,
				"Where do this trainee's charts stand, and which cases moved them?"})
		}
	}
	if may(a.Role, http.MethodGet, "/my/progress") {
		out = append(out, link{"/my/progress", "Progress", "How many cases, how does each step go, what came of the advice, and what is missing?"})
	}
	if may(a.Role, http.MethodGet, "/my/logbook") {
		out = append(out, link{"/my/logbook", "Logbook", "Which operations did I do, in which part, and what came of them?"})
	}
	if may(a.Role, http.MethodGet, questionsRoute) {
		for _, d := range a.Departments {
			out = append(out, link{departmentHref(questionsRoute, d), "Records said to be wrong, " + d,
				"Which records does somebody say are wrong, and who waits for an answer?"})
		}
	}
	if may(a.Role, http.MethodGet, "/my/reviews") {
		out = append(out, link{"/my/reviews", "Reviews", "Which cases of those I supervise has nobody gone through yet?"})
	}
	if may(a.Role, http.MethodGet, "/my/planned") {
		out = append(out, link{"/my/planned", "Planned", "Which eyes are booked, and how does their risk lie beside what is usual at each trainee's count?"})
	}
	if may(a.Role, http.MethodGet, "/my/advice") {
		out = append(out, link{"/my/advice", "Advice", "What was I told about my cases, and where is it in the recording?"})
	}
	if may(a.Role, http.MethodGet, "/alarms") {
		out = append(out, link{"/alarms", "Alarms", "Has a chart crossed its line, which cases moved it, and who has looked at it?"})
	}
	if may(a.Role, http.MethodGet, "/departments/{department}") {
		for _, d := range a.Departments {
			out = append(out, link{"/departments/" + url.PathEscape(d), "Department " + d,
				"What are the department's figures, how sure are they, and what is left out?"})
		}
	}
	if may(a.Role, http.MethodGet, "/figures") {
		out = append(out, link{"/figures", "Figures side by side", "What are the figures of the departments, and what may leave them?"})
	}
	if may(a.Role, http.MethodGet, "/intake") {
		out = append(out, link{"/intake", "Intake", "Were the events taken, which were refused and why?"})
	}
	return out
}
