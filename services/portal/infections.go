package portal

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"lensledger/projections/department"
	"lensledger/services/access"
)

// infections serves GET /departments/{department}/infections?from&to&as_of, for
// quality officers: a dated list, never a rate of anyone.
func (s *Service) infections(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "Were there infections inside the eye, and do they lie close together?", fill: func(page *departmentPage, at reading) error {
		found, err := department.Endophthalmitis(at.ctx, at.tx, at.code, at.period, at.asOf)
		if err != nil {
			return err
		}
		page.infections(found)
		return nil
	}})
}

func (p *departmentPage) infections(found department.Infections) {
	p.Answer = fmt.Sprintf("No infection inside the eye is recorded within %d days of an operation of this period.", found.WithinDays)
	if found.N > 0 {
		p.Answer = fmt.Sprintf("%s inside the eye within %d days of an operation of this period.", sentence(plural(found.N, "infection", "infections")), found.WithinDays)
	}
	if len(found.Notices) > 0 {
		p.Answer += " " + plural(len(found.Notices), "group lies", "groups lie") + " close together: look at them together."
	}
	if found.N > 0 {
		p.Sections = []sectionView{noticeSection(found.Notices), infectionSection(found.Infections)}
	}
}

// noticeSection names infections to be looked at together.
func noticeSection(notices []department.InfectionNotice) sectionView {
	s := sectionView{Heading: "Close together", Words: []string{
		"Each of these was found within 30 days of the one before: a reason to look at theatre, instruments and drugs together, not a finding about anyone."}}
	if len(notices) == 0 {
		s.Words = []string{"None was found within 30 days of another."}
	}
	t := tableView{Name: "Close together", Caption: "Infections found within 30 days of the one before", Head: heads("Found from", "To", "Cases")}
	for _, n := range notices {
		t.Rows = append(t.Rows, cells(isoDay(n.From), isoDay(n.To), list(n.Cases)))
	}
	s.Tables = []tableView{t}
	return s
}

func infectionSection(infections []department.Infection) sectionView {
	t := tableView{Name: "Infections", Caption: "Infections by the day on which they were found",
		Head: []column{{"Case", false}, {"Operated", false}, {"Found", false}, {"Days after", true}, {"How sure", false}}}
	for _, i := range infections {
		certainty := "not stated"
		if i.Certainty != "" {
			certainty = plain(i.Certainty)
		}
		row := cells(i.Case, isoDay(i.OperatedOn), isoDay(i.FoundOn), whole(i.Days), certainty)
		row[0].Href = "/cases/" + url.PathEscape(i.Case)
		t.Rows = append(t.Rows, row)
	}
	return sectionView{Heading: "All of the period", Tables: []tableView{t}}
}

// isoDay words a day as answers write it.
func isoDay(date string) string {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return notRecorded
	}
	return day(t)
}
