package simulate

import "lensledger/events"

// assess writes down an eye, leaving facts out now and then.
func (d *department) assess(e *eye, order events.EyeOrder) *events.PreopAssessed {
	fact := func(b bool) events.Fact {
		if d.chance(missingFact) {
			return events.Unknown
		}
		return events.FactOf(b)
	}
	p := &events.PreopAssessed{
		Sex:                       events.SexMale,
		WhiteCataract:             fact(e.white),
		BrunescentCataract:        fact(e.brunescent),
		Glaucoma:                  fact(e.glaucoma),
		DiabeticRetinopathy:       fact(e.retinopathy),
		NoFundalView:              fact(e.noView),
		VitreousOpacities:         fact(e.opacities),
		Pseudoexfoliation:         fact(e.exfoliation),
		Phacodonesis:              fact(e.phacodonesis),
		Pupil:                     e.pupil,
		AlphaBlocker:              e.alpha,
		CanLieFlat:                fact(!e.cannotLieFlat),
		PreviousVitrectomy:        fact(d.chance(0.012)), // common practice, no source
		PreviousRefractiveSurgery: fact(d.chance(0.015)), // common practice, no source
		OcularCopathology:         e.copathology(),
	}
	if e.female {
		p.Sex = events.SexFemale
	}
	if !d.chance(missingFact) {
		p.AgeYears = events.Some(int64(e.age))
	}
	if d.chance(missingFact) {
		p.Sex = ""
	}
	if d.chance(missingFact) {
		p.Pupil = ""
	}
	if d.chance(missingFact) {
		p.AlphaBlocker = ""
	}
	if !d.chance(missingFact) {
		p.AxialLengthUM = events.Some(e.axialUM)
		p.ACDUM = events.Some(min(max(int64(d.around(3100, 330)), 1900), 4400)) // common practice, no source
	}
	d.measureVision(p, e, order)
	return p
}

// measureVision adds acuity (clinic rule: median 0.50 in first, 0.40 in second
// eyes), refraction, keratometry and grade (common practice, no source).
func (d *department) measureVision(p *events.PreopAssessed, e *eye, order events.EyeOrder) {
	if !d.chance(acuityMissing) {
		switch {
		case e.white:
			p.Acuity = []events.Acuity{{Correction: "corrected", LowVision: "hand-movements",
				Convention: events.ConventionB}}
		default:
			median := 50.0
			if order == "second" {
				median = 40
			}
			corrected := min(max(int64(d.around(median, 22)), 0), 130)
			unaided := min(corrected+int64(d.between(0, 40)), 160)
			p.Acuity = []events.Acuity{
				{Correction: "unaided", LogMARHundredths: events.Some(unaided), Chart: "logMAR letters"},
				{Correction: "corrected", LogMARHundredths: events.Some(corrected), Chart: "logMAR letters"},
			}
		}
	}
	k1 := 4350 + events.Hundredths(d.normal()*130)
	k2 := k1 + events.Hundredths(d.between(0, 120)+d.between(0, 60))
	axis := int64(d.between(0, 179))
	p.Keratometry = &events.Keratometry{K1D: k1, K1AxisDeg: events.Some(axis),
		K2D: k2, K2AxisDeg: events.Some((axis + 90) % 180)}
	if !e.white && !d.chance(0.05) {
		sphere := events.Hundredths((23500-e.axialUM)/10) + events.Hundredths(d.normal()*100)
		p.Refraction = &events.Refraction{SphereD: min(max(sphere/25*25, -2500), 800),
			CylinderD: events.Some(-((k2 - k1) / 25 * 25)), AxisDeg: events.Some(axis), Method: "subjective"}
	}
	grade := events.Hundredths(d.between(10, 35) * 10)
	if e.brunescent || e.white {
		grade = events.Hundredths(d.between(50, 60) * 10)
	}
	p.CataractGrade = &events.CataractGrade{Scale: "demo nuclear colour, 0 to 6", Value: grade}
}

// The invented implants.
var lensModels = []option[events.Text]{{"DEMO-CLEAR-60", 0.62}, {"DEMO-AMBER-60", 0.30}, {"DEMO-TORIC-60", 0.08}}

// implant chooses the lens: power by axial length (a rule of thumb, common
// practice, no source), in the bag unless the capsule ruptured.
func (d *department) implant(op *operation) *events.LensImplanted {
	power := 2150 - 27*(op.eye.axialUM-23500)/100 + int64(d.normal()*60)
	lens := &events.LensImplanted{
		LensModel: pick(d.dice, lensModels), OpticUM: events.Some[int64](6000), Site: "bag", RhexisOverlap: "complete",
		PowerD: events.Some(events.Hundredths(min(max(power, -1000), 3500) / 50 * 50)),
	}
	lens.DeviceIdentifier = "INVENTED-" + lens.LensModel
	if lens.LensModel == "DEMO-TORIC-60" {
		lens.CylinderD = events.Some(events.Hundredths(150 + 75*d.between(0, 3)))
		lens.AxisDeg = events.Some(int64(d.between(0, 179)))
	}
	if d.chance(0.12) { // common practice, no source
		lens.RhexisOverlap = "partial"
	}
	if op.rupture { // common practice, no source
		lens.Site = pick(d.dice, []option[events.Site]{{"sulcus", 0.6}, {"optic-capture", 0.15}, {"anterior-chamber", 0.05}, {"bag", 0.2}})
	}
	return lens
}
