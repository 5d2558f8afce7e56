package portal

import (
	"fmt"
	"net/http"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/services/access"
)

// adviceView is what a trainee was told, by case.
type adviceView struct {
	frame
	Answer   string
	Sections []sectionView
	Hidden   string
}

// maxAdvised bounds the cases on the page.
const maxAdvised = 50

// advice serves GET /my/advice.
func (s *Service) advice(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	var view adviceView
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		received, more, err := feedback.ReadReceived(r.Context(), tx, actor.Surgeon, asOf, maxAdvised)
		if err != nil {
			return err
		}
		view = adviceWords(received, more)
		view.frame = s.frame(r.Context(), actor, "What was I told about my cases?", &asOf)
		return nil
	})
	if err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "advice", view)
}

// adviceWords word what was said, the latest first.
func adviceWords(received []feedback.Received, more bool) adviceView {
	var v adviceView
	if len(received) == 0 {
		v.Answer = "Nobody has recorded a review or a remark on one of your cases yet."
		return v
	}
	v.Answer = fmt.Sprintf("Something was said about %s, last on %s. The latest stands first.", plural(len(received), "case", "cases"), day(received[0].LastSaid))
	if more {
		v.Answer = fmt.Sprintf("Something was last said on %s. The latest stands first.", day(received[0].LastSaid))
		v.Hidden = "Only the latest " + whole(maxAdvised) + " cases are listed; older remarks stand on the page of their case, and are counted on your progress page."
	}
	for _, c := range received {
		s := sectionView{Heading: "Case " + c.CaseCode + ", operated on " + day(c.StartedAt), Links: []link{{Href: caseHref(c.CaseCode), Text: "Open case " + c.CaseCode}}}
		for _, review := range c.Reviews {
			s.Words = append(s.Words, review.Words())
		}
		if len(c.Reviews) == 0 {
			s.Words = []string{"Not reviewed yet; remarks on technique are recorded."}
		}
		if len(c.Points) > 0 {
			s.Tables = []tableView{pointTable(c.CaseCode, c.Points)}
		}
		v.Sections = append(v.Sections, s)
	}
	return v
}

// pointTable lists what was noted in a case, with where to see it in the recording.
func pointTable(code string, points []feedback.Point) tableView {
	t := tableView{Name: "Remarks on case " + code, Caption: "Remarks on technique in case " + code + ". The time is that in the file of the recording.",
		Head: heads("Teaching point", "Said as", "Step", "In the recording at", "What it bears on", "Said by", "Said on")}
	for _, p := range points {
		at := "not said where"
		if p.RecordingOffsetMS != nil {
			at = offsetWords(*p.RecordingOffsetMS)
		}
		t.Rows = append(t.Rows, cells(p.TeachingPoint, sentence(polarityWords(p.Polarity)), sentence(plain(p.Step)), at, sentence(plain(p.Consequence)), person(p.NotedBy), day(p.NotedAt)))
	}
	return t
}

func polarityWords(word string) string {
	if word == "improve" {
		return "to work on"
	}
	return plain(word)
}

// offsetWords is a place in a recording as "12:05.3" or "1:02:05".
func offsetWords(ms int64) string {
	d := time.Duration(ms) * time.Millisecond
	out := fmt.Sprintf("%d:%02d", int(d.Minutes()), int(d.Seconds())%60)
	if d >= time.Hour {
		out = fmt.Sprintf("%d:%02d:%02d", int(d.Hours()), int(d.Minutes())%60, int(d.Seconds())%60)
	}
	if tenths := ms % 1000 / 100; tenths > 0 {
		out += fmt.Sprintf(".%d", tenths)
	}
	return out
}
