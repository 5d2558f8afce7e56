package portal

import (
	"lensledger/projections/department"
)

// refractionSection words how far eyes ended from the prediction and from the
// target.
func refractionSection(r department.Refraction) sectionView {
	s := sectionView{Heading: "Refraction", Words: []string{
		"Prediction error is the refraction achieved less that predicted for the implant in the eye; negative is more myopic than predicted. " +
			"The main figure takes eyes without a complication, with the implant in the capsular bag, that see 6/12 or better, one eye a patient.",
		windowWords(r.Window, r.CompleteTo), comparableWords(r.Comparable)}}
	groups := []department.RefractionGroup{r.RefractionGroup, r.BothEyes, r.AllEyes}
	head := heads("Figure", "Main figure", "Both eyes of a patient, same choice", "All eyes with a prediction error")
	near := tableView{Name: "Prediction error", Caption: "Eyes by prediction error, and by distance from the refraction aimed at", Head: head}
	row := func(t *tableView, name string, say func(department.RefractionGroup) string) {
		texts := []string{name}
		for _, g := range groups {
			texts = append(texts, say(g))
		}
		t.Rows = append(t.Rows, cells(texts...))
	}
	share := func(name string, of func(department.RefractionGroup) department.Share) {
		row(&near, name, func(g department.RefractionGroup) string { return shareCell(of(g)) })
	}
	share("Within 0.25 D of the prediction", func(g department.RefractionGroup) department.Share { return g.Within025 })
	share("Within 0.50 D", func(g department.RefractionGroup) department.Share { return g.Within050 })
	share("Within 1.00 D", func(g department.RefractionGroup) department.Share { return g.Within100 })
	share("Within 2.00 D", func(g department.RefractionGroup) department.Share { return g.Within200 })
	row(&near, "Mean error", func(g department.RefractionGroup) string { return dioptres(g.Mean) })
	row(&near, "Standard deviation", func(g department.RefractionGroup) string { return unsigned(g.SD) })
	row(&near, "Mean absolute error", func(g department.RefractionGroup) string { return unsigned(g.MeanAbsolute) })
	row(&near, "Median absolute error", func(g department.RefractionGroup) string { return unsigned(g.MedianAbsolute) })
	share("Within 0.50 D of the target", func(g department.RefractionGroup) department.Share { return g.Target.Within050 })
	share("Within 1.00 D of the target", func(g department.RefractionGroup) department.Share { return g.Target.Within100 })
	row(&near, "Mean distance from the target", func(g department.RefractionGroup) string { return dioptres(g.Target.Mean) })

	bounds := tableView{Name: "If the missing were known", Caption: "What the shares would be if the eyes that are missing were known",
		Head: heads("Figure", "Main figure", "All eyes")}
	for _, b := range []struct {
		name      string
		main, all department.Share
	}{{"Within 0.25 D", r.Within025, r.AllEyes.Within025}, {"Within 0.50 D", r.Within050, r.AllEyes.Within050},
		{"Within 1.00 D", r.Within100, r.AllEyes.Within100}, {"Within 2.00 D", r.Within200, r.AllEyes.Within200}} {
		if b.main.Bounds != nil || b.all.Bounds != nil {
			bounds.Rows = append(bounds.Rows, cells(b.name, boundsWords(b.main.Bounds), boundsWords(b.all.Bounds)))
		}
	}
	s.Tables = []tableView{near, bounds,
		countTable("Why eyes aren't in the main figure: each once, by the first reason that holds", "Reason", "Eyes", r.Excluded, leftOut,
			"Every eye is in the main figure."),
		countTable("Why eyes have no prediction error", "Reason", "Eyes", r.ExcludedOf, leftOut, "Every eye has a prediction error.")}
	return s
}

const tooFewForMean = "too few eyes"

// dioptres is a power with its sign.
func dioptres(d *float64) string {
	if d == nil {
		return tooFewForMean
	}
	return signed(*d, 2) + " D"
}

// unsigned is a size in dioptres.
func unsigned(d *float64) string {
	if d == nil {
		return tooFewForMean
	}
	return decimal(*d, 2) + " D"
}
