package measure

import "math"

// grid is a chart of many scores as a Markov chain on evenly spaced values.
// Node i stands for the value i*width. When the scores are not multiples of the
// width, each target is shared between its two neighbours so that the mean is
// kept, and one more node stands just below the threshold: whether a case
// alarms is decided on its own score, never on a rounded one.
type grid struct {
	nodes int // 0 to nodes-1
	moves []move
}

// move goes offset nodes up or down with a chance; from node alarmsFrom on it
// is an alarm.
type move struct {
	offset     int
	chance     float64
	alarmsFrom int
}

// evenGrid divides 0 to the threshold into n equal parts.
func evenGrid(steps []jump, threshold float64, n int) grid {
	width := threshold / float64(n)
	g := grid{nodes: n + 1}
	for _, s := range steps {
		at := s.score / width
		down := math.Floor(at)
		share := at - down
		from := n - int(down)
		g.add(move{int(down), float64(s.chance * (1 - share)), from})
		g.add(move{int(down) + 1, float64(s.chance * share), from})
	}
	return g
}

// commonGrid finds a width of which every score is a whole multiple, to 1e-9 of
// the width. ok is false when there is none that makes a chain of usable size.
func commonGrid(steps []jump, threshold float64) (g grid, ok bool) {
	const most = 4000
	width := math.Abs(steps[0].score)
	for _, s := range steps {
		a, b := math.Max(width, math.Abs(s.score)), math.Min(width, math.Abs(s.score))
		for b > threshold/most/2 {
			a, b = b, math.Abs(a-float64(math.Round(a/b)*b))
		}
		width = a
	}
	if !(width > 0) || threshold/width > most {
		return grid{}, false
	}
	// The Euclidean steps carry an error; the longest score measures the width
	// best.
	longest := 0.0
	for _, s := range steps {
		longest = math.Max(longest, math.Abs(s.score))
	}
	width = longest / math.Round(longest/width)
	top := threshold / width
	g = grid{nodes: int(math.Ceil(top - 1e-9))}
	for _, s := range steps {
		at := s.score / width
		offset := math.Round(at)
		if math.Abs(at-offset) > 1e-9 {
			return grid{}, false
		}
		g.add(move{int(offset), s.chance, g.nodes - int(offset)})
	}
	return g, g.nodes > 1
}

func (g *grid) add(m move) {
	if m.chance == 0 {
		return
	}
	for i, have := range g.moves {
		if have.offset == m.offset && have.alarmsFrom == m.alarmsFrom {
			g.moves[i].chance += m.chance
			return
		}
	}
	g.moves = append(g.moves, m)
}

// to gives where a move leads from node i; alarm when it leaves the chart.
func (g grid) to(m move, i int) (target int, alarm bool) {
	if i >= m.alarmsFrom {
		return 0, true
	}
	return max(0, i+m.offset), false
}

// average is the average run length from node 0, in cases. States are taken out
// from the top, each replaced by what follows it; only sums of chances are
// formed, so no digits are lost however long the run is.
//
// Source: Grassmann WK, Taksar MI, Heyman DP. Oper Res 1985;33:1107-1116 (from
// memory).
func (g grid) average() (float64, error) {
	below, above := 0, 0
	for _, m := range g.moves {
		below, above = max(below, -m.offset), max(above, m.offset)
	}
	below, above = min(below, g.nodes-1), min(above, g.nodes-1)
	band := below + above + 1
	chance := make([]float64, g.nodes*band) // row i holds targets i-below to i+above
	alarm := make([]float64, g.nodes)
	stay := make([]float64, g.nodes)
	for i := range g.nodes {
		stay[i] = 1
		for _, m := range g.moves {
			if target, out := g.to(m, i); out {
				alarm[i] += m.chance
			} else {
				chance[i*band+target-i+below] += m.chance
			}
		}
	}
	for i := g.nodes - 1; i > 0; i-- {
		first := max(0, i-below)
		row := chance[i*band+first-i+below : i*band+below]
		leave := alarm[i]
		for _, c := range row {
			leave += c
		}
		for a := max(0, i-above); a < i; a++ {
			enter := chance[a*band+i-a+below]
			if enter == 0 {
				continue
			}
			enter /= leave
			stay[a] += float64(enter * stay[i])
			alarm[a] += float64(enter * alarm[i])
			into := chance[a*band+first-a+below : a*band+first-a+below+len(row)]
			for k, c := range row {
				into[k] += float64(enter * c)
			}
		}
	}
	average := stay[0] / alarm[0]
	if !finite(average) {
		return 0, outside("threshold", float64(g.nodes), "one that an alarm can reach")
	}
	return average, nil
}

// step moves the chances of all nodes by one case and gives the chance of an
// alarm at it.
func (g grid) step(now, next []float64) (alarm float64) {
	for i := range next {
		next[i] = 0
	}
	for _, m := range g.moves {
		// Nodes whose target lies below 0 all land on 0.
		i := 0
		sum := 0.0
		for ; i < -m.offset && i < len(now); i++ {
			sum += now[i]
		}
		next[0] += float64(sum * m.chance)
		end := min(max(m.alarmsFrom, i), len(now))
		if end > i {
			from, into := now[i:end], next[i+m.offset:end+m.offset]
			for k, v := range from {
				into[k] += float64(v * m.chance)
			}
		}
		sum = 0
		for _, v := range now[end:] {
			sum += v
		}
		alarm += float64(sum * m.chance)
	}
	return alarm
}

// alarms gives the chance of an alarm at or before each case from 0 to limit,
// and the chances of the nodes after it.
func (g grid) alarms(limit int) (by, now []float64) {
	by = make([]float64, limit+1)
	now, next := make([]float64, g.nodes), make([]float64, g.nodes)
	now[0] = 1
	var h hazard
	left := 1.0
	for n := 1; n <= limit; n++ {
		if h.steady < 50 {
			alarm := g.step(now, next)
			now, next = next, now
			by[n] = math.Min(1, by[n-1]+alarm)
			h.next(alarm/left, 1e-13)
			left = total(now)
			continue
		}
		// From here on the nodes keep their proportions and only grow less.
		by[n] = math.Min(1, by[n-1]+float64(left*h.last))
		left = float64(left * (1 - h.last))
	}
	if sum := total(now); sum > 0 && h.steady >= 50 {
		for i := range now {
			now[i] *= left / sum
		}
	}
	return by, now
}

// hazard watches the chance of an alarm at the next case settle.
type hazard struct {
	last   float64
	steady int // cases in a row for which it did not change
}

func (h *hazard) next(now, tolerance float64) {
	if math.Abs(now-h.last) <= tolerance*now && now > 0 {
		h.steady++
	} else {
		h.steady = 0
	}
	h.last = now
}

func total(list []float64) float64 {
	sum := 0.0
	for _, v := range list {
		sum += v
	}
	return sum
}

func (g grid) runLength(limit int, within []int) (RunLength, error) {
	average, err := g.average()
	if err != nil {
		return RunLength{}, err
	}
	by, now := g.alarms(limit)
	return RunLength{AverageRunLength: average, MedianRunLength: g.median(by, now), AlarmWithin: pick(by, within)}, nil
}

// median goes on from the chances by, whose nodes are now, until half have
// alarmed or the chance of an alarm at the next case has become constant: from
// then on it falls geometrically.
func (g grid) median(by, now []float64) float64 {
	if n, found := firstHalf(by); found {
		return n
	}
	next := make([]float64, len(now))
	left := total(now)
	var h hazard
	for n := len(by); ; n++ {
		h.next(g.step(now, next)/left, 1e-9)
		now, next = next, now
		left = float64(left * (1 - h.last))
		if left <= 0.5 {
			return float64(n)
		}
		if h.steady >= 50 {
			return math.Ceil(float64(n) + math.Log(0.5/left)/math.Log1p(-h.last))
		}
	}
}
