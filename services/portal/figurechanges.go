package portal

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/services/access"
)

// figureChanges serves GET /figures/changes?from&to&before&after&departments.
func (s *Service) figureChanges(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "What changed in the figures between two moments, and why?", form: changesForm, fill: func(page *departmentPage, at reading) error {
		if page.Texts[0].Value == "" {
			page.Empty = "Say from which moment on: give the earlier one above, a position or a time. A release names its position."
			return nil
		}
		before, after := page.momentOf(at.ctx, at.tx, 0), page.momentOf(at.ctx, at.tx, 1)
		if before.err != nil || after.err != nil {
			return errors.Join(before.err, after.err)
		}
		if len(page.Problems) > 0 {
			return nil
		}
		c, err := department.ReadChanges(at.ctx, at.tx, actor.Departments, at.period, before.asOf, after.asOf, leaves(actor), chosenDepartments(page)...)
		switch {
		case page.monthsProblem(err):
			return nil
		case errors.Is(err, department.ErrMoments):
			page.Problems = append(page.Problems, problemView{"after", fmt.Sprintf("Later moment: it is position %s, before the earlier one, which is position %s. Change the two over.",
				whole(int(after.asOf.Position)), whole(int(before.asOf.Position)))})
			return nil
		case err != nil:
			return err
		}
		page.changes(c)
		return nil
	}})
}

// changesForm asks for two moments.
func changesForm(page *departmentPage, at reading) {
	figuresForm(page, at)
	page.NoAsOf = true
	page.Texts = []textView{
		{"before", "Earlier moment (a position, or a time with its offset)", at.query.Get("before")},
		{"after", "Later moment (the same; empty for now)", at.query.Get("after")}}
}

// resolved is a moment that was found, or why not.
type resolved struct {
	asOf archive.AsOf
	err  error
}

// momentOf finds the moment of a field, or says on the page what is wrong with it.
func (p *departmentPage) momentOf(ctx context.Context, tx pgx.Tx, i int) resolved {
	field := p.Texts[i]
	asOf, err := archive.Resolve(ctx, tx, field.Value)
	if errors.Is(err, archive.ErrAsOf) {
		label, _, _ := strings.Cut(field.Label, " (")
		p.Problems = append(p.Problems, problemView{field.Name,
			label + ": give a position that the record has reached, or a time with its offset such as 2025-03-12T10:41:07+00:00."})
		err = nil
	}
	return resolved{asOf, err}
}

// whyWords word the reasons for which cases move figures.
var whyWords = map[string]string{
	department.WhyCameLater:    "came in later",
	department.WhyRetracted:    "retracted",
	department.WhyCorrected:    "corrected or joined",
	department.WhyInConflict:   "came again with another content",
	department.WhyFollowUp:     "follow-up arrived",
	department.WhyMoreRecorded: "more of the operation was recorded",
}

// whyShown lists cases by reason, in the order in which reasons are asked.
func whyShown(counts map[string]int) string {
	if counts == nil {
		return heldBack
	}
	var out []string
	for _, why := range department.Whys {
		if n := counts[why]; n > 0 {
			out = append(out, whyWords[why]+": "+plural(n, "case", "cases"))
		}
	}
	if len(out) == 0 {
		return "no case"
	}
	return strings.Join(out, "; ")
}

func differenceShown(n *int) string {
	switch {
	case n == nil:
		return heldBack
	case *n > 0:
		return "+" + whole(*n)
	case *n < 0:
		return "−" + whole(-*n)
	}
	return "0"
}

// changes words what changed; a number that is the same at both moments has no row.
func (p *departmentPage) changes(c department.FigureChanges) {
	p.Answer = "Between position " + whole(int(c.Before.Position)) + recordedUpTo(c.Before) + " and position " + whole(int(c.After.Position)) + recordedUpTo(c.After) + ": cases that changed the figures, by reason: " +
		whyShown(c.Total.Cases) + "."
	rule := c.Rule
	if c.Suppression.Applied {
		rule += " Whoever has the figures as of both positions can subtract them: that is why files that leave the departments are recorded as releases, and few."
	}
	p.Sections = append(p.Sections, sectionView{Heading: "How to read this", Words: []string{rule,
		"Each case counts once, by the first reason that holds. A case may move a number up and another down; which cases they are isn't said."}})
	rows := append([]department.ChangedRow{c.Total}, c.Rows...)
	if len(c.Rows) == 1 {
		rows = c.Rows
	}
	for _, row := range rows {
		p.Sections = append(p.Sections, changesSection(row, c.From+" to "+c.To))
	}
}

func recordedUpTo(a archive.AsOf) string {
	if a.RecordedAt.IsZero() {
		return ""
	}
	return " (recorded up to " + moment(a.RecordedAt) + ")"
}

func changesSection(row department.ChangedRow, period string) sectionView {
	name := departmentWords(row.Department)
	t := tableView{Name: "Changes of " + name, Caption: name + ", " + period + ": numbers that changed, and the cases that moved them",
		Head: []column{{"Number", false}, {"Before", true}, {"After", true}, {"Difference", true}, {"Cases that moved it, by reason", false}}, None: "No number changed."}
	same := 0
	for _, f := range row.Figures {
		if f.Difference != nil && *f.Difference == 0 && len(f.Why) == 0 && f.Why != nil {
			same++
			continue
		}
		t.Rows = append(t.Rows, cells(sentence(figureWords(f.Figure)), countShown(f.Before), countShown(f.After), differenceShown(f.Difference), whyShown(f.Why)))
	}
	s := sectionView{Heading: name, Words: []string{"Cases that changed anything: " + whyShown(row.Cases) + "."}, Tables: []tableView{t}}
	if same > 0 && len(t.Rows) > 0 {
		s.Words = append(s.Words, sentence(plural(same, "number is", "numbers are"))+" the same at both moments.")
	}
	return s
}
