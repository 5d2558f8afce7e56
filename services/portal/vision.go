package portal

import (
	"fmt"
	"time"

	"lensledger/projections/department"
)

// tooLittle says that a comparison isn't to be drawn.
const tooLittle = "Too little follow-up to compare: it is known in fewer than 70 % of the eyes, or fewer than 25 eyes stand in the figure. " +
	"Draw no comparison with other departments, other periods or published figures."

// comparableWords say what a comparison would need.
func comparableWords(comparable bool) string {
	if !comparable {
		return tooLittle
	}
	return "Compare a published figure only if it has the same window of follow-up and the same choice of eyes."
}

// windowWords say which visits count, and up to which operations all of them
// could have come.
func windowWords(w department.Window, completeTo string) string {
	out := fmt.Sprintf("Visits from day %d to day %d after the operation count.", w.FromDay, w.ToDay)
	if at, err := time.Parse(time.DateOnly, completeTo); err == nil {
		out += " Complete to " + day(at) + ": for operations up to that day the time for follow-up was over when the record was read; later ones are provisional."
	}
	return out
}

// boundsWords say what a share would be if the missing were known.
func boundsWords(b *department.Bounds) string {
	switch {
	case b == nil:
		return ""
	case b.Missing == 0:
		return "none missing"
	}
	return fmt.Sprintf("%s missing: %s if all of them did well, %s if all did badly", whole(b.Missing), percent(b.Good), percent(b.Bad))
}

// copathologyWords name groups of eyes by other diseases that limit vision.
var copathologyWords = []struct{ group, words string }{
	{department.WithoutCopathology, "No other disease that limits vision"},
	{department.WithCopathology, "Another disease that limits vision"},
	{department.UnknownCopathology, "Not known whether there is another disease"},
}

// visionSection words what eyes saw before and after.
func visionSection(v department.Vision) sectionView {
	s := sectionView{Heading: "Vision", Words: []string{
		"One eye a patient: eyes booked as the second are left out. 0.00 logMAR is 6/6, 0.30 logMAR is 6/12; an acuity below the chart is in neither band.",
		windowWords(v.Window, v.CompleteTo), comparableWords(v.Comparable), fewWords}}
	bands := []struct {
		name  string
		share department.Share
	}{
		{"After, 0.00 logMAR (6/6) or better", v.After.At000}, {"After, 0.30 logMAR (6/12) or better", v.After.At030},
		{"After, without correction, 0.00 or better", v.Unaided.At000}, {"After, without correction, 0.30 or better", v.Unaided.At030},
		{"Before, 0.00 or better", v.Before.At000}, {"Before, 0.30 or better", v.Before.At030},
	}
	t := tableView{Name: "Vision", Caption: plural(v.Eyes, "eye", "eyes") + ", one a patient", Head: heads("Figure", "Value", "If the missing were known")}
	for _, b := range bands {
		t.Rows = append(t.Rows, cells(b.name, shareCell(b.share), boundsWords(b.share.Bounds)))
	}
	t.Rows = append(t.Rows, cells("Loss of vision (worse by 0.30 logMAR or more)", countedCell(v.Loss.CountedFigure), boundsWords(v.Loss.Bounds)))
	groups := tableView{Name: "Vision by other disease", Caption: "The same after the operation, by whether another disease limits the vision of the eye, and of all eyes",
		Head: []column{{"Eyes", false}, {"Number", true}, {"0.00 or better", false}, {"0.30 or better", false}, {"Loss of vision", false}}}
	for _, c := range copathologyWords {
		groups.Rows = append(groups.Rows, visionRow(c.words, v.ByCopathology[c.group]))
	}
	groups.Rows = append(groups.Rows, visionRow("All eyes, second ones too", v.AllEyes))
	s.Tables = []tableView{t, groups, countTable("Eyes of which it can't be said whether they lost vision, one a patient", "Reason", "Eyes", v.Excluded, leftOut,
		"Of every eye it can be said whether it lost vision.")}
	return s
}

func visionRow(name string, g department.VisionGroup) []cell {
	return cells(name, whole(g.Eyes), shareCell(g.After.At000), shareCell(g.After.At030), countedCell(g.Loss.CountedFigure))
}
