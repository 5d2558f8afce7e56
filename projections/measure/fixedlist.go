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
	d := newDrift(math.Log(oddsRatio), threshold)
	by := make([]float64, len(risks)+1)
	for i, p := range risks {
		if err := checkProbability("risk of case "+strconv.Itoa(i+1), p); err != nil {
			return nil, err
		}
		base := math.Log(1 - p + float64(oddsRatio*p))
		by[i+1] = math.Min(1, by[i]+d.step(-base, risen(p, trueOddsRatio)))
	}
	return by, nil
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

func newDrift(logOddsRatio, threshold float64) *drift {
	nodes := math.Max(driftNodes, math.Ceil(float64(driftNodes*math.Abs(logOddsRatio)/threshold)))
	width := math.Abs(logOddsRatio) / nodes
	// A tiny odds ratio would ask for millions of nodes; it moves by fewer.
	for nodes > 1 && threshold/width > 20_000 {
		nodes = math.Max(1, math.Floor(nodes/2))
		width = math.Abs(logOddsRatio) / nodes
	}
	size := int(math.Min(threshold/width, 200_000)) + 2
	return &drift{threshold: threshold, width: width, event: int(math.Copysign(nodes, logOddsRatio)), offset: width, zero: 1,
		now: make([]float64, size), next: make([]float64, size)}
}

// step moves by one case with the given score of no event and chance of an
// event, and gives the chance of an alarm at it.
func (d *drift) step(noEvent, p float64) (alarm float64) {
	moved := d.offset + noEvent
	shift := int(math.Ceil(moved/d.width)) - 1
	d.offset = moved - float64(float64(shift)*d.width)
	for i := range d.next {
		d.next[i] = 0
	}
	fromZero := d.zero
	d.zero = 0
	put := func(i int, chance float64) {
		switch {
		case i < 0:
			d.zero += chance
		case d.value(i) >= d.threshold:
			alarm += chance
		default:
			d.next[i] += chance
		}
	}
	for i, chance := range d.now {
		if chance == 0 {
			continue
		}
		put(i+shift, float64(chance*(1-p)))
		put(i+shift+d.event, float64(chance*p))
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
		if d.value(below+1) >= d.threshold {
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

func (d *drift) value(i int) float64 { return d.offset + float64(float64(i)*d.width) }
