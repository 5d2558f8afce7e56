package portal

import (
	"fmt"
	"net/http"
	"net/url"
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
	reviewDays = 90
	maxWaiting = 100
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
			if waiting, err = feedback.Waiting(r.Context(), tx, last.AddDate(0, 0, -reviewDays), maxWaiting+1); err != nil {
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

// waitingWords word the cases, latest first; last is the latest operation on
// record.
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
	if len(waiting) > maxWaiting {
		count = "more than " + whole(maxWaiting) + " cases"
		waiting = waiting[:maxWaiting]
		v.Hidden = "Only the latest " + whole(maxWaiting) + " are listed here."
	}
	v.Answer = fmt.Sprintf("Waiting for a review: %s %s.", count, since)
	v.Waiting = tableView{Name: "Cases without a review", Caption: "Cases begun by those you supervise that nobody has reviewed, latest first. Open one to record a review.",
		Head: heads("Case", "First operator", "Department", "Operated on (UTC)", "Supervision", "What it came to")}
	for _, c := range waiting {
		row := cells(c.CaseCode, c.Surgeon, c.Department, day(c.StartedAt), supervision(c.Supervision), cameTo(c))
		row[0].Href = caseHref(c.CaseCode)
		v.Waiting.Rows = append(v.Waiting.Rows, row)
	}
	return v
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
