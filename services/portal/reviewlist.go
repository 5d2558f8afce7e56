package portal

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/outcome"
	"lensledger/services/access"
)

// reviewsView lists a trainer's cases that nobody has gone through.
type reviewsView struct {
	frame
	Answer  string
	Waiting tableView
	Hidden  string // how far the list goes
}

const (
	// reviewDays is how far back from the latest operation on record a case is
	// asked to be reviewed. Common practice, no source.
	reviewDays  = 90
	maxWaiting  = 100  // listed
	mostWaiting = 1000 // read, so that those that ask for a discussion are among the listed
)

// reviews serves GET /my/reviews.
func (s *Service) reviews(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	var view reviewsView
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		var waiting []feedback.Unreviewed
		last, err := outcome.LatestDay(r.Context(), tx, actor.Departments)
		if err != nil {
			return err
		}
		if !last.IsZero() {
			if waiting, err = feedback.Waiting(r.Context(), tx, last.AddDate(0, 0, -reviewDays), mostWaiting); err != nil {
				return err
			}
		}
		view = waitingWords(waiting, last)
		view.frame = s.frame(r.Context(), actor, "Which cases has nobody gone through yet?", &asOf)
		return nil
	})
	if err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "reviews", view)
}

// waitingWords word the cases, those that ask for a discussion first and then the
// latest; last is the latest operation on record.
func waitingWords(waiting []feedback.Unreviewed, last time.Time) reviewsView {
	var v reviewsView
	if last.IsZero() {
		v.Answer = "No operation that you may see is recorded in your departments yet."
		return v
	}
	since := fmt.Sprintf("of the %d days up to %s, the latest operation on record", reviewDays, day(last))
	if len(waiting) == 0 {
		v.Answer = sentence(since) + ": no case of those you supervise waits for a review."
		return v
	}
	count := plural(len(waiting), "case", "cases")
	if len(waiting) >= mostWaiting {
		count = whole(mostWaiting) + " cases or more"
	}
	waiting = slices.Clone(waiting)
	slices.SortStableFunc(waiting, func(a, b feedback.Unreviewed) int { return asks(b) - asks(a) })
	discuss := 0
	for _, c := range waiting {
		discuss += asks(c)
	}
	v.Answer = fmt.Sprintf("Waiting for a review: %s %s. ", count, since)
	switch discuss {
	case 0:
		v.Answer += "No rule asks for a case discussion of any."
	case 1:
		v.Answer += "One asks for a case discussion, whatever a chart says; it stands first."
	default:
		v.Answer += whole(discuss) + " ask for a case discussion, whatever a chart says; they stand first."
	}
	if len(waiting) > maxWaiting {
		waiting = waiting[:maxWaiting]
		v.Hidden = "Only " + whole(maxWaiting) + " are listed here; the others show as these are reviewed."
	}
	v.Waiting = tableView{Name: "Cases without a review", Caption: "Cases begun by those you supervise that nobody has reviewed: those that ask for a discussion, then the others, latest first. Open one to record a review.",
		Head: heads("Case", "First operator", "What to look at first", "What it came to", "Operated on (UTC)", "Supervision", "Department")}
	for _, c := range waiting {
		row := cells(c.CaseCode, c.Surgeon, lookFirst(c), cameTo(c), day(c.StartedAt), supervision(c.Supervision), c.Department)
		row[0].Href = caseHref(c.CaseCode)
		v.Waiting.Rows = append(v.Waiting.Rows, row)
	}
	return v
}

// asks is 1 for a case that a rule asks to discuss.
func asks(c feedback.Unreviewed) int { return min(len(c.Discussion), 1) }

// discussFirst says where to look in a case that asks for a discussion.
var discussFirst = map[string]string{
	feedback.DiscussRupture:         "what came before the capsule rupture",
	feedback.DiscussDroppedNucleus:  "how the nucleus was lost, and what was done then",
	feedback.DiscussWrongImplant:    "how the implant was chosen and checked",
	feedback.DiscussWrongEye:        "how the side was checked",
	feedback.DiscussEndophthalmitis: "draping, wound and antibiotic, before the endophthalmitis",
	feedback.DiscussTakeOvers:       "what was hard, for the second unplanned take-over in a row",
}

// lookFirst says what to look at first in a case.
func lookFirst(c feedback.Unreviewed) string {
	var out []string
	for _, reason := range c.Discussion {
		words := discussFirst[reason]
		if reason == feedback.DiscussRupture && c.RuptureStep != "" {
			words += " in " + plain(c.RuptureStep)
		}
		out = append(out, words)
	}
	switch {
	case len(out) > 0:
		return "Discuss: " + list(out)
	case c.TakenOver == nil:
		return "Whether the hand-over was planned, and why"
	case *c.TakenOver:
		return "The step that was handed over unplanned"
	}
	return "What was advised last time, and whether it came back"
}

func caseHref(code string) string { return "/cases/" + url.PathEscape(code) }

// cameTo says what a case came to, rupture and take-over together.
func cameTo(c feedback.Unreviewed) string {
	var out []string
	if c.Rupture {
		out = append(out, "capsule rupture")
	}
	switch {
	case c.TakenOver == nil:
		out = append(out, "not recorded whether the hand-over was planned")
	case *c.TakenOver:
		out = append(out, "unplanned take-over")
	}
	if len(out) == 0 {
		return "completed without either"
	}
	return list(out)
}
