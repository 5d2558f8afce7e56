package portal

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/outcome"
	"lensledger/services/access"
)

// maxTheatre bounds a theatre's own count of a period.
const maxTheatre = 1_000_000

// maxOpen bounds a list, so that a page stays a page.
const maxOpen = 500

// completeness serves GET /departments/{department}/completeness?from&to&as_of&theatre_operations.
func (s *Service) completeness(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "What is missing from the record?", form: theatreForm, fill: func(page *departmentPage, at reading) error {
		var theatre *int
		if n, err := strconv.Atoi(page.Numbers[0].Value); err == nil {
			theatre = &n
		}
		found, err := department.Reconcile(at.ctx, at.tx, at.code, at.period, at.asOf, theatre)
		if err != nil {
			return err
		}
		page.missing(found)
		return nil
	}})
}

// theatreForm asks for the theatre's own count.
func theatreForm(page *departmentPage, at reading) {
	const name = "theatre_operations"
	asked := at.query.Get(name)
	page.Numbers = []numberView{{name, "Operations of the period by the theatre's own count (empty when not at hand)", asked}}
	if n, err := strconv.Atoi(asked); asked != "" && (err != nil || n < 0 || n > maxTheatre) {
		page.Problems = append(page.Problems, problemView{name, "Theatre's count: give a whole number, or leave it empty."})
	}
}

// missing words what a department's record lacks.
func (p *departmentPage) missing(r department.Reconciliation) {
	p.Answer = fmt.Sprintf("%s on record; %s with neither a start nor a cancellation, %s without an end, %s of one patient to look at.",
		sentence(plural(r.Recorded, "operation is", "operations are")), plural(len(r.NotStarted), "booked case", "booked cases"),
		plural(len(r.NotEnded), "operation", "operations"), plural(len(r.Checks), "pair of operations", "pairs of operations"))
	theatre := sectionView{Heading: "The theatre's own count", Words: []string{"Give the theatre's count of the period above to compare."}}
	if t := r.Theatre; t != nil {
		theatre.Words = []string{theatreWords(*t)}
	}
	p.Sections = []sectionView{theatre,
		openSection("Booked, and nothing came", "Booked cases with neither a start nor a cancellation on record, by the day they were planned for",
			"Planned for", "Every booked case has a start or a cancellation.", r.NotStarted),
		openSection("Started, and no end", "Operations without an end on record", "Started", "Every operation has an end.", r.NotEnded),
		followUpSection(r.FollowUp), pairSection(r.Checks), leftOutSection(r.LeftOut)}
}

// leftOutLine says beside figures how many cases have something set aside.
func leftOutLine(l department.LeftOut) string {
	if l.Cases == 0 && l.Unreadable == 0 {
		return "No case has anything set aside: nothing waits in quarantine, and no conflict is open."
	}
	return sentence(plural(l.Cases, "case has", "cases have")) + " something set aside, of whatever period, and may be missing here or incomplete: " +
		whole(l.CasesInConflict) + " in conflict, the others in quarantine; " + plural(l.Unreadable, "more event names", "more events name") + " no readable case."
}

// leftOutSection says what was received and was set aside.
func leftOutSection(l department.LeftOut) sectionView {
	s := sectionView{Heading: "Received, and set aside", Words: []string{
		leftOutLine(l),
		sentence(plural(l.Waiting, "event waits", "events wait")) + " in quarantine, of whatever period; none counts until its source puts it right. Its source sees on the intake page what to do.",
		sentence(plural(l.InConflict, "event came", "events came")) + " with more than one content; none counts until it is amended, and those amended since are in this number."}}
	if len(l.Quarantined) > 0 {
		s.Tables = []tableView{quarantineTable(l.Quarantined)}
	}
	return s
}

// quarantineTable counts what is in quarantine by source and reason.
func quarantineTable(counts []archive.QuarantineCount) tableView {
	t := tableView{Name: "Quarantine", Caption: "Events that could not be taken, by source and reason",
		Head: []column{{"Source", false}, {"Department", false}, {"Reason", false}, {"Waiting", true}, {"Cases affected", true}, {"Sent again", true}}}
	for _, c := range counts {
		t.Rows = append(t.Rows, cells(named(c.Source), named(c.Department), reasonOf(c.Reason), whole(c.Waiting), whole(c.Cases), whole(c.Released)))
	}
	return t
}

func theatreWords(t department.TheatreCount) string {
	out := fmt.Sprintf("The theatre counted %s, the record holds %s: ", whole(t.Operations), whole(t.Recorded))
	switch d := t.Difference; {
	case d > 0:
		return out + plural(d, "operation is missing", "operations are missing") + " from the record."
	case d < 0:
		return out + "the record holds " + plural(-d, "operation", "operations") + " that the theatre didn't count."
	}
	return out + "the same."
}

func openSection(heading, caption, when, none string, open []department.OpenCase) sectionView {
	t := tableView{Name: heading, Caption: caption, Head: heads("Case", when), None: none}
	for _, c := range open[:min(maxOpen, len(open))] {
		row := cells(c.Case, isoDay(c.On))
		row[0].Href = "/cases/" + url.PathEscape(c.Case)
		t.Rows = append(t.Rows, row)
	}
	s := sectionView{Heading: heading, Tables: []tableView{t}}
	if more := len(open) - maxOpen; more > 0 {
		s.Words = []string{plural(more, "later one isn't", "later ones aren't") + " listed here: choose a shorter period."}
	}
	return s
}

// followUpSection keeps apart what may still come and what is missing.
func followUpSection(f department.FollowUp) sectionView {
	t := tableView{Name: "Follow-up", Caption: "Of " + plural(f.N, "operation", "operations") + " in the figures; what may still come isn't missing yet",
		Head: numbers("What", "Known", "May still come", "Missing")}
	why := tableView{Name: "Why it is missing", Caption: "What is missing, by reason, and by how the follow-up ended",
		Head: []column{{"What", false}, {"Reason, or end of follow-up", false}, {"Eyes", true}}}
	for _, k := range []struct {
		name string
		of   department.MissingFollowUp
	}{{"Acuity before", f.AcuityBefore}, {"Acuity after", f.AcuityAfter}, {"Refraction", f.Refraction}, {"Settled corneal power", f.Keratometry}} {
		t.Rows = append(t.Rows, cells(k.name, whole(k.of.Known), whole(k.of.Waiting), whole(k.of.Missing)))
		for _, reason := range sortedKeys(k.of.ByReason) {
			why.Rows = append(why.Rows, cells(k.name, leftOut(reason), whole(k.of.ByReason[reason])))
		}
		for _, end := range sortedKeys(k.of.Closed) {
			why.Rows = append(why.Rows, cells(k.name, endWords(end), whole(k.of.Closed[end])))
		}
	}
	return sectionView{Heading: "Follow-up", Words: []string{"Missing follow-up is never taken as success. Each eye that is missing counts once by reason, and once by how its follow-up ended."},
		Tables: []tableView{t, why}}
}

// endWords say how follow-up ended.
func endWords(end string) string {
	if end == "open" {
		return "follow-up: no end recorded"
	}
	return "follow-up ended: " + plain(end)
}

// checkWords name what two operations of one patient can show together.
var checkWords = map[string]string{
	outcome.SameEyeTwice:       "One eye, two operations",
	outcome.SameDayBothEyes:    "Both eyes on one day",
	outcome.EyeOrderDiffers:    "First and second eye differ",
	outcome.AxialLengthDiffers: "Axial lengths differ",
}

func pairSection(checks []outcome.PatientCheck) sectionView {
	t := tableView{Name: "Pairs", Caption: "Operations of one patient, earlier first", Head: heads("What", "Earlier case", "Later case", "Why"),
		None: "No pair of operations asks for a look."}
	for _, c := range checks[:min(maxOpen, len(checks))] {
		name, ok := checkWords[c.Code]
		if !ok {
			name = sentence(plain(c.Code))
		}
		row := cells(name, c.Cases[0], c.Cases[1], sentence(c.Detail))
		row[1].Href, row[2].Href = "/cases/"+url.PathEscape(c.Cases[0]), "/cases/"+url.PathEscape(c.Cases[1])
		t.Rows = append(t.Rows, row)
	}
	return sectionView{Heading: "Two operations of one patient", Words: []string{
		"To be looked at, not a finding about anyone: nothing is left out or changed for it. Join codes that are one operation, and amend what is wrong."}, Tables: []tableView{t}}
}
