package portal

import (
	"lensledger/events"
	"lensledger/projections/feedback"
)

// askedSection lists what the surgeon said is wrong in records, and what came of it.
func askedSection(list []feedback.Question) sectionView {
	open := 0
	t := tableView{Name: "Records said to be wrong", Caption: "What was said to be wrong, the open ones first", Head: heads("Case", "Asked", "About", "What was said", "Answer"),
		None: "Nothing. Where a record is wrong, open its case and say so there."}
	for _, q := range list {
		answer := "not answered yet"
		if q.Open() {
			open++
		} else {
			answer = answerLine(q.Answer, q.AnswerWords, q.AnsweredBy, *q.AnsweredAt)
		}
		row := cells(q.CaseCode, day(q.AskedAt), partWords[events.RecordPart(q.About)], "“"+q.Words+"”", answer)
		row[0].Href = caseHref(q.CaseCode)
		t.Rows = append(t.Rows, row)
	}
	s := sectionView{Heading: "Records said to be wrong", Tables: []tableView{t}}
	if len(list) > 0 {
		s.Words = []string{whole(open) + " of " + whole(len(list)) + " not answered yet. No figure changes until the record is amended."}
	}
	return s
}
