package portal

import (
	"net/http"
	"slices"
	"sort"

	"lensledger/projections/department"
	"lensledger/services/access"
)

// figureView is one figure with what it means.
type figureView struct{ Name, Value, Note string }

// countView counts something by its name.
type countView struct{ Name, Count string }

// surgeonsView is the rupture figure by surgeon under one view, sorted by code.
type surgeonsView struct {
	View string
	Rows []department.SurgeonFigure
}

// department serves GET /departments/{department}?from&to&as_of.
func (s *Service) department(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "What are the department's figures, and what is left out?", fill: func(page *departmentPage, at reading) error {
		b, err := department.Read(at.ctx, at.tx, at.code, at.period, at.asOf)
		if err != nil {
			return err
		}
		var surgeons []surgeonsView
		if actor.Role == access.Quality {
			figures, err := department.BySurgeon(at.ctx, at.tx, department.Views, at.code, at.period, at.asOf)
			if err != nil {
				return err
			}
			for i, v := range department.Views {
				surgeons = append(surgeons, surgeonsView{v, figures[i]})
			}
		}
		page.figures(b, surgeons)
		return nil
	}})
}

// figures puts a department's figures into the page, and those of its surgeons
// for whoever may have them.
func (p *departmentPage) figures(b department.Benchmarks, surgeons []surgeonsView) {
	excluded := 0
	for _, n := range b.Excluded {
		excluded += n
	}
	if b.Operations == 0 && excluded == 0 {
		p.Empty = "No operation of this department is recorded in this period, so there are no figures."
		return
	}
	c := b.CapsuleRupture
	p.Answer = "Capsule rupture: " + rateWords(c.Events, c.N, c.Rate, c.Interval) + "."
	if b.Operations > 0 {
		p.Answer += " From the eyes operated, " + decimal(c.Expected, 1) + " were expected: " + againstExpected(c) + "."
	}
	refraction := refractionSection(b.Refraction)
	refraction.Drawings = errorDrawing(b.Refraction, p.source("benchmarks"))
	p.Sections = []sectionView{ruptureSection(b, excluded), visionSection(b.Vision), refraction,
		complicationSection(b.Complications), completenessSection(b.Completeness)}
	p.Sections = append(p.Sections,
		sectionView{Heading: "Operations left out", Tables: []tableView{countTable("Operations left out of all figures, by reason", "Reason", "Operations",
			b.Excluded, leftOut, "No operation of the period is left out.")}},
		leftOutSection(b.LeftOut),
		sectionView{Heading: "Risk factors that aren't known", Tables: []tableView{countTable(
			"Operations in which a risk factor wasn't recorded; it is taken as in the reference patient", "Risk factor", "Operations",
			c.Unknown, factor, "Every risk factor is recorded for every operation.")}})
	if len(surgeons) > 0 {
		p.Sections = append(p.Sections, surgeonsSection(surgeons))
	}
}

// ruptureSection puts rupture and unplanned take-over side by side: a rescue must
// not hide a risk.
func ruptureSection(b department.Benchmarks, excluded int) sectionView {
	c := b.CapsuleRupture
	figures := []figureView{
		{"Operations counted", whole(b.Operations), plural(excluded, "more is", "more are") + " left out, by reason below"},
		{"Capsule rupture", rateWords(c.Events, c.N, c.Rate, c.Interval), "95 % CI by Wilson's method" + exactWords(c)},
		{"Capsule ruptures expected", decimal(c.Expected, 1), "sum of each eye's risk by model " + c.RiskModel + ", version " + c.RiskVersion},
		{"Capsule rupture, adjusted for case mix", adjustedWords(c), "observed / expected x the reference rate; exact limits"},
	}
	if t := b.Takeover; t != nil {
		figures = append(figures, figureView{"Unplanned take-over", countedWords(*t), "operations in which it is known"})
	}
	return sectionView{Heading: "Capsule rupture and take-over",
		Words:  []string{leftOutLine(b.LeftOut), "The reference rate is " + percent(c.Reference.Rate) + ": " + c.Reference.Population + " (" + c.Reference.Source + ")."},
		Tables: []tableView{figureTable("Rupture and take-over", "Capsule rupture and unplanned take-over, operations of "+b.From+" to "+b.To, figures)}}
}

// countedWords is a crude rate in words.
func countedWords(f department.CountedFigure) string {
	return rateWords(f.Events, f.N, f.Rate, f.Interval)
}

// countedCell is the same as it stands in a table.
func countedCell(f department.CountedFigure) string {
	return cellWords(f.Events, f.N, f.Rate, f.Interval)
}

// shareCell is a share as it stands in a table.
func shareCell(s department.Share) string { return cellWords(s.Count, s.N, s.Share, s.Interval) }

// againstExpected compares without judging: the interval decides the words.
func againstExpected(c department.RuptureFigure) string {
	if c.AdjustedRate == nil || c.AdjustedCI == nil {
		return "too few cases to compare"
	}
	switch {
	case c.AdjustedCI.Lower > c.Reference.Rate:
		return "more than expected given the case mix, beyond what chance alone would usually give"
	case c.AdjustedCI.Upper < c.Reference.Rate:
		return "fewer than expected given the case mix, beyond what chance alone would usually give"
	}
	return "as many as chance could give around what was expected"
}

func exactWords(c department.RuptureFigure) string {
	if c.Exact == nil {
		return ""
	}
	return "; exact " + hundred(c.Exact.Lower) + " to " + hundred(c.Exact.Upper)
}

func adjustedWords(c department.RuptureFigure) string {
	if c.AdjustedRate == nil || c.AdjustedCI == nil {
		return "too few cases for a rate"
	}
	return percent(*c.AdjustedRate) + ", " + intervalWords(*c.AdjustedCI)
}

// countRows list counts by name, in the order of their names.
func countRows(counts map[string]int, word func(string) string) []countView {
	names := make([]string, 0, len(counts))
	for name := range counts {
		names = append(names, name)
	}
	sort.Strings(names)
	out := make([]countView, 0, len(names))
	for _, name := range names {
		out = append(out, countView{sentence(word(name)), whole(counts[name])})
	}
	return out
}

// surgeonsSection keeps the order of codes: it says nothing about anyone.
func surgeonsSection(views []surgeonsView) sectionView {
	s := sectionView{Heading: "Capsule rupture by surgeon, under three views",
		Words: []string{"In the order of codes, which says nothing about anyone. Whose a rupture is depends on the view; read them together."}}
	for _, v := range views {
		words := viewWords[v.View]
		t := tableView{Name: words.title, Caption: words.title + ". " + words.rule,
			Head: []column{{"Surgeon", false}, {"Ruptures of operations", false}, {"Expected", true}, {"Adjusted rate", false}}}
		rows := slices.SortedFunc(slices.Values(v.Rows), func(a, b department.SurgeonFigure) int {
			return slices.Compare([]string{a.Surgeon}, []string{b.Surgeon})
		})
		for _, f := range rows {
			t.Rows = append(t.Rows, cells(f.Surgeon, rateWords(f.Events, f.N, f.Rate, f.Interval), decimal(f.Expected, 1), adjustedWords(f.RuptureFigure)))
		}
		s.Tables = append(s.Tables, t)
	}
	return s
}
