package simulate

import "lensledger/events"

// acuityBand is how eyes see after the operation: shares with 0.00 logMAR or
// better, 0.30 or better, and worse than before by 0.30 or more.
type acuityBand struct{ zero, thirty, loss float64 }

// Day AC, Donachie PHJ, Sparrow JM, Johnston RL. Eye 2015;29:552-560: 50.8 and
// 94.6 % without, 32.5 and 79.9 % with co-pathology; loss 0.8 and 2.8 % and its
// odds ratio after a rupture as clinic rules give them.
var (
	plainEyes = acuityBand{0.508, 0.946, 0.008}
	otherEyes = acuityBand{0.325, 0.799, 0.028}
)

const (
	lossOddsAfterRupture = 5.74
	lossAfterInfection   = 0.60 // endophthalmitis; common practice, no source
)

// vision is what an eye truly sees, in hundredths of logMAR, whether or not it
// gets recorded.
type vision struct {
	before      int64
	beforeLow   bool // below the chart
	beforeKnown bool // on record
	after       int64
	countsHands bool // below the chart after the operation, too
	lost        bool

	zero, thirty, loss float64 // true chances of the three, this eye's acuity before given
}

// seesZero: 0.00 logMAR or better; seesThirty: 0.30 or better.
func (v *vision) seesZero() bool   { return v.after <= 0 && !v.countsHands }
func (v *vision) seesThirty() bool { return v.after <= 30 && !v.countsHands }

// drawVision draws the acuity after the operation. An eye that lost 0.30 or more
// is worse than 0.30; one that didn't stays under that loss, so an eye that saw
// very well before can't be bad without being a loss.
func (c *course) drawVision() {
	d := c.stream("vision")
	c.look(d)
	band := plainEyes
	if c.withCopathology() {
		band = otherEyes
	}
	loss := band.loss
	if c.op.rupture {
		odds := loss / (1 - loss) * lossOddsAfterRupture
		loss = odds / (1 + odds)
	}
	if c.endophthalmitis {
		loss = lossAfterInfection
	}
	if c.beforeLow {
		loss = 0
	}
	worst := c.before + 29 // without a loss
	zero := band.zero / (1 - band.loss)
	thirty := band.thirty / (1 - band.loss)
	if worst < 32 && !c.beforeLow {
		thirty = 1
	}
	c.loss, c.zero, c.thirty = loss, float64((1-loss)*zero), float64((1-loss)*thirty)
	if c.lost = d.chance(loss); c.lost {
		c.after = min(c.before+30+int64(d.between(1, 40)), 170)
		return
	}
	switch u := d.rand.Float64(); {
	case u < zero:
		c.after = pick(d, []option[int64]{{0, 0.62}, {-2, 0.08}, {-4, 0.07}, {-6, 0.06}, {-8, 0.05}, {-10, 0.10}, {-18, 0.02}})
	case u < thirty:
		c.after = min(int64(d.between(1, 15))*2, worst)
		if d.chance(0.5) { // whole lines are read more often than letters
			c.after = min(max(c.after/10*10, 10), worst)
		}
	default:
		c.after = 32 + int64(d.between(0, 14))*2
		if d.chance(0.3) {
			c.after += int64(d.between(0, 40))
		}
		if !c.beforeLow {
			c.after = min(c.after, worst)
		}
		c.countsHands = c.beforeLow && d.chance(0.15)
	}
}

// look reads the acuity before from the assessment; one that wasn't recorded is
// drawn as the others are.
func (c *course) look(d dice) {
	best := int64(1 << 30)
	for _, a := range c.b.assessed.Acuity {
		c.beforeKnown = true
		if a.LowVision != "" {
			c.beforeLow = true
		} else {
			best = min(best, a.LogMARHundredths.Value)
		}
	}
	switch {
	case c.beforeLow:
		c.before = 170
	case c.beforeKnown:
		c.before = best
	default:
		median := 50.0
		if c.b.order == "second" {
			median = 40
		}
		c.before = min(max(int64(d.around(median, 22)), 0), 130)
		c.beforeLow = c.op.eye.white
	}
}

// acuities are the readings of one visit at which the eye sees this well at
// best. Corrected where it was refracted, else through a pinhole; unaided it
// sees as well in half of eyes (about what Day et al. 2015 found: unaided 0.00
// or better in 27.3 %, 0.30 or better in 80.9 % without co-pathology).
func (c *course) acuities(d dice, best int64, refracted bool) []events.Acuity {
	if c.countsHands {
		return []events.Acuity{{Correction: "corrected", LowVision: "counting-fingers", Convention: events.ConventionB}}
	}
	how := events.Correction("pinhole")
	if refracted {
		how = "corrected"
	}
	unaided := best
	if !d.chance(0.53) {
		unaided = min(best+int64(d.between(1, 17))*2, 170)
	}
	return []events.Acuity{
		{Correction: "unaided", LogMARHundredths: events.Some(unaided), Chart: "logMAR letters"},
		{Correction: how, LogMARHundredths: events.Some(best), Chart: "logMAR letters"},
	}
}
