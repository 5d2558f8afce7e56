package simulate

import "lensledger/events"

// Shares of operations with each detail on record, and sizes (common practice,
// no source, except where a line says otherwise).
const (
	incisionRecorded = 0.97
	sidePortRecorded = 0.50
	rhexisMeasured   = 0.55
	pupilMeasured    = 0.30 // of small pupils
	machineRecorded  = 0.95
	antibioticGiven  = 0.97
	otherAntibiotic  = 0.03
	wideCut          = 2400 // micrometres (clinic rule: temporal 2.4 mm)
	ultrasoundMedian = 38   // seconds
	ultrasoundLogSD  = 0.45
)

// run gives the operation's run of a step, nil when it wasn't done.
func (op *operation) run(step events.Step) *stepRun {
	for i := range op.runs {
		if op.runs[i].step == step {
			return &op.runs[i]
		}
	}
	return nil
}

// detail writes incisions, adjuncts, measurements, the machine's reading and the
// antibiotic.
func (c *course) detail(r *record) {
	d := c.stream("theatre")
	op := c.op
	c.incise(d, r)
	c.measureRhexis(d, r)
	if op.eye.pupil == events.PupilSmall && d.chance(pupilMeasured) {
		r.add(op.runs[0].from-30, events.TypeMeasurementTaken, &events.MeasurementTaken{
			What: events.MeasurementPupil, ValueUM: int64(d.between(330, 520)) * 10})
	}
	c.useAdjuncts(d, r)
	if op.run(events.StepSegmentRemoval) != nil && d.chance(machineRecorded) {
		r.add(c.end-20, events.TypeMachineRead, c.readMachine(d))
	}
	if !op.abandoned && d.chance(antibioticGiven) {
		drug := &events.DrugGiven{Drug: "cefuroxime", Route: "intracameral", DoseUG: events.Some[int64](1000)}
		if d.chance(otherAntibiotic) {
			drug.Drug, drug.DoseUG = "moxifloxacin", events.Some[int64](500)
		}
		r.add(c.end-10, events.TypeDrugGiven, drug)
	}
}

// temporal turns a meridian of a right eye to the same place in the other.
func (c *course) temporal(rightEye int64) int64 {
	if c.b.patient.side == events.EyeLeft {
		return (360 - rightEye) % 180
	}
	return rightEye % 180
}

func (c *course) incise(d dice, r *record) {
	main := int64(180 + d.around(0, 7))
	width := wideCut + int64(d.around(0, 90))/10*10
	if run := c.op.run(events.StepMainIncision); d.chance(incisionRecorded) {
		r.add(run.until-3, events.TypeIncisionMade, &events.IncisionMade{Kind: events.IncisionMain,
			WidthUM: events.Some(width), MeridianDeg: events.Some(c.temporal(main))})
	}
	if d.chance(sidePortRecorded) {
		r.add(c.op.runs[0].from-20, events.TypeIncisionMade, &events.IncisionMade{Kind: events.IncisionSidePort,
			WidthUM:     events.Some(1000 + int64(d.around(0, 80))/10*10),
			MeridianDeg: events.Some(c.temporal(main + int64(d.between(65, 85))))})
	}
}

// measureRhexis: complete overlap goes with a diameter under that of the optic,
// partial overlap with a wide or a decentred one; a trainee's scatters more.
func (c *course) measureRhexis(d dice, r *record) {
	run := c.op.run(events.StepCapsulorhexis)
	if run == nil || c.op.lens == nil || !d.chance(rhexisMeasured) {
		return
	}
	scatter := 180.0
	if !run.by.consultant {
		scatter = 260
	}
	least := int64(min(max(d.around(4950, scatter), 4000), 5450)) / 10 * 10
	greatest := min(least+int64(d.between(5, 40))*10, 5700)
	if c.op.lens.RhexisOverlap == "partial" {
		greatest = int64(d.between(565, 640)) * 10
		least = greatest - int64(d.between(10, 110))*10
	}
	r.add(run.until+5, events.TypeMeasurementTaken,
		&events.MeasurementTaken{What: events.MeasurementRhexisLeast, ValueUM: least})
	r.add(run.until+8, events.TypeMeasurementTaken,
		&events.MeasurementTaken{What: events.MeasurementRhexisGreatest, ValueUM: greatest})
}

// useAdjuncts (shares: common practice, no source).
func (c *course) useAdjuncts(d dice, r *record) {
	op := c.op
	use := func(run *stepRun, kind events.AdjunctKind, planned bool, count int64) {
		r.add(run.from+2, events.TypeAdjunctUsed, &events.AdjunctUsed{Kind: kind, Planned: events.FactOf(planned),
			Count: events.Some(count), Step: run.step})
	}
	if run := op.run("capsule-dye"); run != nil {
		use(run, "capsule-dye", true, 1)
	}
	if run := op.run("pupil-management"); run != nil {
		if d.chance(0.5) {
			use(run, "iris-hooks", d.chance(0.8), int64(d.between(4, 5)))
		} else {
			use(run, "pupil-ring", d.chance(0.8), 1)
		}
	}
	if run := op.run("anterior-vitrectomy"); run != nil && d.chance(0.4) {
		use(run, "vitreous-stain", false, 1)
	}
	if run := op.run(events.StepLensInsertion); run != nil && (op.eye.exfoliation || op.eye.phacodonesis) && d.chance(0.3) {
		use(run, "capsular-tension-ring", d.chance(0.6), 1)
	}
	suture := 0.004
	switch {
	case op.rupture:
		suture = 0.35
	case op.trainee != nil:
		suture = 0.03
	}
	if run := op.run("wound-check"); run != nil && d.chance(suture) {
		use(run, "suture", false, 1)
	}
}

// readMachine: more ultrasound for a dense nucleus and in a beginner's hands.
// Each department has a machine with an energy index of its own.
func (c *course) readMachine(d dice) *events.MachineRead {
	factor := d.spread(ultrasoundLogSD)
	if c.op.eye.brunescent || c.op.eye.white {
		factor *= 2
	}
	if t := c.op.trainee; t != nil && t.whole < beginnerBelow {
		factor *= 1.4
	}
	factor = min(factor, 12)
	index := 900.0 // hundredths
	if c.d.share == plans[1].share {
		index = 1400
	}
	return &events.MachineRead{Machine: events.Text("DEMO-PHACO-" + c.d.prefix),
		UltrasoundTimeMS: events.Some(int64(float64(ultrasoundMedian*1000*factor)) / 100 * 100),
		EnergyIndex:      events.Some(events.Hundredths(index*factor*d.spread(0.15)) / 10 * 10),
		FluidML:          events.Some(int64(min(max(d.around(52, 10)+float64(22*factor), 20), 600)))}
}
