package simulate

import (
	"math"
	"slices"
	"strings"

	"lensledger/events"
)

// Chance is how often something happened among N, beside the sums of its true
// probabilities p and of p(1-p): Count scatters about Expected with Variance.
type Chance struct {
	N, Count           int
	Expected, Variance float64
}

func (c *Chance) add(p float64, happened bool) {
	c.N++
	if happened {
		c.Count++
	}
	c.Expected += p
	c.Variance += float64(p * (1 - p))
}

// EyesTruth is what came of the eyes of a department's benchmark operations:
// those that aren't combined with another. Acuity and Refraction count
// operations with one on record in its window. Seen is what is on record, All
// what is true of every eye not abandoned; where follow-up is missing more often
// for eyes that see well the two differ, and Seen's probabilities are those given
// that the eye was seen.
type EyesTruth struct {
	Acuity, Refraction Chance
	All, Seen          VisionByCopathology
	Errors             ErrorTruth // all with a refraction, comparable
	MainErrors         ErrorTruth // of these: nothing went wrong, in the bag, 0.30 logMAR or better
	NoPrediction       int        // refractions for which the plan has no prediction for the implant, or there is no plan
	ByTrainee          InducedTruth
	ByConsultant       InducedTruth
	Findings           []FindingTruth // in order of kind; early swelling of the cornea, which is healing, isn't in it
}

// VisionByCopathology splits what eyes see by co-pathology.
type VisionByCopathology struct{ Without, With VisionTruth }

// VisionTruth is what eyes see after the operation: 0.00 logMAR or better, 0.30
// or better, and worse than before by 0.30 or more. Of Loss, eyes on record
// without an acuity before are left out.
type VisionTruth struct{ ZeroOrBetter, ThirtyOrBetter, Loss Chance }

// ErrorTruth is achieved less predicted spherical equivalent of comparable
// refractions: on record, before any return to theatre, with a prediction for
// the lens implanted. The counts are by what was written, in eighths of a
// dioptre; Expected by the mixture that they were drawn from. SumD is in dioptres.
type ErrorTruth struct {
	Eyes                                       int
	Within025, Within050, Within100, Within200 Chance
	SumD                                       float64
}

// InducedTruth is the astigmatism that incisions induced, settled, in dioptres:
// sums over eyes of its two parts on the double-angle plane, left eyes mirrored,
// and of its magnitude. It is of the keratometries on record.
type InducedTruth struct {
	Eyes                     int
	SumX, SumY, SumMagnitude float64
}

// FindingTruth is how often one finding followed.
type FindingTruth struct {
	Kind string
	Chance
}

// TeachingTruth is one teaching point that a trainee is prone to. Before and
// After count cases in which the trainee did the step: before a review first
// took the point up, and after; Count is how often it was noted. Returns says
// that the advice doesn't take. Before's count is no fair sample: the advice
// comes after the third note.
type TeachingTruth struct {
	Point         string
	Returns       bool
	Before, After Chance
}

func (t *TeachingTruth) add(advised bool, p float64, noted bool) {
	if advised {
		t.After.add(p, noted)
	} else {
		t.Before.add(p, noted)
	}
}

func (v *VisionByCopathology) of(c *course) *VisionTruth {
	if c.withCopathology() {
		return &v.With
	}
	return &v.Without
}

// countVisit adds the visit that counts, or that it is missing. good, bad and
// either are the chances of being seen: for an eye with 0.30 logMAR or better,
// for another, and before it was known which.
func (d *department) countVisit(c *course, good, bad, either float64, refracted bool) {
	t := &d.truth.Eyes
	if !c.b.eligible {
		return
	}
	t.Acuity.add(either, c.seen)
	possible := either * d.followup.refraction / d.followup.acuity
	if c.op.lens == nil || c.countsHands {
		possible = 0
	}
	t.Refraction.add(possible, refracted)
	if c.op.abandoned {
		return
	}
	all := t.All.of(c)
	all.ZeroOrBetter.add(c.zero, c.seesZero())
	all.ThirtyOrBetter.add(c.thirty, c.seesThirty())
	all.Loss.add(c.loss, c.lost)
	if !c.seen {
		return
	}
	seen := t.Seen.of(c)
	seen.ZeroOrBetter.add(c.zero*good/either, c.seesZero())
	seen.ThirtyOrBetter.add(c.thirty*good/either, c.seesThirty())
	if c.beforeKnown {
		seen.Loss.add(c.loss*bad/either, c.lost)
	}
}

// countError adds a refraction of the visit on this day, se in thousandths of a
// dioptre.
func (d *department) countError(c *course, day int, se int64) {
	t := &d.truth.Eyes
	if !c.b.eligible || c.returned != 0 && c.returned <= day {
		return
	}
	if !c.matched {
		t.NoPrediction++
		return
	}
	e := se - 10*int64(c.predictedD)
	t.Errors.add(c, e)
	if !c.op.rupture && !c.op.mishap && c.op.lens.Site == "bag" && c.seesThirty() {
		t.MainErrors.add(c, e)
	}
}

func (t *ErrorTruth) add(c *course, e int64) {
	t.Eyes++
	t.SumD += float64(e) / 1000
	for _, w := range [...]struct {
		chance *Chance
		limit  int64
	}{{&t.Within025, 250}, {&t.Within050, 500}, {&t.Within100, 1000}, {&t.Within200, 2000}} {
		w.chance.add(withinChance(c.errorParts(), float64(w.limit)/1000), max(e, -e) <= w.limit)
	}
}

// withinChance is the probability of an error of at most this many dioptres.
func withinChance(parts []errorPart, limit float64) float64 {
	p := 0.0
	for _, part := range parts {
		normal := func(x float64) float64 { return math.Erfc(-(x-part.mean)/(part.sd*math.Sqrt2)) / 2 }
		p += float64(part.share * (normal(limit) - normal(-limit)))
	}
	return p
}

// countCornea adds the astigmatism induced by the main incision.
func (d *department) countCornea(c *course, after *events.Keratometry) {
	if !c.b.eligible {
		return
	}
	before := c.b.assessed.Keratometry
	a, b := float64(after.K2D-after.K1D)/100, float64(before.K2D-before.K1D)/100
	x := a*cosineDouble[after.K2AxisDeg.Value] - b*cosineDouble[before.K2AxisDeg.Value]
	y := a*sineDouble[after.K2AxisDeg.Value] - b*sineDouble[before.K2AxisDeg.Value]
	if c.b.patient.side == events.EyeLeft {
		y = -y
	}
	t := &d.truth.Eyes.ByConsultant
	if !c.op.run(events.StepMainIncision).by.consultant {
		t = &d.truth.Eyes.ByTrainee
	}
	t.Eyes++
	t.SumX += x
	t.SumY += y
	t.SumMagnitude += math.Sqrt(x*x + y*y)
}

func (c *course) countFinding(kind events.FindingKind, p float64, present bool) {
	if !c.b.eligible {
		return
	}
	t := &c.d.truth.Eyes.Findings
	i, found := slices.BinarySearchFunc(*t, string(kind), func(f FindingTruth, kind string) int { return strings.Compare(f.Kind, kind) })
	if !found {
		*t = slices.Insert(*t, i, FindingTruth{Kind: string(kind)})
	}
	(*t)[i].add(p, present)
}
