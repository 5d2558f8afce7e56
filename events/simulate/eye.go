package simulate

import "lensledger/events"

// Prevalences of the findings before the operation (clinic rule, except where a
// line says otherwise).
const (
	meanAge, ageSD = 76, 9
	women          = 0.57
	glaucoma       = 0.09
	retinopathy    = 0.05
	macular        = 0.11
	white          = 0.015 // white or brunescent together 3.5 %; the division has no source
	brunescent     = 0.020
	noView         = 0.010 // no view 1.5 % with opacities; the division has no source
	opacities      = 0.005
	exfoliation    = 0.011 // with phacodonesis 1.3 %; the division has no source
	phacodonesis   = 0.002
	longEye        = 0.05 // 26 mm or more
	cannotLieFlat  = 0.015

	// missingFact is the share of each fact that was not recorded (clinic rule 1
	// to 2 %), acuityMissing that of acuity (clinic rule: recorded in 93 %).
	missingFact   = 0.015
	acuityMissing = 0.07
)

// pupils: clinic rule.
var pupils = []option[events.Pupil]{{events.PupilLarge, 0.76}, {events.PupilMedium, 0.04}, {events.PupilSmall, 0.20}}

// alphaBlockers: doxazosin is a clinic rule, the others common practice, no source.
var alphaBlockers = []option[events.AlphaBlocker]{{"none", 0.90}, {events.AlphaDoxazosin, 0.025}, {"tamsulosin", 0.06}, {"other", 0.015}}

// otherCopathology fills co-pathology up to 37 % of eyes (clinic rule for the
// sum; the division is common practice, no source).
var otherCopathology = []option[events.Copathology]{
	{"corneal-opacity", 0.030}, {"amblyopia", 0.025}, {"uveitis", 0.013}, {"retinal-vascular-occlusion", 0.015},
	{"retinal-detachment", 0.013}, {"optic-neuropathy", 0.012}, {"other", 0.030}, {"", 0.862},
}

// Odds ratios of the composite: Narendran N, Jaycock P, Johnston RL, et al. Eye
// 2009;23:31-37.
const (
	oddsMale, oddsGlaucoma, oddsRetinopathy = 1.28, 1.30, 1.63
	oddsDense, oddsNoView, oddsExfoliation  = 2.99, 2.46, 2.92
	oddsPupilMedium, oddsPupilSmall         = 1.14, 1.45
	oddsLong, oddsDoxazosin, oddsNotFlat    = 1.47, 1.51, 1.27
)

// meanOddsRatio is the mean composite odds ratio at the prevalences above, by
// which an eye's risk is rescaled to mean 1. A test computes it again.
const meanOddsRatio = 2.2107

// eye is an eye with what is true of it, whether or not it gets recorded.
type eye struct {
	age                                                         int
	female, glaucoma, retinopathy, macular, white, brunescent   bool
	noView, opacities, exfoliation, phacodonesis, cannotLieFlat bool
	pupil                                                       events.Pupil
	alpha                                                       events.AlphaBlocker
	axialUM                                                     int64
	other                                                       events.Copathology
}

// drawEye draws an eye from the whole population.
func (d dice) drawEye() eye {
	e := eye{
		age:           min(max(int(d.around(meanAge+0.5, ageSD)), 40), 101),
		female:        d.chance(women),
		glaucoma:      d.chance(glaucoma),
		retinopathy:   d.chance(retinopathy),
		macular:       d.chance(macular),
		pupil:         pick(d, pupils),
		alpha:         pick(d, alphaBlockers),
		cannotLieFlat: d.chance(cannotLieFlat),
	}
	switch u := d.rand.Float64(); {
	case u < white:
		e.white = true
	case u < white+brunescent:
		e.brunescent = true
	}
	switch u := d.rand.Float64(); {
	case u < noView:
		e.noView = true
	case u < noView+opacities:
		e.opacities = true
	}
	switch u := d.rand.Float64(); {
	case u < exfoliation:
		e.exfoliation = true
	case u < exfoliation+phacodonesis:
		e.phacodonesis = true
	}
	// Axial length in the two groups: common practice, no source.
	if d.chance(longEye) {
		over := d.normal()
		e.axialUM = min(26000+int64(float64(1400*over)*over), 35500)
	} else {
		e.axialUM = min(max(int64(d.around(23400, 850)), 20000), 25990)
	}
	e.other = pick(d, otherCopathology)
	return e
}

// oddsRatio is the composite odds ratio of a rupture, without the surgeon.
func (e *eye) oddsRatio() float64 {
	product := 1.0
	switch {
	case e.age >= 90:
		product = 2.37
	case e.age >= 80:
		product = 1.58
	case e.age >= 70:
		product = 1.42
	case e.age >= 60:
		product = 1.14
	}
	for _, f := range [...]struct {
		present bool
		odds    float64
	}{
		{!e.female, oddsMale}, {e.glaucoma, oddsGlaucoma}, {e.retinopathy, oddsRetinopathy},
		{e.white || e.brunescent, oddsDense}, {e.noView || e.opacities, oddsNoView},
		{e.exfoliation || e.phacodonesis, oddsExfoliation}, {e.pupil == events.PupilMedium, oddsPupilMedium},
		{e.pupil == events.PupilSmall, oddsPupilSmall}, {e.axialUM >= 26000, oddsLong},
		{e.alpha == events.AlphaDoxazosin, oddsDoxazosin}, {e.cannotLieFlat, oddsNotFlat},
	} {
		if f.present {
			product *= f.odds
		}
	}
	return product
}

// risk is the eye's odds ratio rescaled to mean 1.
func (e *eye) risk() float64 { return e.oddsRatio() / meanOddsRatio }

func (e *eye) copathology() []events.Copathology {
	var out []events.Copathology
	for _, c := range [...]struct {
		present bool
		word    events.Copathology
	}{
		{e.glaucoma, "glaucoma"}, {e.retinopathy, "diabetic-retinopathy"}, {e.macular, "macular-degeneration"},
		{e.axialUM >= 26000, "high-myopia"}, {e.other != "", e.other},
	} {
		if c.present {
			out = append(out, c.word)
		}
	}
	return out
}

// group is a kind of operator for whom eyes are chosen.
type group int

const (
	beginners   group = iota // trainees under beginnerBelow whole cases
	experienced              // other trainees
	consultants
	groups
)

// accepted decides whether an eye goes to this kind of operator. An easy eye is
// kept for a beginner more readily than a hard one, so that the mean composite
// odds ratio is 0.75 of the population's for beginners, 0.85 for experienced
// trainees and 1.15 for consultants (clinic rule; 0.85 completes it). What
// trainees don't take is left to consultants: with 40 % of operations by
// trainees, seven tenths of these by beginners, all eyes together keep the
// prevalences above. The four numbers were fitted and a test measures them.
func accepted(d dice, g group, oddsRatio float64) bool {
	square := func(x float64) float64 { return float64(x * x) }
	forBeginner := 1 / (1 + square(square(oddsRatio/1.8)))
	forExperienced := 1 / (1 + square(oddsRatio/2.5))
	switch g {
	case beginners:
		return d.chance(forBeginner)
	case experienced:
		return d.chance(forExperienced)
	}
	taken := float64(0.7*forBeginner)/0.453 + float64(0.3*forExperienced)/0.605
	return d.chance(1 - float64(0.4*taken))
}

// eyeFor draws an eye for this kind of operator.
func (d dice) eyeFor(g group) eye {
	for {
		if e := d.drawEye(); accepted(d, g, e.oddsRatio()) {
			return e
		}
	}
}

// secondEye is a patient who waits for the other eye. A simplification: both
// eyes carry the same findings, and the second goes to the same kind of operator.
type secondEye struct {
	eye     eye
	patient events.Code
	side    events.Eye
	from    int64 // not before this day
}

// Common practice, no source: of patients after a first eye three in four want
// the second, from four weeks on. Where one waits, the next place on a list is
// theirs with an even chance: about 41 % of operations are on second eyes.
const (
	secondWanted = 0.75
	secondAfter  = 28
	secondChance = 0.50
	longestQueue = 100 // waiting patients kept per kind of operator
)

// patient gives the next patient for this kind of operator: a new one with the
// first eye, or one who waits for the second.
func (d *department) patient(g group, day int64) (p secondEye, order events.EyeOrder) {
	queue := d.waiting[g]
	if len(queue) > 0 && queue[0].from <= day && d.chance(secondChance) {
		p = queue[0]
		d.waiting[g] = append(queue[:0], queue[1:]...)
		return p, "second"
	}
	d.patients++
	p = secondEye{eye: d.eyeFor(g), patient: events.Code(d.prefix + "-P-" + pad(d.patients, 6)), side: events.EyeRight}
	other := events.EyeLeft
	if d.chance(0.5) {
		p.side, other = events.EyeLeft, events.EyeRight
	}
	if d.chance(secondWanted) && len(queue) < longestQueue {
		d.waiting[g] = append(queue, secondEye{p.eye, p.patient, other, day + secondAfter*daySeconds})
	}
	return p, "first"
}
