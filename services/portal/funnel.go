package portal

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"lensledger/projections/department"
	"lensledger/projections/measure"
	"lensledger/services/access"
)

// What units a funnel can have.
const (
	unitsDepartments = "department"
	unitsSurgeons    = "surgeon"
)

// funnel serves GET /departments/{department}/funnel?from&to&as_of&outcome&by&view.
func (s *Service) funnel(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "Do units differ by more than chance would give?", wide: true, form: funnelForm, fill: func(page *departmentPage, at reading) error {
		// What an auditor sees has left the departments.
		request := department.FunnelRequest{Outcome: chosen(page, "outcome"), Departments: actor.Departments, Period: at.period, Suppressed: actor.Role != access.Quality}
		if chosen(page, "by") == unitsSurgeons {
			request.BySurgeon, request.View, request.Departments = true, chosen(page, "view"), []string{at.code}
		}
		f, err := department.ReadFunnel(at.ctx, at.tx, request, at.asOf)
		if err != nil {
			return err
		}
		page.funnel(f)
		if page.Drawing != nil {
			page.Drawing.Source = funnelSource(request, at, page.AsOfAsked)
		}
		return nil
	}})
}

// funnelForm offers what can be asked for; units of one department's surgeons are
// the quality officer's alone.
func funnelForm(page *departmentPage, at reading) {
	add := func(name, label string, words func(string) string, values ...string) {
		asked := at.query.Get(name)
		if asked == "" {
			asked = values[0]
		}
		list := selectView{Name: name, Label: label}
		for _, v := range values {
			list.Options = append(list.Options, choice{v, words(v), v == asked})
		}
		if !slices.Contains(values, asked) {
			list.Options[0].Selected = true
			page.Problems = append(page.Problems, problemView{name, label + ": choose one of the list."})
		}
		page.Choices = append(page.Choices, list)
	}
	add("outcome", "Outcome", func(o string) string { return sentence(plain(o)) }, department.FunnelOutcomes...)
	if at.actor.Role != access.Quality {
		add("by", "Units", func(string) string { return "Departments" }, unitsDepartments)
		return
	}
	add("by", "Units", func(by string) string {
		return map[string]string{unitsDepartments: "Departments", unitsSurgeons: "Surgeons of this department"}[by]
	}, unitsDepartments, unitsSurgeons)
	add("view", "Surgeons' operations", func(v string) string { return viewWords[v].title }, department.ViewFirstOperator, department.ViewResponsible)
	if chosen(page, "by") == unitsSurgeons && !slices.Contains(department.SurgeonOutcomes, chosen(page, "outcome")) {
		page.Problems = append(page.Problems, problemView{"outcome", "Outcome: surgeons have a funnel of capsule rupture and of unplanned take-over; their own share in the others is small."})
	}
}

// chosen is what stands chosen in a list of the form.
func chosen(page *departmentPage, name string) string {
	for _, list := range page.Choices {
		for _, o := range list.Options {
			if list.Name == name && o.Selected {
				return o.Value
			}
		}
	}
	return ""
}

// funnel words a funnel: never a ranking, and a place outside is no verdict.
func (p *departmentPage) funnel(f department.Funnel) {
	outcome := plain(f.Outcome)
	if f.Limits == nil {
		p.Answer = sentence(outcome) + ": no funnel. " + sentence(whyNoFunnel(f)) + "."
		p.Sections = []sectionView{funnelLeftOut(f)}
		return
	}
	l := *f.Limits
	p.Answer = fmt.Sprintf("%s: %s outside the 95 %% limits. Were all alike, chance alone would put %s there.", sentence(outcome),
		plural(l.Outside95.Units, "unit lies", "units lie"), decimal(l.Outside95.Expected, 1))
	finding := outsideWords("95 %", l.Outside95, len(l.Points)) + " " + outsideWords("99.8 %", l.Outside998, len(l.Points))
	words := []string{
		"A place outside is a reason to look at the cases with the people concerned, never a verdict. Units stand in the order of their codes, which says nothing about anyone.",
		targetWords(f, l)}
	if d := l.Dispersion; d != nil {
		words = append(words, fmt.Sprintf("The spread between units is %s times what chance alone gives; the wider limits allow for it.", decimal(d.Phi, 2)))
	}
	t := tableView{Name: "Funnel", Caption: sentence(outcome) + ", units of " + whole(measure.FunnelMinimum) + " cases or more, " + f.From + " to " + f.To,
		Head: heads("Unit", "Events of cases", "95 % limits", "99.8 % limits", "95 % limits, allowing for spread", "Place")}
	if len(f.Adjusted) > 0 {
		t.Head = append(t.Head, column{"Expected", true}, column{"Adjusted for case mix", false}, column{"Chance of as many or more, of as few or fewer", false})
	}
	for i, u := range l.Points {
		spread := "none beyond chance"
		if u.Dispersed95 != nil {
			spread = limitsWords(*u.Dispersed95)
		}
		row := cells(u.Code, fmt.Sprintf("%s of %s (%s)", whole(u.Events), whole(u.N), percent(u.Rate)), limitsWords(u.Limits95), limitsWords(u.Limits998), spread, placeWords(u))
		if i < len(f.Adjusted) {
			row = append(row, adjustedCells(f.Adjusted[i])...)
		}
		t.Rows = append(t.Rows, row)
	}
	p.Drawing = &drawing{Kind: "funnel", Finding: finding, Table: t}
	p.Sections = []sectionView{{Heading: "How to read it", Words: words}, funnelLeftOut(f)}
}

// funnelSource is where the API gives the same funnel.
func funnelSource(request department.FunnelRequest, at reading, asOf string) string {
	query := url.Values{"from": {at.period.From.Format(time.DateOnly)}, "to": {at.period.To.Format(time.DateOnly)}, "by": {unitsDepartments}}
	if request.BySurgeon {
		query.Set("by", unitsSurgeons)
		query.Set("view", request.View)
		query.Set("department", at.code)
	}
	if asOf != "" {
		query.Set("as_of", asOf)
	}
	return "/v1/funnels/" + request.Outcome + "?" + query.Encode()
}

// whyNoFunnel words the reason as far as it isn't plain.
func whyNoFunnel(f department.Funnel) string {
	switch {
	case f.N != nil && *f.N == 0:
		return "there are no cases"
	case f.Units > 0 && len(f.Suppressed) == f.Units:
		return "the numbers of every unit are held back"
	}
	return f.Why
}

func outsideWords(limits string, o measure.Outside, units int) string {
	return fmt.Sprintf("Outside the %s limits: %s of %s. By chance alone, were all units alike: %s on average, and at least one with a chance of %s.",
		limits, whole(o.Units), plural(units, "unit", "units"), decimal(o.Expected, 2), chanceWords(o.AtLeastOne))
}

func targetWords(f department.Funnel, l measure.Funnel) string {
	out := "The line is " + percent(l.Target) + ": "
	if f.TargetRule == department.TargetExpected {
		out += "what the reference population would have had with these eyes"
		if f.Reference != nil {
			out += " (" + f.Reference.Source + ")"
		}
		return out + "."
	}
	return out + "all units together, because there is no outside reference."
}

func limitsWords(i measure.Interval) string {
	return hundred(i.Lower) + " to " + hundred(i.Upper) + " %"
}

func placeWords(p measure.FunnelPoint) string {
	switch {
	case p.Position998 != measure.Inside:
		return string(p.Position998) + " the 99.8 % limits"
	case p.Position95 != measure.Inside:
		return string(p.Position95) + " the 95 % limits"
	}
	return "inside"
}

func adjustedCells(a department.AdjustedUnit) []cell {
	rate, chance := "no cases expected", "not worked out for so many cases"
	if a.AdjustedRate != nil {
		rate = percent(*a.AdjustedRate)
	}
	if a.ChanceAtLeast != nil && a.ChanceAtMost != nil {
		chance = chanceWords(*a.ChanceAtLeast) + ", " + chanceWords(*a.ChanceAtMost)
	}
	return cells(decimal(a.Expected, 1), rate, chance)
}

// funnelLeftOut says which units and cases have no place.
func funnelLeftOut(f department.Funnel) sectionView {
	s := sectionView{Heading: "What is left out"}
	if f.Limits != nil && f.Limits.HeldBack > 0 {
		s.Words = append(s.Words, fmt.Sprintf("%s fewer than %d cases and no place on the funnel: so few go with very different rates.",
			sentence(plural(f.Limits.HeldBack, "unit has", "units have")), measure.FunnelMinimum))
	}
	if len(f.Suppressed) > 0 {
		s.Words = append(s.Words, "Held back because their numbers are small, or would give a small one away: "+list(f.Suppressed)+".")
	}
	t := tableView{Name: "Reason", Caption: "Cases in no unit, by reason", Head: numbers("Reason", "Cases"), None: "No case of the period is left out."}
	for _, reason := range sortedKeys(f.Excluded) {
		t.Rows = append(t.Rows, cells(sentence(leftOut(reason)), countShown(f.Excluded[reason])))
	}
	s.Words = append(s.Words, leftOutLine(f.LeftOut))
	s.Tables = []tableView{t}
	return s
}
