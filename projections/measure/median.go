package measure

import "math"

// median is the first case by which half of all charts have alarmed. by holds
// the exact chances of the first cases.
//
// Far out the chance of no alarm falls like factor * exp(-rate * n), with rate
// the root of "the returns, each weighted by exp(rate * cases), sum to 1": the
// dominant pole of the renewal equation. It is used once every other pole has
// died away; before that the exact chances are counted.
func (w walk) median(start float64, first, again cycle, by []float64) (float64, error) {
	rate, factor := tail(first, again)
	n := math.Ceil(math.Log(2*factor) / rate)
	settling := w.settling()
	for {
		if n, found := firstHalf(by); found {
			return n, nil
		}
		last := float64(len(by) - 1)
		off := math.Abs(1 - by[len(by)-1] - float64(factor*math.Exp(float64(-rate*last))))
		// The settling rate is rough, so only seven tenths of it are relied on.
		off *= math.Exp(float64(-0.7 * float64(settling*(n-last))))
		if finite(n) && off < float64(0.005*rate) {
			return n, nil
		}
		limit := 3 * len(by)
		returns := 0
		for _, e := range again.returns {
			if e.cases < float64(len(by)) {
				returns++
			}
		}
		if float64(3*returns)*float64(limit) > medianWork {
			return 0, tooLong(w.threshold)
		}
		var err error
		if by, err = w.alarms(start, limit); err != nil {
			return 0, err
		}
	}
}

// medianWork bounds the renewals counted for a median: about a fifth of a second.
const medianWork = 100_000_000

func firstHalf(by []float64) (float64, bool) {
	for n, chance := range by {
		if chance >= 0.5 {
			return float64(n), true
		}
	}
	return 0, false
}

// settling is, roughly, the rate per case at which a chart forgets how it
// began: that of a diffusion with the same mean and variance between 0 and the
// threshold.
func (w walk) settling() float64 {
	e, n := w.scores.Event, w.scores.NoEvent
	mean := float64(w.p*e) + float64((1-w.p)*n)
	variance := float64(float64(w.p*(1-w.p)) * float64((e-n)*(e-n)))
	return float64(math.Pi*math.Pi*variance)/float64(2*w.threshold*w.threshold) + float64(mean*mean)/float64(2*variance)
}

// tail finds rate and factor of the chance of no alarm far out.
func tail(first, again cycle) (rate, factor float64) {
	// The logarithm of the sum is convex in the rate and nearly a straight line
	// far out, so Newton's steps from above come down to the root in a few steps
	// without passing it.
	slope := 0.0
	for _, e := range again.returns {
		slope += float64(e.cases * e.chance)
	}
	rate = again.alarm / slope
	for range 200 {
		excess, slope := -again.alarm, 0.0
		for _, e := range again.returns {
			x := float64(rate * e.cases)
			excess += float64(e.chance * math.Expm1(x))
			slope += float64(float64(e.cases*e.chance) * math.Exp(x))
		}
		if math.IsInf(excess, 1) {
			rate /= 2
			continue
		}
		step := float64(math.Log1p(excess) * ((1 + excess) / slope))
		rate -= step
		if math.Abs(step) <= 1e-15*rate {
			break
		}
	}
	alarms, back, weight := 0.0, 0.0, 0.0
	for _, e := range again.alarms {
		alarms += float64(e.chance * math.Exp(float64(rate*e.cases)))
	}
	for _, e := range again.returns {
		weight += float64(float64(e.cases*e.chance) * math.Exp(float64(rate*e.cases)))
	}
	factor = alarms / (weight * math.Expm1(rate))
	if first.mean != again.mean || first.alarm != again.alarm {
		for _, e := range first.returns {
			back += float64(e.chance * math.Exp(float64(rate*e.cases)))
		}
		factor *= back
	}
	return rate, factor
}
