package portal

import (
	"net/url"

	"lensledger/projections/department"
)

// outcomeSections say what the eyes came to whose operations enter the surgeon's
// charts.
func outcomeSections(o department.EyesOfSurgeon) []sectionView {
	vision := sectionView{Heading: "What the eyes see", Words: []string{
		"Of the operations that are over and enter the charts, " + whole(o.Operations) + " in all: whole cases, and those in which the surgeon was stopped unplanned. One eye a patient; eyes booked as the second are left out.",
		windowWords(o.Vision.Window, o.Vision.CompleteTo), fewWords}}
	t := tableView{Name: "Acuity", Caption: plural(o.Vision.Eyes, "eye", "eyes") + ", one a patient. 6/6 is 0.00 logMAR, 6/12 is 0.30 logMAR",
		Head: heads("Figure", "Value", "If the missing were known")}
	for _, b := range []struct {
		name  string
		share department.Share
	}{
		{"After, at least 6/6", o.Vision.After.At000}, {"After, at least 6/12", o.Vision.After.At030},
		{"Before, at least 6/12", o.Vision.Before.At030},
	} {
		t.Rows = append(t.Rows, cells(b.name, shareCell(b.share), boundsWords(b.share.Bounds)))
	}
	t.Rows = append(t.Rows, cells("Loss of vision (worse by 0.30 logMAR or more)", countedCell(o.Vision.Loss.CountedFigure), boundsWords(o.Vision.Loss.Bounds)))
	vision.Tables = []tableView{t, countTable("Eyes of which it can't be said whether they lost vision", "Reason", "Eyes", o.Vision.Excluded, leftOut,
		"Of every eye it can be said whether it lost vision.")}

	return []sectionView{vision, errorSection(o), cornealSection(o)}
}

// outcomeSource is where the script of the pages reads a surgeon's outcomes.
func outcomeSource(surgeon, part string) string {
	return "/v1/surgeons/" + url.PathEscape(surgeon) + "/outcomes" + part
}

// errorSection says how far eyes ended from what was predicted.
func errorSection(o department.EyesOfSurgeon) sectionView {
	r := o.Refraction
	s := sectionView{Heading: "How far refractions are from the prediction", Words: []string{
		"Achieved less predicted for the implant in the eye; negative is more myopic. Most of it comes from the measurements and the formula: a surgeon's own effect is small, so that it is charted for departments alone.",
		windowWords(r.Window, r.CompleteTo)}}
	t := tableView{Name: "Prediction error", Caption: "Eyes by prediction error", Head: heads("Figure", "Uncomplicated eyes that see at least 6/12, one a patient", "Every eye with a prediction error")}
	for _, b := range []struct {
		name      string
		main, all department.Share
	}{{"Within 0.50 D", r.Within050, r.AllEyes.Within050}, {"Within 1.00 D", r.Within100, r.AllEyes.Within100}} {
		t.Rows = append(t.Rows, cells(b.name, shareCell(b.main), shareCell(b.all)))
	}
	t.Rows = append(t.Rows, cells("Mean error", dioptres(r.Mean), dioptres(r.AllEyes.Mean)), cells("Median absolute error", unsigned(r.MedianAbsolute), unsigned(r.AllEyes.MedianAbsolute)))
	s.Tables = []tableView{t}
	if len(r.AllEyes.Classes) > 0 {
		classes := tableView{Name: "Errors by class", Caption: "Every eye with a prediction error, by quarters of a dioptre; an edge belongs to the class nearer to no error", Head: numbers("Error", "Eyes")}
		for _, c := range r.AllEyes.Classes {
			classes.Rows = append(classes.Rows, cells(classWords(c), whole(c.Count)))
		}
		s.Drawings = []drawing{{Kind: "error-histogram", Source: outcomeSource(o.Surgeon, "#all_eyes"), Table: classes,
			Finding: "Prediction errors of " + plural(r.AllEyes.N, "eye", "eyes") + ": within 0.50 D " + shareCell(r.AllEyes.Within050) + "."}}
	} else {
		s.Words = append(s.Words, "They aren't drawn: a drawing needs 25 eyes with a prediction error, and "+isThere(r.AllEyes.N)+".")
	}
	return s
}

func isThere(n int) string {
	if n == 1 {
		return "there is 1"
	}
	return "there are " + whole(n)
}

// cornealSection says what the operations did to the cornea.
func cornealSection(o department.EyesOfSurgeon) sectionView {
	s := astigmatismSection(department.Astigmatism{Settled: o.Settled, Early: o.Early, SettledWindow: o.SettledWindow, EarlyWindow: o.EarlyWindow, Excluded: o.NotInduced})
	if c := o.Settled.Centroid; c != nil && len(o.Settled.Points) > 0 {
		t := tableView{Name: "Centroid", Caption: "The settled eyes of the plot", Head: heads("Eyes", "Centroid", "Mean amount")}
		t.Rows = append(t.Rows, cells(whole(o.Settled.N), astigmatismWords(c.Centroid), decimal(c.MeanAmount, 2)+" D"))
		s.Drawings = []drawing{{Kind: "double-angle", Source: outcomeSource(o.Surgeon, ""), Table: t,
			Finding: "Astigmatism induced in " + plural(o.Settled.N, "settled eye", "settled eyes") + ": centroid " + astigmatismWords(c.Centroid) + ", mean amount " + decimal(c.MeanAmount, 2) + " D."}}
	}
	return s
}
