package portal

import (
	"slices"

	"lensledger/projections/department"
)

// complicationSection words what went wrong, in theatre and after.
func complicationSection(c department.Complications) sectionView {
	figures := []figureView{
		{"No complication recorded", shareCell(c.Uncomplicated), "nothing of the list below in theatre"},
		{"Returned to theatre", countedCell(c.Returned), "a return on record, or another implant on a later day"},
		{"Unplanned attendance", countedCell(c.UnplannedAttendance), "known only where it was recorded"},
		{"Infection inside the eye within 42 days", whole(c.Endophthalmitis), "presumed or proven by culture: a number, never a rate of a surgeon"},
	}
	return sectionView{Heading: "Complications and findings",
		Words: []string{"What is found after the operation is known only where follow-up came: these shares are lower bounds. " +
			"An oedema of the cornea found only before day 28 is healing and no outcome."},
		Tables: []tableView{figureTable("Complications and findings", "Of "+plural(c.N, "operation", "operations"), figures),
			kindTable("Complications in theatre", "Complication", c.ByKind, "No complication is recorded."),
			kindTable("Findings after the operation", "Finding", c.Findings, "No finding is recorded.")}}
}

// kindTable lists rates by kind, in the order of the words.
func kindTable(caption, head string, kinds map[string]department.CountedFigure, none string) tableView {
	t := tableView{Name: caption, Caption: caption + ": operations with each, every kind once", Head: heads(head, "Operations"), None: none}
	for kind, f := range kinds {
		t.Rows = append(t.Rows, cells(sentence(plain(kind)), countedCell(f)))
	}
	slices.SortFunc(t.Rows, func(a, b []cell) int { return slices.Compare([]string{a[0].Text}, []string{b[0].Text}) })
	return t
}

// completenessSection words what is known, and so what is missing.
func completenessSection(c department.Completeness) sectionView {
	known := func(name string, f department.CountedFigure, note string) figureView {
		return figureView{name, countedCell(f), note}
	}
	return sectionView{Heading: "What is known, and what is missing", Words: []string{"Missing is never taken as success."},
		Tables: []tableView{figureTable("Completeness", "Of the operations counted, in how many each is known", []figureView{
			known("Operating time", c.OperatingTime, "information, never an aim"),
			known("Acuity before", c.AcuityBefore, "within six months before the operation"),
			known("Acuity after", c.AcuityAfter, "in the window of follow-up"),
			known("Acuity before and after", c.AcuityBoth, "what it takes to see a loss of vision"),
			known("Refraction", c.Refraction, "in the window of follow-up"),
			known("Prediction error", c.PredictionError, "a refraction, and a prediction for the implant in the eye"),
			known("End of follow-up", c.FollowupClosed, "somebody recorded that no more is to come"),
			{"Operations without an end", whole(c.Unfinished), "left out until their outcome is known"},
		})}}
}
