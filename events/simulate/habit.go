package simulate

import (
	"strings"

	"lensledger/events"
)

// teachingPoint is one thing that a trainer may have to say about a step.
type teachingPoint struct {
	code        events.Code
	step        events.Step
	consequence events.Consequence
	action      events.Text
}

// teachingPoints, from what experienced trainers say most often (common
// practice, no source).
var teachingPoints = []teachingPoint{
	{"lashes-under-the-drape", "draping", "infection", "Fold the drape over the lashes and look once more before the first cut"},
	{"conjunctiva-not-grasped", "side-port", "cosmetic", "Hold the limbus, not the conjunctiva"},
	{"tunnel-long-enough", events.StepMainIncision, "wound-leak", "Aim for a square tunnel before entering"},
	{"rhexis-centred", events.StepCapsulorhexis, "refractive", "Mark five millimetres on the cornea before the tear"},
	{"refill-before-the-rhexis-runs-out", events.StepCapsulorhexis, "capsule", "Stop and refill as soon as the tear points outwards"},
	{"groove-deeper-in-the-centre", events.StepSculpting, "capsule", "Follow the bowl: deep in the centre, shallow at the edge"},
	{"instruments-deep-before-cracking", events.StepCracking, "zonule", "Both tips to the bottom of the groove, then part them"},
	{"second-instrument-turns-the-nucleus", events.StepSegmentRemoval, "capsule", "Let the second instrument bring the segment to the tip"},
	{"refill-to-shield-the-capsule", events.StepSegmentRemoval, "capsule", "Refill before the last segment"},
	{"cortex-around-the-circumference", events.StepCortex, "capsule", "Strip along the edge, a clock hour at a time"},
	{"haptics-in-view", events.StepLensInsertion, "refractive", "See both haptics under the edge before leaving"},
	{"wound-not-over-hydrated", "stromal-hydration", "refractive", "Stop as soon as the wound is tight"},
}

// Common practice, no source, except where a line says otherwise.
const (
	habitShare    = 0.60 // of points that a trainee is prone to
	habitLatest   = 40   // training slots after which the last of them shows
	noteBefore    = 0.30 // chance in a case with the step, before the advice
	noteAfter     = 0.03 // after advice that took
	stubbornShare = 0.20 // trainees with points that come back (clinic rule: some)
	stubbornPoint = 0.50 // of such a trainee's points
	adviceAfter   = 3    // notes of a point before a review takes it up
	strengthShare = 0.12 // of training cases
	reviewedShare = 0.85 // of training cases; the others wait
)

// habit is a teaching point that one trainee is prone to.
type habit struct {
	teachingPoint
	from    int // training slots before it shows
	returns bool
	notes   int
	advised int64 // Unix seconds of the first review that took it up, 0 for none
	truth   TeachingTruth
}

// drawHabits gives a trainee's habits. The demo's trainee has one that comes
// back, and others that don't.
func drawHabits(d dice, surgeon events.Code) []habit {
	var out []habit
	stubborn := d.chance(stubbornShare)
	for _, p := range teachingPoints {
		prone, from, returns := d.chance(habitShare), d.between(0, habitLatest), d.chance(stubbornPoint) && stubborn
		if surgeon == "S-014" {
			prone = prone || p.step == events.StepSculpting || p.step == events.StepCapsulorhexis
			returns = p.code == "rhexis-centred"
		}
		if prone {
			out = append(out, habit{teachingPoint: p, from: from, returns: returns,
				truth: TeachingTruth{Point: string(p.code), Returns: returns}})
		}
	}
	return out
}

// chance is that of a note in a case with the step.
func (h *habit) chance(advised bool) float64 {
	if advised && !h.returns {
		return noteAfter
	}
	return noteBefore
}

// teach writes the remarks on a training case: points to improve, and strengths.
// The trainer remarks on steps that the trainee began; steps without a record of
// their own are the first operator's.
func (c *course) teach(r *record) {
	op := c.op
	if op.trainee == nil || op.abandoned {
		return
	}
	d := c.stream("teaching")
	note := func(p *teachingPoint, at int64, polarity events.Polarity) {
		data := &events.TechniqueNoted{Step: p.step, TeachingPoint: p.code, Polarity: polarity, By: op.consultant.code}
		if polarity == events.PolarityImprove {
			data.Consequence = p.consequence
		}
		if op.filmedFrom != 0 {
			data.RecordingOffsetMS = events.Some((at - op.filmedFrom) * 1000)
		}
		r.add(at, events.TypeTechniqueNoted, data)
	}
	for i := range op.trainee.habits {
		h := &op.trainee.habits[i]
		at, did := op.didAt(h.step)
		if !did || op.trainee.truth.Slots <= h.from {
			continue
		}
		advised := h.advised != 0 && h.advised < at
		p := h.chance(advised)
		noted := d.chance(p)
		h.truth.add(advised, p, noted)
		if noted {
			h.notes++
			note(&h.teachingPoint, at, events.PolarityImprove)
		}
	}
	if p := &teachingPoints[d.between(0, len(teachingPoints)-1)]; d.chance(strengthShare) && !op.rupture && !op.takeover {
		if at, did := op.didAt(p.step); did && !op.trainee.prone(p.code) {
			note(p, at, events.PolarityStrength)
		}
	}
}

func (s *surgeon) prone(point events.Code) bool {
	for i := range s.habits {
		if s.habits[i].code == point {
			return true
		}
	}
	return false
}

// didAt says whether the trainee began a step, and gives a time in it.
func (op *operation) didAt(step events.Step) (at int64, did bool) {
	if run := op.run(step); run != nil {
		return run.from + run.seconds/2, run.starter == op.trainee
	}
	return op.runs[0].from - 5, op.first == op.trainee && (step == "draping" || step == "side-port")
}

// review writes that trainer and trainee went through the case, in the evening
// or up to ten days later. It takes up the points that were noted in it and had been noted before;
// the first time is the advice.
func (c *course) review(r *record) {
	op := c.op
	if op.trainee == nil {
		return
	}
	d := c.stream("review")
	reviewed := d.chance(reviewedShare)
	c.d.truth.Reviewed.add(reviewedShare, reviewed)
	if !reviewed {
		return
	}
	at := c.midnight + int64(d.between(18*3600, 19*3600))
	if late := c.at(d, d.between(1, 10)); d.chance(0.6) {
		at = late
	}
	at = max(at, c.end+600)
	data := &events.CaseReviewed{Trainer: op.consultant.code, AtThisStage: events.StageAs, SupervisionNext: op.trainee.supervision()}
	switch u := d.rand.Float64(); {
	case (op.rupture || op.takeover) && u < 0.6 || u < 0.10:
		data.AtThisStage = events.StageBelow
	case !op.rupture && !op.takeover && u > 0.82:
		data.AtThisStage = events.StageAbove
	}
	if op.takeover && d.chance(0.5) {
		data.SupervisionNext = "scrubbed"
	}
	var actions []string
	for i := range op.trainee.habits {
		h := &op.trainee.habits[i]
		if h.notes < adviceAfter || !c.noted(r, h.code) {
			continue
		}
		data.TeachingPoints = append(data.TeachingPoints, h.code)
		if h.advised == 0 || at < h.advised {
			h.advised = at
		}
		if len(actions) < 2 {
			actions = append(actions, string(h.action))
		}
	}
	data.AgreedAction = events.Text(strings.Join(actions, ". "))
	r.add(at, events.TypeCaseReviewed, data)
}

// noted says whether a point to improve was noted in this case.
func (c *course) noted(r *record, point events.Code) bool {
	for i := range r.sendings {
		if n, ok := r.sendings[i].event.Data.(*events.TechniqueNoted); ok && n.TeachingPoint == point {
			return true
		}
	}
	return false
}
