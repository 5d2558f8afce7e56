package measure

import "math"

// visits gives the expected number of cases that a chart starts from each node
// until its alarm, for the chances of where it begins. Their sum is the average
// run length. Only sums of chances are formed, so no digits are lost however
// long the run is.
type visits func(start []float64) ([]float64, error)

// solver picks the quicker of two ways to the visits: taking out states costs
// the product of the longest moves down and up at each node, following
// excursions the number of moves in each generation.
func (g *grid) solver() (visits, error) {
	below, above := max(furthestMove(g.down), g.zeroTo-1), furthestMove(g.up)
	// An excursion fades by about the settling rate a case, and after a quarter of
	// the way to nothing the rest is a geometric series.
	generations := 4 + 8*math.Min(chanceOf(g.down), chanceOf(g.up))/g.settling()
	if float64(below)*float64(above) <= generations*float64(len(g.taps)) {
		return g.takenOut(below, above), nil
	}
	return g.followed()
}

func furthestMove(taps []tap) int {
	if len(taps) == 0 {
		return 0
	}
	last := taps[len(taps)-1].offset
	return max(last, -last)
}

// average is the average run length in cases, for the chances of where it
// begins.
func (g *grid) average(start []float64) (float64, error) {
	solve, err := g.solver()
	if err != nil {
		return 0, err
	}
	return g.averageOf(solve, start)
}

func (g *grid) averageOf(solve visits, start []float64) (float64, error) {
	v, err := solve(start)
	if err != nil {
		return 0, err
	}
	if average := total(g.cells(v)); finite(average) {
		return average, nil
	}
	return 0, g.unreachable()
}

func (g *grid) unreachable() error {
	return outside("threshold", float64(float64(g.nodes)*g.width), "one that an alarm can reach in a computable number of cases")
}

// followed finds the visits from excursions: a chart begins again whenever it is
// at 0, so the visits from there are those of one excursion divided by its
// chance to end in an alarm.
func (g *grid) followed() (visits, error) {
	zero, _ := g.from(0)
	cycle, alarm, _, err := g.excursion(zero)
	if err != nil {
		return nil, err
	}
	fresh := times(cycle, 1/alarm)
	return func(start []float64) ([]float64, error) {
		if start[g.pad] == 1 {
			return fresh, nil
		}
		first, _, back, err := g.excursion(start)
		if err != nil {
			return nil, err
		}
		for i, v := range fresh {
			first[i] += float64(v * back)
		}
		return first, nil
	}, nil
}

// excursion follows charts until they alarm or come back to 0, and gives their
// visits and the chances of both ends. The more frequent direction is a
// triangular system and is solved at once; each move the other way begins a
// generation, and there are few before an excursion ends.
func (g *grid) excursion(start []float64) (all []float64, alarm, back float64, err error) {
	often, seldom := g.down, g.up
	if chanceOf(g.up) > chanceOf(g.down) {
		often, seldom = g.up, g.down
	}
	enough := 1e-10 // of the alarms, far below what the width leaves open
	if g.exact {
		enough = 1e-14
	}
	all = g.vector()
	now, at := g.vector(), g.vector()
	copy(now, start)
	left, before := 1.0, 0.0
	for range maxGenerations {
		// A chart that begins at 0 leaves from there once; later ones that come to
		// 0 have ended.
		at[g.pad] = now[g.pad]
		if len(often) > 0 && often[0].offset > 0 {
			g.upwards(at, now, often)
		} else {
			g.downwards(at, now, often)
		}
		for i, v := range at {
			all[i] += v
		}
		ended, returned := g.leaves(at)
		alarm, back = alarm+ended, back+returned
		g.gather(now, at, seldom) // leaves 0 empty
		after := total(g.cells(now))
		share := after / left
		change := math.Abs(share - before)
		left, before = after, share
		if left <= enough*alarm || left < 1e-300 {
			break
		}
		// Generations that keep their shape and only grow less add up to a
		// geometric series.
		if rest := 1 - share; rest > 0 && float64(left*change) <= float64(float64(enough*alarm)*float64(rest*rest)) {
			series := share / rest
			for i, v := range at {
				all[i] += float64(v * series)
			}
			alarm, back = alarm+float64(ended*series), back+float64(returned*series)
			break
		}
	}
	if !(alarm > 0 && back+alarm > 1-1e-6) {
		return nil, 0, 0, g.unreachable()
	}
	return all, alarm, back, nil
}

// maxGenerations bounds the work on an excursion that hardly ever ends.
const maxGenerations = 20_000

func chanceOf(taps []tap) float64 {
	sum := 0.0
	for _, t := range taps {
		sum += t.chance
	}
	return sum
}

// downwards solves at = now + moves of at by the taps, all of them down.
func (g *grid) downwards(at, now []float64, taps []tap) {
	leave := g.leaving(g.nodes - 1)
	for j := g.pad + g.nodes - 1; j > g.pad; j-- {
		x := now[j]
		for _, t := range taps {
			x += float64(at[j-t.offset] * t.chance)
		}
		at[j] = x / leave
		leave = g.leave
	}
}

// upwards solves it for taps that all lead up.
func (g *grid) upwards(at, now []float64, taps []tap) {
	last := g.pad + g.nodes - 1
	for j := g.pad + 1; j < last; j++ {
		x := now[j]
		for _, t := range taps {
			x += float64(at[j-t.offset] * t.chance)
		}
		at[j] = x / g.leave
	}
	x := now[last]
	for _, t := range taps {
		x += float64(at[last-t.offset] * t.top)
	}
	at[last] = x / g.leaving(g.nodes-1)
}

// leaving is the chance that a case does not end where it began.
func (g *grid) leaving(node int) float64 {
	if node == g.nodes-1 {
		return g.leave + (g.stay.chance - g.stay.top)
	}
	return g.leave
}
