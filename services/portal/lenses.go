package portal

import (
	"fmt"
	"net/http"

	"lensledger/projections/department"
	"lensledger/projections/measure"
	"lensledger/services/access"
)

// lenses serves GET /departments/{department}/lenses?from&to&as_of.
func (s *Service) lenses(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "Do lens constants fit, and what do operations do to the cornea?", fill: func(page *departmentPage, at reading) error {
		eyes, err := department.ReadEyes(at.ctx, at.tx, at.code, at.period, at.asOf)
		if err != nil {
			return err
		}
		groups, err := eyes.LensConstants()
		if err != nil {
			return err
		}
		induced, err := eyes.InducedAstigmatism()
		if err != nil {
			return err
		}
		page.lenses(groups, induced)
		return nil
	}})
}

// lenses puts the check of lens constants and the induced astigmatism into the
// page.
func (p *departmentPage) lenses(groups []department.LensGroup, induced department.Astigmatism) {
	checked, off := 0, 0
	for _, g := range groups {
		if g.Check == nil {
			continue
		}
		checked++
		if g.Check.Interval.Lower > 0 || g.Check.Interval.Upper < 0 {
			off++
		}
	}
	switch {
	case len(groups) == 0:
		p.Answer = "No eye of the period has a prediction error that counts here, so no lens constant can be checked."
	case checked == 0:
		p.Answer = "No lens constant has enough eyes to be checked: it takes 25 of the main figure of refraction."
	default:
		p.Answer = fmt.Sprintf("%s enough eyes to be checked. In %s of them the mean error differs from zero by more than chance would usually give: advice to verify on other eyes, which nothing here applies.",
			sentence(plural(checked, "constant in use has", "constants in use have")), whole(off))
	}
	cornea := astigmatismSection(induced)
	cornea.Drawings = inducedDrawings(induced, p.source("astigmatism"))
	p.Sections = []sectionView{lensSection(groups), cornea}
}

// lensSection advises and applies nothing.
func lensSection(groups []department.LensGroup) sectionView {
	t := tableView{Name: "Lens constants", Caption: "Eyes of the main figure of refraction, one a patient, by implant model, formula, biometer and constant in use, in the order of these names",
		Head: []column{{"Implant model", false}, {"Formula", false}, {"Biometer", false}, {"Constant in use", true}, {"Eyes", true},
			{"Mean error", false}, {"Standard deviation", true}, {"Within 0.50 D", false}, {"What would centre it", false}},
		None: "No eye of the period has a prediction error that counts here."}
	for _, g := range groups {
		constant := notRecorded
		if g.Constant != nil {
			constant = decimal(*g.Constant, 2)
		}
		mean, sd, within := "too few eyes", "", ""
		if e := g.Errors; e != nil {
			mean, sd, within = dioptres(&e.Mean), unsigned(e.SD), withinHalf(*e)
		}
		if g.Check != nil {
			mean += ", " + dioptreInterval(g.Check.Interval)
		}
		t.Rows = append(t.Rows, cells(asSent(g.LensModel), asSent(g.Formula), asSent(g.Biometer), constant, whole(g.N), mean, sd, within, centreWords(g)))
	}
	return sectionView{Heading: "Lens constants", Words: []string{
		"Advice to verify on other eyes, never an order: the shift is what would bring the mean error of these eyes to zero. Nothing applies it. " +
			fewWords}, Tables: []tableView{t}}
}

// withinHalf is the share of errors within 0.50 D.
func withinHalf(e measure.PredictionResult) string {
	for _, w := range e.Within {
		if w.Dioptres == 0.5 {
			return cellWords(w.Rate.Events, w.Rate.N, &w.Rate.Rate, &w.Rate.Wilson)
		}
	}
	return ""
}

// centreWords say how predictions would have to move. A mean error of -0.10 D is
// more myopic than predicted: predictions move by -0.10 D.
func centreWords(g department.LensGroup) string {
	switch {
	case g.Check == nil && g.Errors == nil:
		return ""
	case g.Check == nil:
		return "nothing to be said: all errors are alike"
	}
	move := -g.Check.Shift
	out := "predictions moved by " + dioptres(&move)
	if a := g.AConstant; a != nil {
		out += fmt.Sprintf("; A constant %s (95 %% CI %s to %s) in place of %s, a shift of %s, from %s with biometry",
			decimal(a.Zeroing, 2), decimal(a.Interval.Lower, 2), decimal(a.Interval.Upper, 2), decimal(a.InUse, 2), signed(a.Shift, 2),
			plural(a.Errors.N, "eye", "eyes"))
	}
	return out
}

func dioptreInterval(i measure.Interval) string {
	return "95 % CI " + signed(i.Lower, 2) + " to " + signed(i.Upper, 2)
}

// asSent is a name as it was sent.
func asSent(name string) string {
	if name == "" {
		return notRecorded
	}
	return name
}

// astigmatismSection words the two groups apart: they are never pooled.
func astigmatismSection(a department.Astigmatism) sectionView {
	t := tableView{Name: "Induced astigmatism", Caption: "Corneal astigmatism after the operation less that before, as vectors, left eyes mirrored",
		Head: []column{{"When", false}, {"Eyes", true}, {"Centroid", false}, {"Mean amount", false}, {"Standard deviation", true},
			{"95 % ellipse of the true centroid", false}, {"95 % ellipse of one new eye", false}}}
	for _, g := range []struct {
		name  string
		group department.InducedGroup
	}{
		{fmt.Sprintf("Settled, day %d to %d", a.SettledWindow.FromDay, a.SettledWindow.ToDay), a.Settled},
		{fmt.Sprintf("Early, up to day %d: the wound heals", a.EarlyWindow.ToDay), a.Early},
	} {
		centroid, mean, sd := "too few eyes", "", ""
		if c := g.group.Centroid; c != nil {
			centroid, mean, sd = astigmatismWords(c.Centroid), decimal(c.MeanAmount, 2)+" D", unsigned(c.SD)
		}
		t.Rows = append(t.Rows, cells(g.name, whole(g.group.N), centroid, mean, sd, ellipseWords(g.group.Confidence), ellipseWords(g.group.Prediction)))
	}
	return sectionView{Heading: "Induced astigmatism", Words: []string{
		"The centroid is the mean of the vectors, the mean amount that of their lengths: amounts without their meridians don't average. Below 25 eyes only their number is given."},
		Tables: []tableView{t, countTable("Eyes without a settled value, by reason", "Reason", "Eyes", a.Excluded, leftOut, "Every eye has a settled value.")}}
}

func astigmatismWords(a measure.Astigmatism) string {
	if a.Axis == nil {
		return decimal(a.Amount, 2) + " D"
	}
	return fmt.Sprintf("%s D, steeper at %s°", decimal(a.Amount, 2), decimal(*a.Axis, 0))
}

func ellipseWords(e *measure.Ellipse) string {
	if e == nil {
		return ""
	}
	return fmt.Sprintf("half-axes %s and %s D", decimal(e.SemiMajor, 2), decimal(e.SemiMinor, 2))
}
