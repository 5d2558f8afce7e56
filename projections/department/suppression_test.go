package department

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// Washington State Department of Health, standards for small numbers, 2017-18:
// non-zero counts under 10 are held back, zero is shown.
func TestSmallCounts(t *testing.T) {
	for n := range 12 {
		hidden := smallIn(map[figureCell]int{cellOperations: 500, cellReturned: n})
		if want := n >= 1 && n <= 9; hidden[cellReturned] != want {
			t.Errorf("%d: held back is %v", n, hidden[cellReturned])
		}
	}
	for _, c := range []struct {
		row    map[figureCell]int
		hidden figureCell
		shown  []figureCell
	}{
		// 196 of 200 within 1.00 D says that 4 were beyond it.
		{map[figureCell]int{cellRefractionN: 200, cellWithin100: 196, cellWithin050: 150}, cellWithin100, []figureCell{cellRefractionN, cellWithin050}},
		// 150 within 0.50 and 155 within 1.00 D: 5 between.
		{map[figureCell]int{cellRefractionN: 200, cellWithin100: 155, cellWithin050: 150}, cellWithin050, []figureCell{cellRefractionN, cellWithin100}},
		// All of them, or none, say nothing about a few.
		{map[figureCell]int{cellRefractionN: 200, cellWithin100: 200, cellWithin050: 0}, "", []figureCell{cellRefractionN, cellWithin100, cellWithin050}},
		// The rupture rate comes first: 4 complications of other kinds.
		{map[figureCell]int{cellOperations: 900, cellAny: 24, cellRupture: 20}, cellAny, []figureCell{cellOperations, cellRupture}},
	} {
		hidden := smallIn(c.row)
		if c.hidden != "" && !hidden[c.hidden] {
			t.Errorf("%v: %s is shown", c.row, c.hidden)
		}
		for _, s := range c.shown {
			if hidden[s] {
				t.Errorf("%v: %s is held back", c.row, s)
			}
		}
	}
}

// A subtraction from the total must not give away what is held back.
func TestTotalGivesNothingAway(t *testing.T) {
	column := func(n int) map[figureCell]int { return map[figureCell]int{cellOperations: 1000 + n, cellReturned: n} }
	for _, c := range []struct {
		counts []int
		want   string // of the departments, then of the total
	}{
		{[]int{15, 20, 30}, "15 20 30 65"},
		{[]int{3, 20, 30}, "- - 30 53"},  // alone it would be the total less the others
		{[]int{1, 1, 30}, "- - - 32"},    // two that add up to 2 can only be 1 and 1
		{[]int{5, 6, 40}, "- - 40 51"},   // 1 to 10 is open for each
		{[]int{2, 0, 0}, "- 0 0 -"},      // nothing else to hold back but the total
		{[]int{4, 3, 0}, "- - 0 -"},      // the total is small itself
		{[]int{3, 0, 12}, "- 0 - 15"},    // zero is shown
		{[]int{9, 9, 9}, "- - - 27"},     // 1 to 25 each
		{[]int{7}, "- -"},                // one department is the total
		{[]int{12}, "12 12"},             // and this one is large
		{[]int{1, 11, 12}, "- - 12 24"},  // 1 to 11
		{[]int{1, 1, 1, 1}, "- - - - -"}, // 4 in all
	} {
		rows, total := []map[figureCell]int{}, 0
		for _, n := range c.counts {
			rows, total = append(rows, column(n)), total+n
		}
		hidden := suppress(rows, column(total))
		got := ""
		for i, n := range append(c.counts, total) {
			if i > 0 {
				got += " "
			}
			if hidden[i][cellReturned] {
				got += "-"
			} else {
				got += fmt.Sprint(n)
			}
		}
		if got != c.want {
			t.Errorf("%v: %s, want %s", c.counts, got, c.want)
		}
	}
}

// An attacker lists everything that the published numbers leave possible, and must
// be left with several values of each that is held back.
func TestAttacker(t *testing.T) {
	const most = 30
	for seed := range uint64(40) {
		dice := rand.New(rand.NewPCG(seed, 7))
		rows := make([]map[figureCell]int, 3)
		total := map[figureCell]int{}
		for i := range rows {
			n := dice.IntN(most + 1)
			rows[i] = map[figureCell]int{cellLossN: n, cellLoss: dice.IntN(n + 1)}
			if dice.IntN(2) == 0 {
				rows[i][cellLoss] = dice.IntN(min(n, 12) + 1)
			}
			total[cellLossN] += rows[i][cellLossN]
			total[cellLoss] += rows[i][cellLoss]
		}
		hidden := suppress(rows, total)
		possible := func(i, n, k int) bool {
			for c, v := range map[figureCell]int{cellLossN: n, cellLoss: k} {
				if !hidden[i][c] && rows[i][c] != v || hidden[i][c] && v == 0 {
					return false
				}
			}
			return k <= n
		}
		left := map[string]map[int]bool{}
		var pairs [3][][2]int
		for i := range rows {
			for n := range most + 1 {
				for k := range n + 1 {
					if possible(i, n, k) {
						pairs[i] = append(pairs[i], [2]int{n, k})
					}
				}
			}
		}
		fits := func(sum [2]int) bool {
			return (hidden[3][cellLossN] || sum[0] == total[cellLossN]) && (hidden[3][cellLoss] || sum[1] == total[cellLoss])
		}
		for i := range rows {
			a, b := pairs[(i+1)%3], pairs[(i+2)%3]
			others := map[[2]int]bool{}
			for _, x := range a {
				for _, y := range b {
					others[[2]int{x[0] + y[0], x[1] + y[1]}] = true
				}
			}
			for _, x := range pairs[i] {
				for o := range others {
					if fits([2]int{x[0] + o[0], x[1] + o[1]}) {
						for c, v := range map[figureCell]int{cellLossN: x[0], cellLoss: x[1]} {
							key := fmt.Sprint(i, c)
							if left[key] == nil {
								left[key] = map[int]bool{}
							}
							left[key][v] = true
						}
						break
					}
				}
			}
		}
		for i, row := range rows {
			for c, v := range row {
				if got := left[fmt.Sprint(i, c)]; hidden[i][c] && (len(got) < 9 || !got[v]) {
					t.Errorf("seed %d: %s of %v in %v (held back: %v): %d left", seed, c, row, rows, hidden, len(got))
				}
			}
		}
	}
}
