package measure

import "math"

// grid is a chart of many scores as a Markov chain on evenly spaced values.
// Node i stands for the value i*width. When the scores are not multiples of the
// width, each target is shared between its two neighbours so that the mean is
// kept, and the top node stands just below the threshold: whether a case alarms
// is decided on its own score, never on a rounded one.
type grid struct {
	nodes     int
	down, up  []tap     // moves by at least one node, the nearest first
	stay      tap       // moves that end where they began
	taps      []tap     // all of them
	leave     float64   // chance of anything but staying, below the top node
	alarm     []float64 // chance of an alarm at the next case, by node
	zero      []float64 // chance of standing at 0 after the next case, by node
	alarmFrom int       // the first node that can alarm
	zeroTo    int       // nodes from which 0 can be reached
	pad       int       // empty cells at either end of a vector
	exact     bool      // every score is a multiple of the width
	mean      float64   // of a move, in nodes
	variance  float64
	width     float64
}

// tap is the chance of a move by offset nodes. A move that would end at the top
// node has the chance top; the rest of chance is an alarm there.
type tap struct {
	offset      int
	chance, top float64
}

// mover gathers what can happen at a case, by offset. Moves by more than all
// nodes are as good as moves by all of them.
type mover struct {
	nodes       int
	chance, top []float64 // [offset+nodes]
}

func newMover(nodes int) mover {
	return mover{nodes, make([]float64, 2*nodes+1), make([]float64, 2*nodes+1)}
}

func (m mover) add(offset float64, chance float64, reachesTop bool) {
	at := int(math.Max(-float64(m.nodes), math.Min(offset, float64(m.nodes)))) + m.nodes
	m.chance[at] += chance
	if reachesTop {
		m.top[at] += chance
	}
}

func (m mover) grid() *grid {
	last := m.nodes - 1
	g := &grid{nodes: m.nodes, alarm: make([]float64, m.nodes), zero: make([]float64, m.nodes)}
	furthest := 0
	for d := 1; d <= m.nodes; d++ {
		for _, offset := range [2]int{-d, d} {
			t := tap{offset, m.chance[offset+m.nodes], m.top[offset+m.nodes]}
			if t.chance == 0 {
				continue
			}
			g.leave += t.chance
			if d > last {
				continue
			}
			furthest = d
			if offset < 0 {
				g.down = append(g.down, t)
			} else {
				g.up = append(g.up, t)
			}
		}
	}
	g.pad = furthest
	g.stay = tap{0, m.chance[m.nodes], m.top[m.nodes]}
	over, under := 0.0, 0.0
	for d := m.nodes; d >= 0; d-- {
		if i := last - d; i >= 0 {
			g.alarm[i] = over + (m.chance[d+m.nodes] - m.top[d+m.nodes])
		}
		under += m.chance[m.nodes-d]
		if d < m.nodes {
			g.zero[d] = under
		}
		over += m.chance[d+m.nodes]
	}
	for g.alarmFrom < last && g.alarm[g.alarmFrom] == 0 {
		g.alarmFrom++
	}
	for g.zeroTo = m.nodes; g.zeroTo > 0 && g.zero[g.zeroTo-1] == 0; g.zeroTo-- {
	}
	if g.stay.chance > 0 {
		g.taps = append(g.taps, g.stay)
	}
	g.taps = append(append(g.taps, g.down...), g.up...)
	return g
}

// evenGrid divides 0 to the threshold into n equal parts.
func evenGrid(steps []jump, threshold float64, n int) *grid {
	width := threshold / float64(n)
	m := newMover(n + 1)
	for _, s := range steps {
		at := s.score / width
		down := math.Floor(at)
		share := at - down
		m.add(down, float64(s.chance*(1-share)), false)
		m.add(down+1, float64(s.chance*share), true)
	}
	g := m.grid()
	g.describe(steps, width)
	return g
}

// describe notes the moments of the scores, in nodes.
func (g *grid) describe(steps []jump, width float64) {
	g.width = width
	for _, s := range steps {
		g.mean += float64(s.chance * s.score)
	}
	for _, s := range steps {
		off := s.score - g.mean
		g.variance += float64(s.chance * float64(off*off))
	}
	g.mean, g.variance = g.mean/width, g.variance/float64(width*width)
}

// commonGrid finds a width of which every score is a whole multiple, to 1e-9 of
// the width. ok is false when there is none that makes a chain of usable size.
func commonGrid(steps []jump, threshold float64) (g *grid, ok bool) {
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
		return nil, false
	}
	// The Euclidean steps carry an error; the longest score measures the width
	// best.
	longest := 0.0
	for _, s := range steps {
		longest = math.Max(longest, math.Abs(s.score))
	}
	width = longest / math.Round(longest/width)
	nodes := int(math.Ceil(threshold/width - 1e-9))
	if nodes < 2 {
		return nil, false
	}
	m := newMover(nodes)
	for _, s := range steps {
		at := s.score / width
		offset := math.Round(at)
		if math.Abs(at-offset) > 1e-9 {
			return nil, false
		}
		m.add(offset, s.chance, true)
	}
	g = m.grid()
	g.describe(steps, width)
	g.exact = true
	return g, true
}

// vector holds one number for each node, between empty cells.
func (g *grid) vector() []float64 { return make([]float64, g.nodes+2*g.pad) }

// cells are a vector's numbers, without the empty ones.
func (g *grid) cells(v []float64) []float64 { return v[g.pad : g.pad+g.nodes] }

// from is a vector with all chance at the value of a start. A start between two
// nodes is shared so that the mean is kept; ok is false for one on an exact
// grid, which has no such value.
func (g *grid) from(start float64) (v []float64, ok bool) {
	v = g.vector()
	at := start / g.width
	below := int(math.Floor(at + 1e-9))
	share := math.Max(0, at-float64(below))
	if share < 1e-9 {
		share = 0
	}
	cells := g.cells(v)
	below = min(below, g.nodes-1)
	cells[below] = 1 - share
	if share > 0 {
		cells[min(below+1, g.nodes-1)] += share
	}
	return v, share == 0 || !g.exact
}

// gather moves the chances of all nodes by the taps' moves. What ends at 0 or
// in an alarm is left out.
func (g *grid) gather(into, from []float64, taps []tap) {
	last := g.nodes - 1
	out := into[g.pad+1 : g.pad+last]
	clear(into)
	source := func(t tap) []float64 { return from[g.pad+1-t.offset:][:len(out)] }
	for ; len(taps) >= 4; taps = taps[4:] {
		a, b, c, d := source(taps[0]), source(taps[1]), source(taps[2]), source(taps[3])
		pa, pb, pc, pd := taps[0].chance, taps[1].chance, taps[2].chance, taps[3].chance
		top := 0.0
		for i := range out {
			out[i] += (float64(a[i]*pa) + float64(b[i]*pb)) + (float64(c[i]*pc) + float64(d[i]*pd))
		}
		for _, t := range taps[:4] {
			top += float64(from[g.pad+last-t.offset] * t.top)
		}
		into[g.pad+last] += top
	}
	for _, t := range taps {
		a, pa := source(t), t.chance
		for i := range out {
			out[i] += float64(a[i] * pa)
		}
		into[g.pad+last] += float64(from[g.pad+last-t.offset] * t.top)
	}
}

// leaves gives what a vector of chances loses at the next case: to an alarm and
// to 0.
func (g *grid) leaves(v []float64) (alarm, zero float64) {
	cells := g.cells(v)
	for i, chance := range cells[:g.zeroTo] {
		zero += float64(chance * g.zero[i])
	}
	for i, chance := range cells[g.alarmFrom:] {
		alarm += float64(chance * g.alarm[g.alarmFrom+i])
	}
	return alarm, zero
}

// step moves the chances of all nodes by one case and gives the chance of an
// alarm at it, and what is left.
func (g *grid) step(now, next []float64) (alarm, left float64) {
	alarm, zero := g.leaves(now)
	g.gather(next, now, g.taps)
	next[g.pad] = zero
	return alarm, total(g.cells(next))
}

// total adds up, in four sums that do not wait for each other.
func total(list []float64) float64 {
	var a, b, c, d float64
	for ; len(list) >= 4; list = list[4:] {
		a, b, c, d = a+list[0], b+list[1], c+list[2], d+list[3]
	}
	for _, v := range list {
		a += v
	}
	return (a + b) + (c + d)
}
