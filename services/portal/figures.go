package portal

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"lensledger/projections/alarm"
	"lensledger/projections/department"
	"lensledger/projections/measure"
	"lensledger/services/access"
)

// figures serves GET /figures?from&to&as_of&departments: the figures of the chosen
// departments of whoever asks, side by side, and the files to take away.
func (s *Service) figures(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "What are the figures of the departments, side by side?", page: "figures", form: figuresForm, fill: func(page *departmentPage, at reading) error {
		f, err := department.ReadFigures(at.ctx, at.tx, actor.Departments, at.period, at.asOf, leaves(actor), chosenDepartments(page)...)
		if page.monthsProblem(err) {
			return nil
		}
		if err != nil {
			return err
		}
		page.sideBySide(f)
		page.Leaving, err = leavingOf(f, actor, s.cfg.Desk != nil, s.cfg.Now())
		return err
	}})
}

// monthsProblem says so on the page if the period isn't one of whole months.
func (p *departmentPage) monthsProblem(err error) bool {
	if !errors.Is(err, department.ErrMonths) {
		return false
	}
	p.Problems = append(p.Problems, problemView{"from", "Period: figures are of whole months, such as 2025-01 to 2025-12."})
	return true
}

// figuresForm asks for months and departments.
func figuresForm(page *departmentPage, at reading) {
	monthsForm(page, at)
	asked := askedDepartments(at.query)
	list := checksView{Name: "departments", Label: "Departments (all of yours when none is chosen)"}
	for _, code := range slices.Sorted(slices.Values(at.actor.Departments)) {
		list.Options = append(list.Options, choice{code, code, len(asked) == 0 || slices.Contains(asked, code)})
	}
	page.Checks = []checksView{list}
	for _, code := range asked {
		if !at.actor.InDepartment(code) {
			page.Problems = append(page.Problems, problemView{"departments",
				fmt.Sprintf("Departments: %q isn't one of yours. Choose among %s.", shorten(code), list.words())})
		}
	}
}

func (v checksView) words() string {
	var codes []string
	for _, o := range v.Options {
		codes = append(codes, o.Words)
	}
	return list(codes)
}

// shorten bounds what is quoted of what somebody typed.
func shorten(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// askedDepartments reads departments as a form sends them, each by itself, and as
// links have them, with commas between.
func askedDepartments(query url.Values) []string {
	var out []string
	for _, part := range query["departments"] {
		for code := range strings.SplitSeq(part, ",") {
			if code = strings.TrimSpace(code); code != "" && !slices.Contains(out, code) {
				out = append(out, code)
			}
		}
	}
	return out
}

// chosenDepartments are those that stand chosen in the form.
func chosenDepartments(page *departmentPage) []string {
	var out []string
	for _, c := range page.Checks {
		for _, o := range c.Options {
			if o.Selected {
				out = append(out, o.Value)
			}
		}
	}
	return out
}

// leaves says that figures leave the departments with whoever asks.
func leaves(actor access.Actor) bool { return actor.Role != access.Quality }

// monthsForm asks for months.
func monthsForm(page *departmentPage, _ reading) {
	page.Months = true
	for _, at := range []*string{&page.From, &page.To} {
		if t, err := time.Parse(time.DateOnly, *at); err == nil {
			*at = t.Format("2006-01")
		}
	}
}

// heldBack stands where a number isn't shown.
const heldBack = "held back"

func countShown(n *int) string {
	if n == nil {
		return heldBack
	}
	return whole(*n)
}

func rateShown(events, n *int, rate *float64, interval *measure.Interval) string {
	switch {
	case events == nil && n == nil:
		return heldBack
	case events == nil || n == nil:
		return countShown(events) + " of " + countShown(n)
	}
	return cellWords(*events, *n, rate, interval)
}

func figureShown(f department.ShownFigure) string {
	return rateShown(f.Events, f.N, f.Rate, f.Interval)
}

func shareShown(s department.ShownShare) string { return rateShown(s.Count, s.N, s.Share, s.Interval) }

// adjustedShown tells what is held back from what is too little for a rate.
func adjustedShown(r department.ShownRupture) string {
	switch {
	case r.AdjustedRate != nil && r.AdjustedCI != nil:
		return percent(*r.AdjustedRate) + ", " + intervalWords(*r.AdjustedCI)
	case r.N != nil && *r.N < alarm.FewCases:
		return "too few cases for a rate"
	}
	return heldBack
}

// shownFigures are the rows of the table, in the order of the definitions.
var shownFigures = []struct {
	name string
	say  func(department.FigureRow) string
}{
	{"Operations counted", func(r department.FigureRow) string { return countShown(r.Operations) }},
	{"Capsule rupture", func(r department.FigureRow) string { return figureShown(r.CapsuleRupture.ShownFigure) }},
	{"Capsule rupture, adjusted for case mix", func(r department.FigureRow) string { return adjustedShown(r.CapsuleRupture) }},
	{"Unplanned take-over", func(r department.FigureRow) string { return figureShown(r.Takeover) }},
	{"Eyes, one a patient", func(r department.FigureRow) string { return countShown(r.Vision.Eyes) }},
	{"0.00 logMAR (6/6) or better after", func(r department.FigureRow) string { return shareShown(r.Vision.At000) }},
	{"0.30 logMAR (6/12) or better after", func(r department.FigureRow) string { return shareShown(r.Vision.At030) }},
	{"Loss of vision", func(r department.FigureRow) string { return figureShown(r.Vision.Loss) }},
	{"Within 0.50 D of the prediction", func(r department.FigureRow) string { return shareShown(r.Refraction.Within050) }},
	{"Within 1.00 D of the prediction", func(r department.FigureRow) string { return shareShown(r.Refraction.Within100) }},
	{"Any complication in theatre", func(r department.FigureRow) string { return figureShown(r.Complications.Any) }},
	{"Returned to theatre", func(r department.FigureRow) string { return figureShown(r.Complications.Returned) }},
	{"Unplanned attendance", func(r department.FigureRow) string { return figureShown(r.Complications.UnplannedAttendance) }},
	{"Infection inside the eye within 42 days", func(r department.FigureRow) string { return figureShown(r.Complications.Endophthalmitis) }},
	{"Operating time known", func(r department.FigureRow) string { return figureShown(r.Completeness.OperatingTime) }},
	{"Acuity before and after known", func(r department.FigureRow) string { return figureShown(r.Completeness.AcuityBoth) }},
	{"Refraction known", func(r department.FigureRow) string { return figureShown(r.Completeness.Refraction) }},
}

// sideBySide words the figures of departments, in the order of their codes.
func (p *departmentPage) sideBySide(f department.Figures) {
	all := append(slices.Clone(f.Rows), f.Total)
	names := make([]string, len(all))
	for i, r := range all {
		names[i] = r.Department
	}
	names[len(names)-1] = "All together"
	p.Answer = "Figures of " + plural(len(f.Rows), "department", "departments") + ": " + countShown(f.Total.Operations) + " operations counted."
	table := func(caption, first string) tableView {
		return tableView{Name: caption, Caption: caption + ", " + f.From + " to " + f.To + ", departments in the order of their codes: never a ranking",
			Head: heads(append([]string{first}, names...)...)}
	}
	t := table("Figures", "Figure")
	for _, figure := range shownFigures {
		row := []string{figure.name}
		for _, r := range all {
			row = append(row, figure.say(r))
		}
		t.Rows = append(t.Rows, cells(row...))
	}
	aside := []string{"Cases with something set aside, of whatever period"}
	for _, r := range all {
		aside = append(aside, whole(r.LeftOut.Cases))
	}
	t.Rows = append(t.Rows, cells(aside...))
	out := table("Operations left out", "Reason")
	for _, reason := range sortedKeys(f.Excluded) {
		row := []string{sentence(leftOut(reason))}
		for _, r := range all {
			row = append(row, countShown(r.Excluded[reason]))
		}
		out.Rows = append(out.Rows, cells(row...))
	}
	p.Sections = []sectionView{
		{Heading: "Side by side", Words: []string{fewWords, "Findings after the operation depend on follow-up: their rates are lower bounds.", leftOutLine(f.LeftOut)},
			Tables: []tableView{t, out}},
		heldBackSection(f)}
}

// heldBackSection says what isn't shown, and why.
func heldBackSection(f department.Figures) sectionView {
	s := sectionView{Heading: "What is held back, and why"}
	if !f.Suppression.Applied {
		s.Words = []string{"Nothing is held back: small numbers are for the departments' own eyes. Whoever passes figures on uses the auditor's table."}
		return s
	}
	s.Words = []string{"“" + sentence(heldBack) + "” marks small numbers. " + f.Suppression.Rule + " (" + f.Suppression.Source + ".)",
		"It is settled among all of your departments before any is chosen, so that two choices can't be subtracted from one another. Which numbers are small themselves isn't said."}
	t := tableView{Name: "Held back", Caption: "Numbers held back, by department", Head: heads("Department", "How many", "Which"), None: "No number of this table is held back."}
	for _, row := range append(slices.Clone(f.Rows), f.Total) {
		var names []string
		for _, h := range f.Suppressed {
			if h.Department == row.Department {
				names = append(names, figureWords(h.Figure))
			}
		}
		if len(names) > 0 {
			t.Rows = append(t.Rows, cells(departmentWords(row.Department), whole(len(names)), sentence(strings.Join(names, "; "))))
		}
	}
	s.Tables = []tableView{t}
	return s
}

func departmentWords(code string) string {
	if code == department.AllDepartments {
		return "All together"
	}
	return code
}

// figureWords words a number of a row by its place in it.
func figureWords(figure string) string {
	if reason, ok := strings.CutPrefix(figure, "excluded."); ok {
		return "left out: " + leftOut(reason)
	}
	if w, ok := figureNames[figure]; ok {
		return w
	}
	return plain(figure)
}

var figureNames = map[string]string{
	"operations":                                        "operations counted",
	"capsule_rupture.events":                            "capsule ruptures",
	"unplanned_takeover.n":                              "operations in which a take-over is known or known not to be",
	"unplanned_takeover.events":                         "unplanned take-overs",
	"vision.eyes":                                       "eyes, one a patient",
	"vision.at_0_30_or_better.n":                        "eyes with an acuity after the operation",
	"vision.at_0_30_or_better.count":                    "eyes of 0.30 logMAR (6/12) or better after",
	"vision.at_0_00_or_better.count":                    "eyes of 0.00 logMAR (6/6) or better after",
	"vision.visual_loss.n":                              "eyes in which a loss of vision could be seen",
	"vision.visual_loss.events":                         "eyes with a loss of vision",
	"refraction.n":                                      "eyes in the main figure of refraction",
	"refraction.within_1_00_d.count":                    "eyes within 1.00 D of the prediction",
	"refraction.within_0_50_d.count":                    "eyes within 0.50 D of the prediction",
	"complications.any.events":                          "operations with any complication in theatre",
	"complications.returned_to_theatre.events":          "returns to theatre",
	"complications.unplanned_attendance.events":         "unplanned attendances",
	"complications.endophthalmitis.events":              "infections inside the eye within 42 days",
	"completeness.operating_time_known.events":          "operations of known operating time",
	"completeness.acuity_before_and_after_known.events": "operations with acuity known before and after",
	"completeness.refraction_known.events":              "operations with a refraction known",
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
