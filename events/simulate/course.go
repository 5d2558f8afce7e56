package simulate

import "lensledger/events"

// course is the way of one operated eye beside the operation itself: the
// calculation of the implant, details of theatre, teaching, and what follows.
// Each part draws from a stream of its own, keyed by the case code, so that no
// part moves another, and none of them moves the operations.
type course struct {
	d        *department
	op       *operation
	b        *booking
	code     string // of the case under which the operation was written
	midnight int64  // of the operation's day, Unix seconds
	end      int64
	seen     bool // at the visit that counts

	plan       *events.LensPlanned
	matched    bool              // the implant is one of the candidates
	predictedD events.Hundredths // for the implant, in the plan or not

	vision
	endophthalmitis bool
	returned        int // day of the return to theatre, 0 for none
}

func (d *department) newCourse(op *operation, b *booking, code string, midnight, end int64) *course {
	c := &course{d: d, op: op, b: b, code: code, midnight: midnight, end: end}
	c.endophthalmitis = d.endophthalmitisDue(op)
	return c
}

func (c *course) stream(purpose string) dice { return keyed(c.d.seed, c.code, purpose) }

// run writes all but the calculation. late is by how much the theatre's events
// come late, in seconds.
func (c *course) run(r *record, late int64) {
	from := len(r.sendings)
	c.detail(r)
	c.teach(r)
	for i := from; i < len(r.sendings); i++ {
		r.sendings[i].arrival += late
	}
	c.review(r)
	if !c.op.abandoned {
		c.drawVision()
		c.find(r)
		c.visitEarly(r)
	}
	c.follow(r)
	r.resend()
}

func (c *course) withCopathology() bool { return len(c.op.eye.copathology()) > 0 }

// at is a time in the clinic's hours on a day after the operation.
func (c *course) at(d dice, day int) int64 {
	return c.midnight + int64(day)*daySeconds + int64(d.between(9*3600, 16*3600))
}

// Common practice, no source, except where a line says otherwise.
const (
	nothingPlanned = 0.015 // no calculation on record
	unmatched      = 0.03  // the implant isn't among the candidates (clinic rule: now and then)
)

// targets: common practice, no source.
var targets = []option[events.Hundredths]{{0, 0.30}, {-10, 0.20}, {-25, 0.30}, {-50, 0.17}, {-250, 0.03}}

// powerStep is what half a dioptre more of implant does to the refraction, in
// hundredths (a rule of thumb, common practice, no source).
const powerStep = -35

// planLens writes the calculation: four powers of one model about the one that
// was implanted, each with its prediction.
func (c *course) planLens(r *record) {
	d := c.stream("lens")
	target := pick(d, targets)
	c.predictedD = target + events.Hundredths(min(max(d.around(0, 12), -35), 35))
	c.matched = !d.chance(unmatched)
	if d.chance(nothingPlanned) {
		c.matched = false
		return
	}
	lens := c.op.lens
	if lens == nil { // abandoned before: planned all the same
		lens = &events.LensImplanted{LensModel: lensModels[0].value, PowerD: events.Some[events.Hundredths](2150)}
	}
	model, cylinder, axis := lens.LensModel, lens.CylinderD, lens.AxisDeg
	if !c.matched { // another model was planned
		cylinder, axis = events.Opt[events.Hundredths]{}, events.Opt[int64]{}
		if model = lensModels[0].value; lens.LensModel == model {
			model = lensModels[1].value
		}
	}
	machine := "1"
	if c.d.followup.plusCylinder {
		machine = "2"
	}
	c.plan = &events.LensPlanned{Formula: events.Text("DEMO-FORMULA-" + machine), Biometer: events.Text("DEMO-BIOMETER-" + machine),
		Constant: events.Some[events.Millionths](118_900_000), TargetRefractionD: events.Some(target)}
	for step := -1; step <= 2; step++ {
		c.plan.Candidates = append(c.plan.Candidates, events.LensCandidate{LensModel: model,
			PowerD: lens.PowerD.Value + events.Hundredths(50*step), CylinderD: cylinder, AxisDeg: axis,
			PredictedRefractionD: events.Some(c.predictedD + events.Hundredths(powerStep*step))})
	}
	r.add(c.b.assessedAt+int64(d.between(600, 6*3600)), events.TypeLensPlanned, c.plan)
}
