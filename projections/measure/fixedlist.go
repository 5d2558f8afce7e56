package measure

import (
	"math"
	"strconv"
)

// FixedList gives the chance that a detection chart alarms at or before each
// case of a given list of risks, from case 0 to the last, when the true odds of
// every case are trueOddsRatio times those of its risk.
//
// Source: the Markov chain of Brook D, Evans DA. Biometrika 1972;59:539-549
// (from memory) on values that drift: see drift.
func FixedList(risks []float64, oddsRatio, threshold, trueOddsRatio float64) ([]float64, error) {
	if len(risks) == 0 {
		return nil, ErrNoCases
	}
	if len(risks) > maxWithin {
		return nil, outsideCount("number of risks", len(risks), "1 to 10000")
	}
	if !(trueOddsRatio >= 1e-3 && trueOddsRatio <= 1e3) {
		return nil, outside("true odds ratio", trueOddsRatio, "0.001 to 1000")
	}
	if !(threshold > 0 && threshold <= 20) {
		return nil, outside("threshold", threshold, "more than 0 and at most 20")
	}
	if _, err := LLR(0.5, oddsRatio); err != nil {
		return nil, err
	}
	for i, p := range risks {
		if err := checkProbability("risk of case "+strconv.Itoa(i+1), p); err != nil {
			return nil, err
		}
	}
	return fixedList(risks, MixChart{OddsRatio: oddsRatio, Threshold: threshold}, trueOddsRatio, driftNodes), nil
}

// fixedList takes a chart's odds ratio, threshold, head start and kind. A
// competence chart is one that watches the risen risks for the inverse odds
// ratio.
func fixedList(risks []float64, chart MixChart, trueOddsRatio float64, nodes float64) []float64 {
	oddsRatio := chart.OddsRatio
	if chart.Competence {
		oddsRatio = 1 / oddsRatio
	}
	d := newDrift(math.Log(oddsRatio), chart.Threshold, chart.HeadStart, nodes)
	by := make([]float64, len(risks)+1)
	for i, p := range risks {
		at := p
		if chart.Competence {
			at = risen(p, chart.OddsRatio)
		}
		base := math.Log(1 - at + float64(oddsRatio*at))
		by[i+1] = math.Min(1, by[i]+d.step(-base, risen(p, trueOddsRatio)))
	}
	return by
}

// drift holds the chances of a chart's values when every case has its own
// scores. A case without event moves all values by the same amount, so the nodes
// move with it and nothing is rounded; an event adds log(oddsRatio), a whole
// number of nodes. Only a value that leaves 0 has to be shared between two
// nodes, once in each excursion.
type drift struct {
	threshold float64
	width     float64
	event     int     // nodes that an event adds
	offset    float64 // value of node 0, more than 0 and at most width
	zero      float64 // chance of standing at 0
	now, next []float64
}

// driftNodes is how many nodes an event moves a value, at least.
const driftNodes = 1600

func newDrift(logOddsRatio, threshold, headStart, least float64) *drift {
	nodes := math.Max(least, math.Ceil(float64(least*math.Abs(logOddsRatio)/threshold)))
	width := math.Abs(logOddsRatio) / nodes
	// A tiny odds ratio would ask for millions of nodes; it moves by fewer.
	for nodes > 1 && threshold/width > 20_000 {
		nodes = math.Max(1, math.Floor(nodes/2))
		width = math.Abs(logOddsRatio) / nodes
	}
	size := int(math.Min(threshold/width, 200_000)) + 2
	d := &drift{threshold: threshold, width: width, event: int(math.Copysign(nodes, logOddsRatio)), offset: width, zero: 1,
		now: make([]float64, size), next: make([]float64, size)}
	if headStart > 0 {
		// The nodes begin where one of them is the head start.
		i := int(math.Ceil(headStart/width)) - 1
		d.offset, d.zero, d.now[i] = headStart-float64(float64(i)*width), 0, 1
	}
	return d
}

// step moves by one case with the given score of no event and chance of an
// event, and gives the chance of an alarm at it.
func (d *drift) step(noEvent, p float64) (alarm float64) {
	moved := d.offset + noEvent
	shift := int(math.Ceil(moved/d.width)) - 1
	d.offset = moved - float64(float64(shift)*d.width)
	clear(d.next)
	fromZero := d.zero
	d.zero = 0
	// The first node at or above the threshold, found by value: whether a case
	// alarms is never decided by a rounded count.
	over := min(max(int((d.threshold-d.offset)/d.width), 0), len(d.next))
	for over > 0 && d.value(over-1) >= d.threshold {
		over--
	}
	for over < len(d.next) && d.value(over) < d.threshold {
		over++
	}
	alarm += d.move(shift, 1-p, over) + d.move(shift+d.event, p, over)
	put := func(i int, chance float64) {
		switch {
		case i < 0:
			d.zero += chance
		case i >= over:
			alarm += chance
		default:
			d.next[i] += chance
		}
	}
	leave := func(value, chance float64) {
		switch {
		case value <= 0:
			d.zero += chance
			return
		case value >= d.threshold:
			alarm += chance
			return
		}
		at := (value - d.offset) / d.width
		below := int(math.Floor(at))
		share := at - float64(below)
		if below < 0 { // between 0 and node 0
			share = value / d.offset
		}
		if below+1 >= over {
			share = 0 // the value itself does not alarm
		}
		put(below, float64(chance*(1-share)))
		put(below+1, float64(chance*share))
	}
	leave(noEvent, float64(fromZero*(1-p)))
	leave(noEvent+float64(float64(d.event)*d.width), float64(fromZero*p))
	d.now, d.next = d.next, d.now
	return alarm
}

// move moves all nodes by so many, each with the chance p. What falls to 0 and
// what reaches node over, an alarm, leaves them.
func (d *drift) move(by int, p float64, over int) (alarm float64) {
	first := min(max(-by, 0), len(d.now))
	last := min(max(over-by, first), len(d.now))
	d.zero += float64(p * total(d.now[:first]))
	if last > first {
		from := d.now[first:last]
		into := d.next[first+by:][:len(from)]
		for i, chance := range from {
			into[i] += float64(chance * p)
		}
	}
	return float64(p * total(d.now[last:]))
}

func (d *drift) value(i int) float64 { return d.offset + float64(float64(i)*d.width) }
