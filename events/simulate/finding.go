package simulate

import "lensledger/events"

// afterEffect is a finding after the operation: how often, and on which days.
type afterEffect struct {
	kind     events.FindingKind
	rate     float64
	from, to int
}

// afterEffects: rates are clinic rules; the days are common practice, no source.
// They are on record whether or not the eye was seen at the visit that counts:
// who has trouble comes.
var afterEffects = []afterEffect{
	{events.FindingUnplannedAttendance, 0.03, 1, 14},
	{events.FindingRaisedPressure, 0.025, 1, 21},
	{events.FindingCornealOedema, 0.01, 26, 34},
	{events.FindingCystoidMacularOedema, 0.013, 25, 60},
	{events.FindingDetachment, 0.0025, 10, 90},
	{events.FindingReturnToTheatre, 0.006, 1, 60},
}

// detachmentAfterRupture: Day AC et al. Eye 2015;29:552-560, surgery for a
// detachment 42 times as often after a rupture.
const detachmentAfterRupture = 42

// endophthalmitisAt are the operations of a department, by their number, that
// are followed by an endophthalmitis (clinic rule: 2 or 3 in all). The two of the
// first lie within 30 days, so that the notice on two of them shows.
func (p *plan) endophthalmitisAt() []int {
	switch p.share {
	case plans[0].share:
		return []int{1500, 1570}
	case plans[1].share:
		return []int{900}
	}
	return nil
}

func (d *department) endophthalmitisDue(op *operation) bool {
	due := d.plan.endophthalmitisAt()
	if op.abandoned || d.endophthal == len(due) || d.truth.All.Operations < due[d.endophthal] {
		return false
	}
	d.endophthal++
	return true
}

// find draws the findings after the operation. A dropped nucleus goes back to
// theatre.
func (c *course) find(r *record) {
	d := c.stream("findings")
	for _, e := range afterEffects {
		rate := e.rate
		if e.kind == events.FindingDetachment && c.op.rupture {
			rate *= detachmentAfterRupture
		}
		day := d.between(e.from, e.to)
		if e.kind == events.FindingReturnToTheatre && c.op.dropped {
			rate, day = 1, d.between(2, 10)
		}
		present := d.chance(rate)
		c.countFinding(e.kind, rate, present)
		if !present {
			continue
		}
		data := &events.FollowupFinding{Kind: e.kind}
		if e.kind == events.FindingRaisedPressure {
			data.PressureMMHg = events.Some(int64(d.between(26, 45)))
		}
		if e.kind == events.FindingReturnToTheatre {
			c.returned = day
		}
		r.add(c.at(d, day), events.TypeFollowupFinding, data)
	}
	if c.endophthalmitis {
		data := &events.FollowupFinding{Kind: events.FindingEndophthalmitis, Certainty: events.CertaintyPresumed}
		if d.chance(0.5) {
			data.Certainty = events.CertaintyCultureProven
		}
		c.countFinding(data.Kind, 1, true)
		r.add(c.at(d, d.between(3, 12)), events.TypeFollowupFinding, data)
	}
}

// earlyOedema is the share of visits in the first week with a swollen cornea,
// which is healing (common practice, no source); a beginner's last longer under
// the tip and swell more often.
const (
	earlyOedema         = 0.10
	earlyOedemaBeginner = 0.25
)

// visitEarly writes a visit in the first week: acuity not yet settled, and
// refraction and cornea that scatter twice as wide.
func (c *course) visitEarly(r *record) {
	d := c.stream("early")
	if c.op.lens == nil || !d.chance(earlyShare) {
		return
	}
	at := c.at(d, d.between(1, 7))
	if !c.countsHands {
		r.add(at, events.TypeFollowupAcuity, &events.FollowupAcuity{
			Acuity: c.acuities(d, min(c.after+int64(d.between(2, 20))*2, 160), false)})
	}
	cornea := c.cornea(d, earlyFactor)
	method := events.RefractionMethod("subjective")
	if d.chance(earlyAutorefracts) {
		method = "autorefraction"
	}
	refraction, _ := c.refract(d, float64(c.predictedD)+c.predictionError(d, earlyFactor), cornea, method)
	r.add(at+300, events.TypeFollowupRefraction, &events.FollowupRefraction{Refraction: refraction})
	r.add(at+400, events.TypeFollowupKeratometry, &events.FollowupKeratometry{Keratometry: *cornea})
	oedema := earlyOedema
	if t := c.op.trainee; t != nil && t.whole < beginnerBelow {
		oedema = earlyOedemaBeginner
	}
	if d.chance(oedema) {
		r.add(at+500, events.TypeFollowupFinding, &events.FollowupFinding{Kind: events.FindingCornealOedema})
	}
}
