package department

import (
	"slices"
)

// fill makes the rows of what was read of each department. Of what leaves the
// departments a row says no more than the two tables of figures do, but for the
// reasons, which have rules of their own:
//
//   - a difference that isn't shown hides the number before, and a small one is
//     never shown; so are two whose difference is small where one is part of the
//     other: operations up by 40 and complicated ones by 37 say that 3 weren't;
//   - reasons are shown for none of a figure's cases, or for all of them, so that the
//     difference can't give away the one that is missing;
//   - a department's reasons aren't shown at all when a number of it is shown at one
//     moment alone: "no case changed" would carry the number over to the other;
//   - all departments together have a difference or reasons only where each has.
func (c *FigureChanges) fill(departments, chosen []string, p Period, list []departmentChange, suppressed bool) error {
	sums := func(of func(departmentChange) map[string]int64) []map[string]int64 {
		out := make([]map[string]int64, len(list))
		for i, d := range list {
			out[i] = of(d)
		}
		return out
	}
	thenSums, nowSums := sums(func(d departmentChange) map[string]int64 { return d.before }), sums(func(d departmentChange) map[string]int64 { return d.after })
	then, err := tableOf(departments, thenSums, p, c.Before, suppressed)
	if err != nil {
		return err
	}
	now, err := tableOf(departments, nowSums, p, c.After, suppressed)
	if err != nil {
		return err
	}
	if len(chosen) < len(departments) {
		if then, err = then.only(departments, thenSums, chosen, p, c.Before); err != nil {
			return err
		}
		if now, err = now.only(departments, nowSums, chosen, p, c.After); err != nil {
			return err
		}
	}
	shown := 0
	total := reasons{cases: map[string]int{}, figures: map[figureCell]map[string]int{}}
	for i, code := range departments {
		if !slices.Contains(chosen, code) {
			continue
		}
		why, err := reasonsOf(list[i].moved, p, *c)
		if err != nil {
			return err
		}
		total.add(why)
		row := changedRow(then, now, shown, why, suppressed)
		c.Rows = append(c.Rows, row)
		shown++
	}
	c.Total = changedRow(then, now, shown, total, suppressed)
	c.withhold()
	return nil
}

// reasons count the cases that changed anything, and those that moved each figure.
type reasons struct {
	cases   map[string]int
	figures map[figureCell]map[string]int
}

func reasonsOf(moved []movedCase, p Period, c FigureChanges) (reasons, error) {
	r := reasons{cases: map[string]int{}, figures: map[figureCell]map[string]int{}}
	for _, m := range moved {
		r.cases[m.why]++
		then, err := benchmarks("", p, c.Before, m.before)
		if err != nil {
			return r, err
		}
		now, err := benchmarks("", p, c.After, m.after)
		if err != nil {
			return r, err
		}
		before, after := cellsOf(then), cellsOf(now)
		for _, cell := range figureCells {
			if before[cell] != after[cell] {
				r.count(cell, m.why, 1)
			}
		}
	}
	return r, nil
}

func (r reasons) count(cell figureCell, why string, n int) {
	if r.figures[cell] == nil {
		r.figures[cell] = map[string]int{}
	}
	r.figures[cell][why] += n
}

func (r reasons) add(more reasons) {
	for why, n := range more.cases {
		r.cases[why] += n
	}
	for cell, counts := range more.figures {
		for why, n := range counts {
			r.count(cell, why, n)
		}
	}
}

// changedRow is the i-th row of two tables.
func changedRow(then, now figureTable, i int, why reasons, suppressed bool) ChangedRow {
	before, after := cellsOf(then.benchmarks[i]), cellsOf(now.benchmarks[i])
	hiddenThen, hiddenNow := then.hidden[i], now.hidden[i]
	held := heldDifferences(before, after, hiddenThen, hiddenNow, suppressed)
	row := ChangedRow{Department: then.benchmarks[i].Department, Cases: why.cases}
	carried := suppressed && slices.ContainsFunc(figureCells, func(c figureCell) bool { return hiddenThen[c] != hiddenNow[c] })
	if suppressed && (carried || anySmall(why.cases)) {
		row.Cases = nil
	}
	var told []map[string]int // reasons of figures that are shown already
	for _, cell := range figureCells {
		f := ChangedFigure{Figure: string(cell)}
		if !hiddenNow[cell] {
			f.After = number(after[cell])
		}
		if !hiddenThen[cell] && !held[cell] {
			f.Before = number(before[cell])
		}
		if !held[cell] {
			f.Difference = number(after[cell] - before[cell])
			f.Why = why.figures[cell]
			if f.Why == nil {
				f.Why = map[string]int{}
			}
			if suppressed && (carried || anySmall(f.Why) || closeToAny(f.Why, append(told, why.cases))) {
				f.Why = nil
			} else {
				told = append(told, f.Why)
			}
		}
		row.Figures = append(row.Figures, f)
	}
	return row
}

func number(n int) *int { return &n }

// heldDifferences says which differences aren't shown.
func heldDifferences(before, after map[figureCell]int, hiddenThen, hiddenNow map[figureCell]bool, suppressed bool) map[figureCell]bool {
	held := map[figureCell]bool{}
	if !suppressed {
		return held
	}
	settled := map[figureCell]bool{}
	for _, c := range figureCells {
		moved := after[c] - before[c]
		held[c] = hiddenThen[c] || hiddenNow[c] || few(moved)
		for _, chain := range nested {
			if !slices.Contains(chain, c) {
				continue
			}
			for _, other := range chain {
				if settled[other] && !held[other] && few(moved-(after[other]-before[other])) {
					held[c] = true
				}
			}
		}
		settled[c] = true
	}
	return held
}

// few is a small number either way.
func few(n int) bool { return small(n) || small(-n) }

func anySmall(counts map[string]int) bool {
	for _, n := range counts {
		if small(n) {
			return true
		}
	}
	return false
}

// closeToAny says that a count differs by a small number from that of the same
// reason elsewhere in the row: the cases that moved the one and not the other.
func closeToAny(counts map[string]int, told []map[string]int) bool {
	for _, other := range told {
		for _, why := range Whys {
			if few(counts[why] - other[why]) {
				return true
			}
		}
	}
	return false
}

// withhold takes from all together what would give away what a department holds
// back.
func (c *FigureChanges) withhold() {
	for _, row := range c.Rows {
		if row.Cases == nil {
			c.Total.Cases = nil
		}
		for i, f := range row.Figures {
			t := &c.Total.Figures[i]
			if f.Difference == nil {
				t.Before, t.Difference, t.Why = nil, nil, nil
			}
			if f.Why == nil {
				t.Why = nil
			}
		}
	}
}
