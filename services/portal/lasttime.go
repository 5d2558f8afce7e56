package portal

import (
	"fmt"
	"net/url"

	"lensledger/projections/feedback"
	"lensledger/projections/outcome"
)

// lastTimeView is what was said before a case began, and what became of it there.
type lastTimeView struct {
	Answer string
	Review string // the latest review before
	Points tableView
}

// lastTimeWords word it; nil where nothing of the surgeon's other cases is seen.
func lastTimeWords(s *feedback.Stage) *lastTimeView {
	if s == nil || !s.RecordSeen {
		return nil
	}
	v := &lastTimeView{Review: "No earlier case was reviewed before this one."}
	if r := s.LastReview; r != nil {
		v.Review = "Last review before, of case " + r.CaseCode + ": " + r.Words()
	}
	if len(s.LastTime) == 0 {
		v.Answer = "No teaching point stood open when this case began."
		return v
	}
	back := 0
	v.Points = tableView{Name: "Points from before", Caption: "Teaching points to work on that stood open when the case began, the latest seen first.",
		Head: heads("Teaching point", "In this case", "Advised on", "Last seen before on", "In case")}
	for _, p := range s.LastTime {
		if p.Here == feedback.HereCameBack {
			back++
		}
		row := cells(p.TeachingPoint, hereWords[p.Here], day(p.Advised.At), day(p.LastSeen.At), p.LastSeen.Case)
		row[4].Href = caseHref(p.LastSeen.Case)
		v.Points.Rows = append(v.Points.Rows, row)
	}
	v.Answer = plural(len(s.LastTime), "teaching point stood", "teaching points stood") + " open when this case began. "
	if !s.Looked {
		v.Answer += "Nobody has noted or reviewed anything in this case, so it isn't known yet whether any came back."
	} else {
		v.Answer += fmt.Sprintf("Came back here: %s of %s.", whole(back), whole(len(s.LastTime)))
	}
	return v
}

// hereWords say what became of a point in a case.
var hereWords = map[string]string{feedback.HereCameBack: "came back", feedback.HereNotNoted: "not noted", feedback.HereUnknown: "not known: nobody has looked"}

// neighbourLinks lead to the cases of the same first operator before and after.
func neighbourLinks(surgeon string, n outcome.Neighbours) []link {
	var out []link
	if n.Before != "" {
		out = append(out, link{Href: caseHref(n.Before), Text: "Case of " + surgeon + " before this one: " + n.Before})
	}
	if n.After != "" {
		out = append(out, link{Href: caseHref(n.After), Text: "Case of " + surgeon + " after this one: " + n.After})
	}
	return out
}

func recordingHref(code string) string { return "/cases/" + url.PathEscape(code) + "/recording" }
