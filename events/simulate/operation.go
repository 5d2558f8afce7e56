package simulate

import "lensledger/events"

// steps are the eleven steps that every recorded operation has (common practice,
// no source; clinic rule for the words).
var steps = []events.Step{events.StepMainIncision, "capsulorhexis", "hydrodissection", events.StepSculpting, "cracking",
	"segment-removal", events.StepCortex, "lens-insertion", "viscoelastic-removal", "stromal-hydration", "wound-check"}

// Positions in steps.
const (
	atRhexis, atSculpting, atCortex, atInsertion = 1, 3, 6, 7
)

// ruptureShare is where ruptures happen, by position in steps: segment removal
// 44 % and cortex 21 % as in Grinton M et al. Eye 2021;35:1213-1220, cracking
// 14, rhexis extension 8, implant 7, hydrodissection 3 (clinic rule); the other
// 3 % are given to sculpting.
var ruptureShare = [...]float64{0, 0.08, 0.03, 0.03, 0.14, 0.44, 0.21, 0.07, 0, 0, 0}

// takeoverShare is where a supervisor takes over for difficulty, by position in
// steps (common practice, no source).
var takeoverShare = [...]float64{0, 0.26, 0.04, 0.12, 0.20, 0.26, 0.08, 0.04, 0, 0, 0}

// stepRun is one step of one operation. by finishes it; starter began it.
type stepRun struct {
	step        events.Step
	starter, by *surgeon
	seconds     int64
	gap         int64 // before it
	from, until int64 // Unix seconds
}

// change is a hand-over before a step, or in the middle of it when unplanned.
type change struct {
	at       int // position in operation.runs
	from, to *surgeon
	planned  bool
	reason   events.ChangeReason
}

// operation is one operation as it truly goes.
type operation struct {
	first, trainee, consultant *surgeon // trainee is nil on a service slot
	eye                        eye
	runs                       []stepRun
	changes                    []change
	rupture                    bool
	ruptureAt                  int // position in runs
	vitreous                   events.Vitreous
	abandoned                  bool
	dropped                    bool  // the nucleus, into the vitreous
	mishap                     bool  // a complication other than a rupture
	filmedFrom                 int64 // begin of the recording, 0 for none
	lens                       *events.LensImplanted

	ruptureChance, takeoverChance float64 // as drawn, before chance had its say
	takeover                      bool
}

// Common practice, no source.
const (
	abandonedShare  = 0.001 // after the incision
	startsShare     = 0.70  // planned part-cases in which the trainee begins; in the others they end
	plannedAsLesson = 0.40  // planned hand-overs given as teaching
	vitreousShare   = 0.65  // of ruptures; clinic rule
	lossOfVitreous  = 0.75  // of those with vitreous; the rest is a prolapse
	droppedShare    = 0.06  // of ruptures; clinic rule
)

// operate plays one operation: who does which step, whether the capsule
// ruptures and where, and whether the consultant takes over.
func (d *department) operate(trainee, consultant *surgeon, e eye) *operation {
	op := &operation{first: consultant, trainee: trainee, consultant: consultant, eye: e}
	until := len(steps)
	if op.abandoned = d.chance(abandonedShare); op.abandoned {
		until = d.between(2, atSculpting)
	}
	for _, step := range steps[:until] {
		op.runs = append(op.runs, stepRun{step: step, starter: consultant, by: consultant})
	}
	if trainee != nil {
		d.divide(op)
	}
	d.chanceRupture(op)
	d.chanceTakeover(op)
	d.addSteps(op)
	d.time(op)
	return op
}

// divide plans who does which step on a training slot.
func (d *department) divide(op *operation) {
	from, to := 0, len(op.runs)
	if d.chance(lookUp(partByCases, op.trainee.whole)) && !op.abandoned {
		reason := events.ReasonPlanned
		if d.chance(plannedAsLesson) {
			reason = events.ReasonTeaching
		}
		if d.chance(startsShare) {
			to = d.between(atRhexis+1, atInsertion)
			op.changes = append(op.changes, change{to, op.trainee, op.consultant, true, reason})
		} else {
			from = d.between(atSculpting, atInsertion)
			op.changes = append(op.changes, change{from, op.consultant, op.trainee, true, reason})
		}
	}
	for i := from; i < to; i++ {
		op.runs[i].starter, op.runs[i].by = op.trainee, op.trainee
	}
	op.first = op.runs[0].by
}

// chanceRupture draws whether and where the capsule ruptures. Each operator
// brings their own rate to the share of ruptures that their steps have; the
// eye's risk multiplies the odds of the sum.
func (d *department) chanceRupture(op *operation) {
	var at []option[int]
	sum := 0.0
	for i, r := range op.runs {
		share := float64(ruptureShare[i] * r.by.ruptureRate())
		at = append(at, option[int]{i, share})
		sum += share
	}
	odds := float64(sum / (1 - sum) * op.eye.risk())
	op.ruptureChance = odds / (1 + odds)
	if op.rupture = d.chance(op.ruptureChance); !op.rupture {
		return
	}
	op.ruptureAt = pick(d.dice, at)
	op.vitreous = events.VitreousNone
	if d.chance(vitreousShare) {
		op.vitreous = events.VitreousProlapse
		if d.chance(lossOfVitreous) {
			op.vitreous = events.VitreousLoss
		}
	}
}

// chanceTakeover draws an unplanned take-over of a trainee's steps. After a
// rupture in the trainee's hands its chance is fixed; without one it is such
// that the two together give the stated rate by cases done.
func (d *department) chanceTakeover(op *operation) {
	if op.trainee == nil || op.abandoned {
		return
	}
	var at []option[int]
	mine, all := 0.0, 0.0
	for i, r := range op.runs {
		share := float64(ruptureShare[i] * r.by.ruptureRate())
		all += share
		if r.by == op.trainee {
			mine += share
			at = append(at, option[int]{i, takeoverShare[i] + 0.001})
		}
	}
	mean := op.trainee.ruptureRate()
	difficulty := max(0, (op.trainee.takeoverRate()-float64(takeoverAfterRupture*mean))/(1-mean))
	inHand := op.ruptureChance * (mine / all)
	op.takeoverChance = float64(inHand*takeoverAfterRupture) + float64((1-op.ruptureChance)*difficulty)
	switch {
	case op.rupture && op.runs[op.ruptureAt].by == op.trainee && d.chance(takeoverAfterRupture):
		op.takeOver(op.ruptureAt, events.ReasonComplication)
	case op.rupture && op.runs[op.ruptureAt].by == op.consultant:
		op.keep(op.ruptureAt)
	case !op.rupture && d.chance(difficulty):
		op.takeOver(pick(d.dice, at), events.ReasonDifficulty)
	}
}

// takeOver gives the rest of the operation to the consultant, from the middle
// of a step on. A planned hand-over that would have come later falls away.
func (op *operation) takeOver(at int, reason events.ChangeReason) {
	op.keep(at)
	op.changes = append(op.changes, change{at, op.trainee, op.consultant, false, reason})
	op.takeover = true
}

// keep leaves the consultant with the operation from the end of a step on.
func (op *operation) keep(at int) {
	kept := op.changes[:0]
	for _, c := range op.changes {
		if c.at <= at {
			kept = append(kept, c)
		}
	}
	op.changes = kept
	op.runs[at].by = op.consultant
	for i := at + 1; i < len(op.runs); i++ {
		op.runs[i].starter, op.runs[i].by = op.consultant, op.consultant
	}
}

// learn counts the operation for the trainee: whole when they did sculpting
// through cortex aspiration.
func (op *operation) learn() {
	if op.trainee == nil || op.abandoned {
		return
	}
	whole := true
	for _, r := range op.runs {
		switch r.step {
		case events.StepSculpting, "cracking", "segment-removal", events.StepCortex:
			whole = whole && r.starter == op.trainee && r.by == op.trainee
		}
	}
	if whole {
		op.trainee.whole++
		op.trainee.truth.WholeCases++
	}
	if whole || op.takeover {
		op.trainee.charted++
	}
}

// addSteps puts in the steps that only some eyes need: dye for a white
// cataract, care for a small pupil, vitrectomy after loss of vitreous.
func (d *department) addSteps(op *operation) {
	if op.rupture && op.vitreous != events.VitreousNone {
		by := op.runs[op.ruptureAt].by
		op.insert(op.ruptureAt+1, "anterior-vitrectomy", by)
	}
	if op.eye.pupil == events.PupilSmall && d.chance(0.3) { // common practice, no source
		op.insert(atRhexis, "pupil-management", op.runs[0].by)
	}
	if op.eye.white && d.chance(0.8) { // common practice, no source
		op.insert(0, "capsule-dye", op.runs[0].starter)
	}
}

func (op *operation) insert(at int, step events.Step, by *surgeon) {
	op.runs = append(op.runs, stepRun{})
	copy(op.runs[at+1:], op.runs[at:])
	op.runs[at] = stepRun{step: step, starter: by, by: by}
	for i := range op.changes {
		if op.changes[i].at >= at {
			op.changes[i].at++
		}
	}
	if op.rupture && op.ruptureAt >= at {
		op.ruptureAt++
	}
}

// time gives each step and the gap before it a length.
func (d *department) time(op *operation) {
	together := d.spread(operationLogSD)
	for i := range op.runs {
		r := &op.runs[i]
		times := r.by.times()
		factor := together * r.by.pace
		r.seconds = max(3, int64(times.seconds(r.step)*factor*d.spread(stepLogSD)))
		gap := float64(times.minutes*60*gapShare) / float64(len(steps))
		r.gap = max(1, int64(gap*factor*d.spread(gapLogSD)))
	}
}
