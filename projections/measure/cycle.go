package measure

// A chart without case mix is a walk with two scores. It begins again whenever
// it is at 0, so everything about its run length follows from one cycle: an
// excursion that ends at the threshold (an alarm) or at 0 (a return). Inside a
// cycle the value depends only on how many cases came and how many of them were
// of the rarer kind, so the chances below are exact.
//
//	average run length = mean cycle length / chance that a cycle ends in an alarm
//
// Source: the renewal argument of Page ES. Biometrika 1954;41:100-115 (from
// memory), carried out on the counts.

// walk is a chart with two scores, a threshold and a true chance of an event.
type walk struct {
	scores    Scores
	threshold float64
	p         float64
}

// cycle is how one excursion ends.
type cycle struct {
	alarm   float64 // chance to end in an alarm
	mean    float64 // mean length, cases
	alarms  []ending
	returns []ending
}

// ending is the chance that an excursion ends at this case of it. Far out,
// where single cases no longer matter, one ending stands for several cases and
// cases is their mean.
type ending struct {
	cases  float64
	chance float64
}

const (
	// cycleTail is the part of a cycle's alarm chance that may be left out.
	cycleTail = 1e-13
	// cycleWork bounds the cells of one cycle: about a fifth of a second.
	cycleWork = 100_000_000
	// cyclePool is how many far cases share one ending.
	cyclePool = 64
)

// extent says how far to follow an excursion and how much to remember.
type extent struct {
	exactly int  // remember the endings of each case up to this one
	only    bool // and stop there; else go on until the rest cannot matter
	whole   bool // or go on as long as there is any chance left
}

// excursion follows a walk from start until it ends.
func (w walk) excursion(start float64, to extent) (cycle, error) {
	// Count the rarer kind: the window of its counts then moves slowly.
	common, rare, chanceRare := w.scores.NoEvent, w.scores.Event, w.p
	if w.p > 0.5 {
		common, rare, chanceRare = rare, common, 1-w.p
	}
	chanceCommon := 1 - chanceRare
	value := func(n, j int) float64 {
		return start + float64(float64(n-j)*common) + float64(float64(j)*rare)
	}
	// alive[j-low] is the chance to be inside with j rare cases so far.
	alive := append(make([]float64, 0, 64), 1)
	low, work := 0, 0
	var c cycle
	var alarms, returns pool
	for n := 1; ; n++ {
		alive = append(alive, 0)
		for i := len(alive) - 1; i > 0; i-- {
			alive[i] = float64(alive[i]*chanceCommon) + float64(alive[i-1]*chanceRare)
		}
		alive[0] = float64(alive[0] * chanceCommon)
		// The value is monotone in the count, so an excursion ends only at the two
		// ends of the window.
		alarm, back := 0.0, 0.0
		for len(alive) > 0 {
			s := value(n, low)
			if s > 0 && s < w.threshold {
				break
			}
			if s > 0 {
				alarm += alive[0]
			} else {
				back += alive[0]
			}
			alive = alive[1:]
			low++
		}
		for len(alive) > 0 {
			s := value(n, low+len(alive)-1)
			if s > 0 && s < w.threshold {
				break
			}
			if s > 0 {
				alarm += alive[len(alive)-1]
			} else {
				back += alive[len(alive)-1]
			}
			alive = alive[:len(alive)-1]
		}
		c.alarm += alarm
		c.mean += float64(float64(n) * (alarm + back))
		switch {
		case n <= to.exactly:
			c.alarms = remember(c.alarms, n, alarm)
			c.returns = remember(c.returns, n, back)
		case to.exactly > 0:
			c.alarms = alarms.add(c.alarms, n, alarm)
			c.returns = returns.add(c.returns, n, back)
		}
		if len(alive) == 0 || (to.only && n == to.exactly) {
			break
		}
		if work += len(alive) + 4; work > cycleWork {
			return cycle{}, tooLong(w.threshold)
		}
		if n%64 == 0 {
			left := 0.0
			for _, chance := range alive {
				left += chance
			}
			if left < 1e-290 || (!to.only && !to.whole && float64(left*float64(n+1)) < cycleTail*c.alarm) {
				break
			}
		}
	}
	c.alarms, c.returns = alarms.flush(c.alarms), returns.flush(c.returns)
	return c, nil
}

func remember(list []ending, n int, chance float64) []ending {
	if chance == 0 {
		return list
	}
	return append(list, ending{cases: float64(n), chance: chance})
}

// pool gathers the endings of neighbouring far cases into one.
type pool struct {
	first          int
	weight, chance float64
}

func (p *pool) add(list []ending, n int, chance float64) []ending {
	if chance == 0 {
		return list
	}
	if p.chance > 0 && n-p.first >= cyclePool {
		list = p.flush(list)
	}
	if p.chance == 0 {
		p.first = n
	}
	p.weight += float64(float64(n) * chance)
	p.chance += chance
	return list
}

func (p *pool) flush(list []ending) []ending {
	if p.chance > 0 {
		list = append(list, ending{cases: p.weight / p.chance, chance: p.chance})
	}
	*p = pool{}
	return list
}

func tooLong(threshold float64) error {
	return outside("threshold", threshold, "a threshold whose run length can be computed: lower it, or move the two rates apart")
}
