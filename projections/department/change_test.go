package department

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"lensledger/projections/archive"
)

// randomChange makes a department's numbers at two moments, by cases that move them.
func randomChange(rng *rand.Rand) departmentChange {
	d := departmentChange{before: map[string]int64{}, after: map[string]int64{}}
	one := func() map[string]int64 {
		out := map[string]int64{Operations: 1, Uncomplicated: 1}
		if rng.IntN(3) == 0 {
			delete(out, Uncomplicated)
			if rng.IntN(2) == 0 {
				out[Ruptures] = 1
			}
		}
		if rng.IntN(8) == 0 {
			out[ReturnedToTheatre] = 1
		}
		if rng.IntN(2) == 0 {
			out[TakeoverKnown] = 1
			if rng.IntN(3) == 0 {
				out[Takeovers] = 1
			}
		}
		return out
	}
	for range rng.IntN(80) {
		stays := one()
		addTo(d.before, stays)
		addTo(d.after, stays)
	}
	alike, why, after := rng.IntN(2) == 0, Whys[rng.IntN(len(Whys))], one()
	for range rng.IntN(4) * rng.IntN(16) {
		m := movedCase{why: why, before: map[string]int64{}, after: after}
		if !alike {
			m.why, m.after = Whys[rng.IntN(len(Whys))], one()
			if rng.IntN(3) == 0 {
				m.before = one()
			}
		}
		addTo(d.before, m.before)
		addTo(d.after, m.after)
		d.moved = append(d.moved, m)
	}
	return d
}

// Whatever the numbers: what changes say of what leaves the departments is no more
// than the two tables say, and no small number.
func TestChangesGiveNothingAway(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	p, err := ParsePeriod("2025-01", "2025-12")
	if err != nil {
		t.Fatal(err)
	}
	then, now := archive.AsOf{Position: 1, RecordedAt: time.Unix(0, 0)}, archive.AsOf{Position: 2, RecordedAt: time.Unix(0, 0)}
	shownDifferences, shownReasons := 0, 0
	for range 400 {
		codes := []string{"A", "B", "C"}[:1+rng.IntN(3)]
		list := make([]departmentChange, len(codes))
		var before, after []map[string]int64
		for i := range codes {
			list[i] = randomChange(rng)
			before, after = append(before, list[i].before), append(after, list[i].after)
		}
		chosen := codes[:1+rng.IntN(len(codes))]
		c := FigureChanges{Before: then, After: now}
		if err := c.fill(codes, chosen, p, list, true); err != nil {
			t.Fatal(err)
		}
		tables := [2]Figures{}
		for i, sums := range [][]map[string]int64{before, after} {
			if tables[i], err = figuresOf(codes, sums, p, []archive.AsOf{then, now}[i], true, chosen...); err != nil {
				t.Fatal(err)
			}
		}
		for i, row := range append(slices.Clone(c.Rows), c.Total) {
			shown := [2]FigureRow{append(slices.Clone(tables[0].Rows), tables[0].Total)[i], append(slices.Clone(tables[1].Rows), tables[1].Total)[i]}
			for j, f := range row.Figures {
				cell := figureCells[j]
				if f.Before != nil && shown[0].hidden[cell] || f.After != nil && shown[1].hidden[cell] {
					t.Fatalf("%s of %s is held back in the figures and shown here", cell, row.Department)
				}
				if f.Before != nil && f.After != nil && f.Difference == nil {
					t.Fatalf("%s of %s: two numbers to subtract", cell, row.Department)
				}
				if f.Difference != nil {
					shownDifferences++
					if row.Department != AllDepartments && few(*f.Difference) {
						t.Fatalf("%s of %s: a difference of %d", cell, row.Department, *f.Difference)
					}
				}
				if f.Why != nil {
					shownReasons += len(f.Why)
					if f.Difference == nil || anySmall(f.Why) {
						t.Fatalf("%s of %s: %v", cell, row.Department, f.Why)
					}
				}
				if row.Department == AllDepartments && f.Difference != nil && slices.ContainsFunc(c.Rows, func(r ChangedRow) bool { return r.Figures[j].Difference == nil }) {
					t.Fatalf("%s: the difference of all departments, less those shown, is that of one", cell)
				}
			}
			// One figure is part of another: what is left is cases too.
			for _, chain := range nested {
				for _, a := range chain {
					for _, b := range chain {
						x, y := row.Figures[slices.Index(figureCells, a)], row.Figures[slices.Index(figureCells, b)]
						if row.Department != AllDepartments && x.Difference != nil && y.Difference != nil && few(*x.Difference-*y.Difference) {
							t.Fatalf("%s less %s of %s: %d", a, b, row.Department, *x.Difference-*y.Difference)
						}
					}
				}
			}
			if anySmall(row.Cases) {
				t.Fatalf("%s: %v", row.Department, row.Cases)
			}
			// "No case changed" would carry a number shown at one moment over to the other.
			carried := slices.ContainsFunc(figureCells, func(cell figureCell) bool { return shown[0].hidden[cell] != shown[1].hidden[cell] })
			if carried && row.Cases != nil {
				t.Fatalf("%s: %v", row.Department, row.Cases)
			}
		}
	}
	if shownDifferences < 1000 || shownReasons < 20 {
		t.Errorf("only %d differences and %d reasons are shown: nothing was tried", shownDifferences, shownReasons)
	}
}
