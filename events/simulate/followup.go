package simulate

import "lensledger/events"

// followup is how complete a department's follow-up is: shares of operations
// with an acuity in its window, and with a refraction (clinic rule). badAcuity,
// when set, is the share on record of eyes that see worse than 0.30 logMAR, while
// those that see well are missing more often: such a department looks bad only
// because follow-up is missing.
type followup struct {
	acuity, refraction float64
	badAcuity          float64
	plusCylinder       bool // how its opticians write a cylinder
}

// Visits (clinic rule: day 35, from 28 to 49, a tenth after day 90, 95 % seen
// after a rupture, 2 % corrected, 0.3 % under the wrong eye). Of the tenth, half
// come that late and half are only sent that late; that division, and the rest,
// is common practice, no source.
const (
	seenAfterRupture  = 0.95
	usualVisit        = 35
	visitFrom         = 28
	visitTo           = 49
	lateVisitShare    = 0.10
	lateFrom, lateTo  = 91, 118 // within both windows
	sentLateTo        = 150
	correctedShare    = 0.02
	wrongEyeShare     = 0.003
	secondEyes        = 0.41 // only a second eye has a fellow's case to be taken for
	keratometryShare  = 0.55 // of visits with a refraction
	earlyShare        = 0.11 // of operations, in the first week
	dischargedSeen    = 0.75
	dischargedUnseen  = 0.25
	lostDied          = 0.03 // of those not seen
	lostMoved         = 0.05
	earlyAutorefracts = 0.7
)

// seenChance gives the chances of an acuity on record for an eye that sees 0.30
// or better, for one that doesn't, and for this eye before it was known which.
func (c *course) seenChance() (good, bad, either float64) {
	f := c.d.followup
	switch {
	case c.op.abandoned:
		return 0, 0, 0
	case c.op.rupture:
		return seenAfterRupture, seenAfterRupture, seenAfterRupture
	case f.badAcuity == 0:
		return f.acuity, f.acuity, f.acuity
	}
	good = (f.acuity - float64((1-c.thirty)*f.badAcuity)) / c.thirty
	return good, f.badAcuity, f.acuity
}

// visit is one visit on its way to the record.
type visit struct {
	at      int64
	arrival int64 // 0: as usual
}

func (r *record) visit(v visit, t events.Type, data any) events.Event {
	s := r.add(v.at, t, data)
	s.arrival = max(s.arrival, v.arrival)
	return s.event
}

// follow writes the visit that counts, or nothing, and the end of follow-up.
func (c *course) follow(r *record) {
	d := c.stream("follow-up")
	good, bad, either := c.seenChance()
	p := good
	if !c.seesThirty() {
		p = bad
	}
	c.seen = d.chance(p)
	refracted := c.seen && c.op.lens != nil && !c.countsHands && d.chance(c.d.followup.refraction/c.d.followup.acuity)
	c.d.countVisit(c, good, bad, either, refracted)
	if !c.seen {
		c.lose(d, r)
		return
	}
	day := pick(d, visitDays)
	v := visit{}
	if d.chance(lateVisitShare) {
		if d.chance(0.5) {
			day = d.between(lateFrom, lateTo)
		} else {
			v.arrival = c.at(d, d.between(lateFrom, sentLateTo))
		}
	}
	v.at = c.at(d, day)
	acuity := &events.FollowupAcuity{Acuity: c.acuities(d, c.after, refracted)}
	var refraction *events.FollowupRefraction
	var keratometry *events.FollowupKeratometry
	var se int64
	if refracted {
		refraction = &events.FollowupRefraction{}
		cornea := c.cornea(d, 1)
		refraction.Refraction, se = c.refract(d, float64(c.predictedD)+c.predictionError(d, 1), cornea, "subjective")
		if d.chance(keratometryShare) {
			keratometry = &events.FollowupKeratometry{Keratometry: *cornea}
			c.d.countCornea(c, cornea)
		}
		c.d.countError(c, day, se)
	}
	write := func(v visit) {
		r.visit(v, events.TypeFollowupAcuity, acuity)
		if refraction != nil {
			r.visit(v, events.TypeFollowupRefraction, refraction)
		}
		if keratometry != nil {
			r.visit(v, events.TypeFollowupKeratometry, keratometry)
		}
	}
	from := len(r.sendings)
	switch {
	case c.wrongEye(d, r, &v, write):
	case d.chance(correctedShare):
		write(v)
		r.misread(d, from, v)
	default:
		write(v)
	}
	if d.chance(dischargedSeen) {
		r.visit(visit{v.at + int64(d.between(600, 5400)), v.arrival}, events.TypeFollowupClosed,
			&events.FollowupClosed{Reason: "discharged"})
	}
}

// visitDays: nearly all in weeks 5 to 7, with day 35 in the middle.
var visitDays = func() []option[int] {
	var out []option[int]
	for day := visitFrom; day <= visitTo; day++ {
		share := float64(day-visitFrom+1) / (usualVisit - visitFrom + 1)
		if day > usualVisit {
			share = float64(visitTo-day+1) / (visitTo - usualVisit + 1) * 0.55
		}
		out = append(out, option[int]{day, share})
	}
	return out
}()

// lose ends the follow-up of an eye that wasn't seen: some are sent home, some
// die or move away; most are just missing.
func (c *course) lose(d dice, r *record) {
	var reason events.CloseReason
	switch u := d.rand.Float64(); {
	case u < lostDied:
		reason = "died"
	case u < lostDied+lostMoved:
		reason = "moved"
	case u < lostDied+lostMoved+dischargedUnseen:
		reason = "discharged"
	default:
		return
	}
	r.add(c.at(d, d.between(20, 90)), events.TypeFollowupClosed, &events.FollowupClosed{Reason: reason})
}

// wrongEye sends the visit of a second eye under the case of the first one, and
// some days later takes it back and sends it to its own.
func (c *course) wrongEye(d dice, r *record, v *visit, write func(visit)) bool {
	fellow := c.d.firstCases[c.b.patient.patient]
	if c.b.order != "second" || fellow == "" || !d.chance(wrongEyeShare/secondEyes) {
		return false
	}
	c.d.tallied.WrongEye++
	own, from := r.subject, len(r.sendings)
	noticed := max(v.at, v.arrival) + int64(d.between(daySeconds, 40*daySeconds))
	r.subject = fellow
	write(*v)
	for _, s := range append([]sending{}, r.sendings[from:]...) {
		r.retract(noticed, s.event, "belongs to the other eye")
	}
	r.subject = own
	v.arrival = noticed + 60
	write(*v)
	return true
}

// misread sends one event of a visit wrong, and its amendment up to three weeks
// later. What stands at last is right.
func (r *record) misread(d dice, from int, v visit) {
	s := &r.sendings[d.between(from, len(r.sendings)-1)]
	target, right := s.event, s.event.Data
	switch data := right.(type) {
	case *events.FollowupAcuity:
		wrong := events.FollowupAcuity{Acuity: append([]events.Acuity{}, data.Acuity...)}
		for i := range wrong.Acuity {
			if a := &wrong.Acuity[i]; a.LogMARHundredths.Known {
				a.LogMARHundredths.Value = min(a.LogMARHundredths.Value+30, 170)
			}
		}
		s.event.Data = &wrong
	case *events.FollowupRefraction:
		wrong := *data
		if wrong.Refraction.SphereD == 0 {
			wrong.Refraction.SphereD = 100
		}
		wrong.Refraction.SphereD = -wrong.Refraction.SphereD
		s.event.Data = &wrong
	case *events.FollowupKeratometry:
		wrong := *data
		k := &wrong.Keratometry
		k.K1AxisDeg, k.K2AxisDeg = k.K2AxisDeg, k.K1AxisDeg
		s.event.Data = &wrong
	}
	r.d.tallied.FollowupAmended++
	r.replace(max(v.at, v.arrival)+int64(d.between(3600, 21*daySeconds)), target, right)
}
