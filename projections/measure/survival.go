package measure

import "math"

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

// settled is how many cases the chance must not change for.
const settled = 50

// alarms gives the chance of an alarm at or before each case from 0 to limit,
// and the chances of the nodes after it. Once the chance of an alarm at the next
// case has settled, the nodes keep their proportions and only grow less.
func (g *grid) alarms(start []float64, limit int) (by, now []float64) {
	tolerance := 1e-10
	if g.exact {
		tolerance = 1e-13
	}
	by = make([]float64, limit+1)
	now, next := g.vector(), g.vector()
	copy(now, start)
	var h hazard
	left := 1.0
	for n := 1; n <= limit; n++ {
		if h.steady < settled {
			alarm, after := g.step(now, next)
			now, next = next, now
			by[n] = math.Min(1, by[n-1]+alarm)
			h.next(alarm/left, tolerance)
			left = after
			continue
		}
		by[n] = math.Min(1, by[n-1]+float64(left*h.last))
		left = float64(left * (1 - h.last))
	}
	if sum := total(now); sum > 0 && h.steady >= settled {
		now = times(now, left/sum)
	}
	return by, now
}

func times(v []float64, factor float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = float64(x * factor)
	}
	return out
}

// runLength gives the run length from a vector of chances to begin with.
func (g *grid) runLength(start []float64, limit int, within []int) (RunLength, error) {
	solve, err := g.solver()
	if err != nil {
		return RunLength{}, err
	}
	average, err := g.averageOf(solve, start)
	if err != nil {
		return RunLength{}, err
	}
	by, now := g.alarms(start, max(limit, 64))
	median, err := g.median(solve, by, now)
	return RunLength{AverageRunLength: average, MedianRunLength: median, AlarmWithin: pick(by, within)}, err
}

// median goes on from the chances by, whose nodes are now, until half have
// alarmed. Far out the chance of no alarm falls geometrically, from factor times
// what is left; that is used once every other part will have died away.
func (g *grid) median(solve visits, by, now []float64) (float64, error) {
	if n, found := firstHalf(by); found {
		return n, nil
	}
	left := total(now)
	next := g.vector()
	for n, check := len(by)-1, len(by)-1; ; n++ {
		if left <= 0.5 {
			return float64(n), nil
		}
		if n == check {
			late, err := g.steady(solve, now)
			if err != nil {
				return 0, err
			}
			more := math.Ceil(math.Log(0.5/float64(left*late.factor)) / math.Log1p(-1/late.average))
			// The settling rate is rough, so only seven tenths of it are relied on.
			off := math.Abs(late.factor-1) * math.Exp(float64(-0.7*float64(g.settling()*more)))
			if off*late.average < 0.005 {
				return float64(n) + more, nil
			}
			check *= 2
		}
		_, left = g.step(now, next)
		now, next = next, now
	}
}

// settling is, roughly, the rate per case at which a chart forgets how it began.
func (g *grid) settling() float64 {
	n := float64(g.nodes)
	return float64(math.Pi*math.Pi*g.variance)/float64(2*n*n) + float64(g.mean*g.mean)/float64(2*g.variance)
}

// steadyState is a chart that has run for long without an alarm: the chances of
// its nodes and the average number of cases to its next alarm. The chance of no
// alarm from where it began comes to be factor times that from here.
type steadyState struct {
	chances []float64
	average float64
	factor  float64
}

// steady finds the steady state, beginning at near. Each turn makes all other
// parts less by how much faster they fade, and so does each average that is
// multiplied into the factor.
func (g *grid) steady(solve visits, near []float64) (steadyState, error) {
	s := steadyState{chances: times(near, 1/total(near))}
	tolerance := 1e-8
	if g.exact {
		tolerance = 1e-13
	}
	var averages []float64
	for range 200 {
		v, err := solve(s.chances)
		if err != nil {
			return s, err
		}
		before := s.average
		s.average = total(v)
		if !finite(s.average) {
			return s, g.unreachable()
		}
		averages = append(averages, s.average)
		s.chances = times(v, 1/s.average)
		if math.Abs(s.average-before) <= tolerance*s.average {
			break
		}
	}
	s.factor = 1
	for _, average := range averages {
		s.factor = float64(s.factor * float64(average/s.average))
	}
	return s, nil
}
