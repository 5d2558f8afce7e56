package department

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/outcome"
)

// ErrMoments means that the earlier of two moments to compare is the later one.
var ErrMoments = errors.New("two moments to compare: before is not after after")

// Why a case changed the figures between two moments: one reason for each case, the
// first that holds of those below.
const (
	// WhyCameLater: nothing of the operation was on record before.
	WhyCameLater = "came-later"
	// WhyRetracted: an event of the case was taken back.
	WhyRetracted = "retracted"
	// WhyCorrected: an event of the case was amended, or its code joined to another.
	WhyCorrected = "corrected"
	// WhyInConflict: an event of the case came again with another content.
	WhyInConflict = "came-in-conflict"
	// WhyFollowUp: follow-up arrived.
	WhyFollowUp = "follow-up-arrived"
	// WhyMoreRecorded: more of the operation was recorded, such as its end.
	WhyMoreRecorded = "more-recorded"
)

// Whys lists them in the order in which they are asked.
var Whys = []string{WhyCameLater, WhyRetracted, WhyCorrected, WhyInConflict, WhyFollowUp, WhyMoreRecorded}

// FigureChanges sets the figures of some departments for one period side by side as
// of two positions: what the record said before, and after. Of what leaves the
// departments each moment's numbers are held back as in Figures, and so is a
// difference of 1 to 9 either way, with the number before and the reasons.
type FigureChanges struct {
	From        string          `json:"from"`
	To          string          `json:"to"`
	By          string          `json:"by"`
	Before      archive.AsOf    `json:"before"`
	After       archive.AsOf    `json:"after"`
	Definition  string          `json:"definition"`
	Rows        []ChangedRow    `json:"rows"`
	Total       ChangedRow      `json:"total"`
	Suppression SuppressionRule `json:"suppression"`
	Rule        string          `json:"rule"` // what is held back of changes
}

// ChangedRow is one department, or all of them. Cases counts those that changed
// anything, by reason; it is null when it is held back.
type ChangedRow struct {
	Department string          `json:"department"`
	Cases      map[string]int  `json:"cases"`
	Figures    []ChangedFigure `json:"figures"`
}

// ChangedFigure is one number of the figures' row, by its place in it. Why counts
// the cases that moved it, up or down, by reason. What is held back is null.
type ChangedFigure struct {
	Figure     string         `json:"figure"`
	Before     *int           `json:"before"`
	After      *int           `json:"after"`
	Difference *int           `json:"difference"`
	Why        map[string]int `json:"why"`
}

const (
	changesRule = "A difference of 1 to 9 either way is held back with the number before, and with the reasons; so are the reasons of which one counts 1 to 9 cases, " +
		"those of a department that has a number shown at one of the two moments alone, and what all departments together would give away."
	changesShown = "Nothing is held back: small numbers are for the departments' own eyes."
)

// ReadChanges gives what changed in the figures of some departments, which are all
// of whoever asks, between two positions; chosen and suppressed are as in
// ReadFigures.
func ReadChanges(ctx context.Context, tx pgx.Tx, departments []string, p Period, before, after archive.AsOf, suppressed bool, chosen ...string) (FigureChanges, error) {
	c := FigureChanges{From: p.From.Format(time.DateOnly), To: p.To.Format(time.DateOnly), By: "department", Before: before, After: after,
		Definition: Definition, Rows: []ChangedRow{}, Suppression: suppressionRule(suppressed), Rule: changesShown}
	if suppressed {
		c.Rule = changesRule
	}
	if !p.wholeMonths() {
		return c, ErrMonths
	}
	if before.Position > after.Position {
		return c, ErrMoments
	}
	departments = sortedOnce(departments)
	chosen, err := choose(departments, chosen)
	if err != nil {
		return c, err
	}
	list := make([]departmentChange, len(departments))
	for i, code := range departments {
		if list[i], err = readChange(ctx, tx, code, p, before, after); err != nil {
			return c, err
		}
	}
	return c, c.fill(departments, chosen, p, list, suppressed)
}

// departmentChange is what a department's operations come to at both moments, and
// the cases that differ.
type departmentChange struct {
	before, after map[string]int64
	moved         []movedCase
}

// movedCase is one case's share in the figures at both moments.
type movedCase struct {
	why           string
	before, after map[string]int64
}

func readChange(ctx context.Context, tx pgx.Tx, code string, p Period, before, after archive.AsOf) (departmentChange, error) {
	out := departmentChange{before: map[string]int64{}, after: map[string]int64{}}
	type pair struct{ before, after *outcome.Operation }
	pairs := map[string]*pair{}
	of := func(code string) *pair {
		if pairs[code] == nil {
			pairs[code] = &pair{}
		}
		return pairs[code]
	}
	then, err := outcome.Operations(ctx, tx, code, p.From, p.To, before)
	if err != nil {
		return out, err
	}
	now, err := outcome.Operations(ctx, tx, code, p.From, p.To, after)
	if err != nil {
		return out, err
	}
	for i := range then {
		of(then[i].CaseCode).before = &then[i]
	}
	for i := range now {
		of(now[i].CaseCode).after = &now[i]
	}
	var asked []string
	moved := map[string]movedCase{}
	for caseCode, at := range pairs {
		m := movedCase{before: share(at.before), after: share(at.after)}
		addTo(out.before, m.before)
		addTo(out.after, m.after)
		if sameShare(m.before, m.after) {
			continue
		}
		if at.before == nil && uint64(at.after.FirstPosition) > before.Position {
			m.why = WhyCameLater
			out.moved = append(out.moved, m)
			continue
		}
		if at.before == nil {
			m.why = WhyCameLater // unless it is a correction that brings it in
		}
		moved[caseCode] = m
		asked = append(asked, caseCode)
	}
	touches, err := archive.Touches(ctx, tx, asked, before.Position, after.Position)
	if err != nil {
		return out, err
	}
	for _, caseCode := range asked {
		m := moved[caseCode]
		m.why = whyMoved(m.why, touches[caseCode])
		out.moved = append(out.moved, m)
	}
	return out, nil
}

// share is what one operation adds to the sums that figures are made of.
func share(o *outcome.Operation) map[string]int64 {
	out := map[string]int64{}
	if o == nil {
		return out
	}
	cells := map[Cell]int64{}
	Add(cells, o.Row, o.Eye, 1)
	for c, n := range cells {
		if c.Months == 1 && isFigureQuantity[c.Quantity] {
			out[c.Quantity] = n
		}
	}
	return out
}

func addTo(sums, more map[string]int64) {
	for quantity, n := range more {
		sums[quantity] += n
	}
}

func sameShare(a, b map[string]int64) bool {
	if len(a) != len(b) {
		return false
	}
	for quantity, n := range a {
		if m, ok := b[quantity]; !ok || m != n {
			return false
		}
	}
	return true
}

// whyMoved is the first reason that holds. usual is the one when nothing was
// corrected: empty for a case that was in the figures before.
func whyMoved(usual string, touches []archive.Touch) string {
	found := map[string]bool{}
	for _, t := range touches {
		switch {
		case t.Type == events.TypeEventRetracted:
			found[WhyRetracted] = true
		case t.Type == events.TypeEventAmended, t.Type == events.TypeCaseJoined:
			found[WhyCorrected] = true
		case t.InConflict:
			found[WhyInConflict] = true
		case isFollowUp(t.Type):
			found[WhyFollowUp] = true
		}
	}
	for _, why := range []string{WhyRetracted, WhyCorrected, WhyInConflict} {
		if found[why] {
			return why
		}
	}
	switch {
	case usual != "":
		return usual
	case found[WhyFollowUp]:
		return WhyFollowUp
	}
	return WhyMoreRecorded
}

func isFollowUp(t events.Type) bool {
	noun, _, _, ok := t.Parts()
	return ok && noun == "followup"
}
