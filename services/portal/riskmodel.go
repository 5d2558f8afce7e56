package portal

import (
	"fmt"
	"net/http"

	"lensledger/projections/department"
	"lensledger/projections/measure"
	"lensledger/services/access"
)

// riskModel serves GET /departments/{department}/risk-model?from&to&as_of.
func (s *Service) riskModel(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "Does the risk model in force fit this department?", fill: func(page *departmentPage, at reading) error {
		check, err := department.CheckRiskModel(at.ctx, at.tx, at.code, at.period, at.asOf)
		if err != nil {
			return err
		}
		page.riskModel(check)
		return nil
	}})
}

// riskModel words how the model in force did. Nothing here puts a model in force.
func (p *departmentPage) riskModel(c department.RiskModelCheck) {
	p.Answer = fmt.Sprintf("%s among %s.", sentence(plural(c.Events, "capsule rupture", "capsule ruptures")), plural(c.N, "operation", "operations"))
	if k := c.Calibration; k != nil {
		p.Answer += fmt.Sprintf(" The model in force expected %s: %s times as many happened.", decimal(k.Expected, 1), decimal(k.ObservedExpected, 2))
	} else if c.Refused != nil {
		p.Answer += " " + refusalWords(*c.Refused, "The model isn't judged")
	}
	now := sectionView{Heading: "The model in force", Words: []string{"Model " + c.Model + ", version " + c.Version + ", the surgeon at the reference grade."}}
	if c.Calibration != nil {
		now.Tables = append(now.Tables, calibrationTable("The model in force on these operations", *c.Calibration, fitChance(c.HosmerLemeshow, false)), groupTable("Ten groups by risk, the model in force", c.Deciles))
	}
	fitted := sectionView{Heading: "The model fitted to these operations", Words: []string{
		"A proposal that nothing here puts in force: a chart uses a model only once somebody sets a design that names it. Its own figures are of the operations that it was fitted to and flatter it; only later ones can judge it."}}
	switch m := c.Proposal; {
	case m != nil:
		fitted.Tables = []tableView{figureTable("Proposal", "Version "+m.Version+", from "+m.From+"; population: "+m.Population, []figureView{
			{"Intercept", coefficient(m.Intercept), "0 would leave the model as it is"},
			{"Slope", coefficient(m.Slope), "1 would leave the model as it is"},
			{"Risk of the reference patient", percentFine(m.ReferenceRisk), "every factor at its reference"},
			{"Rate of the population", percentFine(m.ReferenceRate), "of these operations"},
		}), calibrationTable("The proposal on the operations it was fitted to", m.After, fitChance(&m.HosmerLemeshow, true)), groupTable("Ten groups by risk, the proposal", m.Deciles)}
	case c.NoProposal != nil:
		fitted.Words = append(fitted.Words, refusalWords(*c.NoProposal, "No proposal"))
	}
	p.Sections = []sectionView{now, fitted, {Heading: "Operations left out", Tables: []tableView{
		countTable("Operations left out, by reason", "Reason", "Operations", c.Excluded, leftOut, "No operation of the period is left out.")}}}
}

// refusalWords say how many there are and how many it takes.
func refusalWords(r department.ModelRefusal, what string) string {
	if r.Needed > 0 {
		return fmt.Sprintf("%s: it takes %s operations with a rupture and as many without, and of the fewer there are %s.", what, whole(r.Needed), whole(r.Events))
	}
	return what + ": " + r.Why + "."
}

func coefficient(c measure.Coefficient) string {
	return signed(c.Value, 2) + " (standard error " + decimal(c.SE, 2) + ")"
}

// percentFine is a small proportion with one more place.
func percentFine(p float64) string { return decimal(p*100, 2) + " %" }

func calibrationTable(caption string, c measure.Calibration, fit *float64) tableView {
	figures := []figureView{
		{"Observed and expected", whole(c.Events) + " and " + decimal(c.Expected, 1), "ratio " + decimal(c.ObservedExpected, 2)},
		{"Calibration in the large", coefficient(c.InTheLarge), "0 when as many happen as expected; above 0, more"},
		{"Calibration slope", coefficient(c.Slope), "1 when risks spread as they should; below 1 they are too extreme"},
		{"Calibration intercept", coefficient(c.Intercept), "goes with the slope"},
		{"C-statistic", decimal(c.CStatistic.Value, 2) + ", 95 % CI " + decimal(c.CInterval.Lower, 2) + " to " + decimal(c.CInterval.Upper, 2), "0.50 when risks tell nothing apart"},
		{"Brier score", decimal(c.Brier, 4), "scaled " + decimal(c.ScaledBrier, 3) + ": 0 is the overall rate for everybody"},
	}
	if fit != nil {
		figures = append(figures, figureView{"Fit over the ten groups", "a chance of " + chanceWords(*fit) + " of lying as far off or farther",
			"Hosmer and Lemeshow; a large one is no proof of a good model"})
	}
	return figureTable("Calibration", caption, figures)
}

// fitChance is the chance that belongs to risks from elsewhere, or to those fitted
// to the same operations.
func fitChance(fit *measure.HosmerLemeshow, fitted bool) *float64 {
	switch {
	case fit == nil:
		return nil
	case fitted:
		return fit.PFitted
	}
	return &fit.P
}

func groupTable(caption string, groups []measure.RiskGroup) tableView {
	t := tableView{Name: "Risk groups", Caption: caption + ", lowest risks first", Head: numbers("Risks", "Operations", "Ruptures", "Expected")}
	for _, g := range groups {
		t.Rows = append(t.Rows, cells(percentFine(g.Lowest)+" to "+percentFine(g.Highest), whole(g.N), whole(g.Observed), decimal(g.Expected, 2)))
	}
	return t
}
