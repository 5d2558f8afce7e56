package fold

import "lensledger/events"

// Reasons for which an eye has no prediction error.
const (
	NoRefraction         = "no-refraction-in-window"    // none at all from day 28 to 120
	OnlyObjective        = "only-objective-refraction"  // by machine or retinoscope alone
	AfterOtherProcedure  = "after-another-procedure"    // the eye had been operated on again
	NoImplant            = "no-implant"                 // none recorded
	ImplantUnknown       = "implant-model-unknown"      // recorded without model or power
	NoPlan               = "no-lens-plan"               // no calculation recorded
	NoPredictionForLens  = "no-prediction-for-the-lens" // the implant isn't among the candidates
	NoTarget             = "no-target"
	siteBag              = events.Site("bag")
	predictedOffTargetBy = 50 // hundredths of a dioptre, usual at most
)

// plan folds a calculation of the implant: the latest before the start stands,
// else the latest.
func (c *Case) plan(d *events.LensPlanned, e Effective) {
	late := c.Started != nil && e.Time.After(c.StartedAt)
	if late {
		c.flag("lens-planned-after-start", e, "the implant's calculation is dated after the operation began")
		if c.LensPlanned != nil && !c.PlannedLate {
			return
		}
	}
	c.LensPlanned, c.PlannedLate = d, late
}

// implant folds an implant: that of the operation's day stands, and one of a
// later day is another procedure.
func (c *Case) implant(d *events.LensImplanted, e Effective) {
	if c.Lens != nil && c.Started != nil && dayOf(e.Time).After(c.OperatedOn()) {
		c.Reimplanted = append(c.Reimplanted, e.Time)
		c.flag("implanted-again", e, "an implant on a later day; the operation is judged by the first")
		return
	}
	c.Lens = d
}

// RefractionAfter is the refraction that counts after the operation: the last
// one in days 28 to 120 that was found subjectively or by a method not stated,
// and before any later procedure in the eye. Without one the reason is given.
//
// Source of the four weeks: Gale RP, Saldana M, Johnston RL, Zuberbuhler B,
// McKibbin M. Eye 2009;23:149-152. The end of the window is common practice, no
// source.
func (c Case) RefractionAfter() (RefractionVisit, string) {
	var last RefractionVisit
	reason := NoRefraction
	for _, v := range c.Refractions {
		switch {
		case !c.within(v.At, RefractionFromDay, RefractionToDay):
		case !c.beforeLaterProcedure(v.At):
			if reason != "" {
				reason = AfterOtherProcedure
			}
		case v.Refraction.Method == "autorefraction" || v.Refraction.Method == "retinoscopy":
			if reason == NoRefraction {
				reason = OnlyObjective
			}
		default:
			last, reason = v, ""
		}
	}
	return last, reason
}

// Prediction is the candidate of the plan that was implanted: the same model and
// power, and the same cylinder. Without one, or without a prediction for it, the
// reason is given. Of several, which differ in their axis alone, it is the one at
// the implant's axis, else the first.
func (c Case) Prediction() (events.LensCandidate, string) {
	var found events.LensCandidate
	switch {
	case c.Lens == nil:
		return found, NoImplant
	case c.Lens.LensModel == "" || !c.Lens.PowerD.Known:
		return found, ImplantUnknown
	case c.LensPlanned == nil:
		return found, NoPlan
	}
	reason := NoPredictionForLens
	for _, p := range c.LensPlanned.Candidates {
		if p.LensModel != c.Lens.LensModel || p.PowerD != c.Lens.PowerD.Value ||
			p.CylinderD.Value != c.Lens.CylinderD.Value || !p.PredictedRefractionD.Known {
			continue
		}
		if reason != "" || p.AxisDeg == c.Lens.AxisDeg && found.AxisDeg != c.Lens.AxisDeg {
			found, reason = p, ""
		}
	}
	return found, reason
}

// Target is the refraction that was aimed at.
func (c Case) Target() (events.Hundredths, string) {
	switch {
	case c.LensPlanned == nil:
		return 0, NoPlan
	case !c.LensPlanned.TargetRefractionD.Known:
		return 0, NoTarget
	}
	return c.LensPlanned.TargetRefractionD.Value, ""
}

// UncomplicatedInBag says whether no complication is recorded and the implant is
// known to sit in the capsular bag.
func (c Case) UncomplicatedInBag() bool {
	return len(c.Complications) == 0 && c.Lens != nil && c.Lens.Site == siteBag
}

// flagImplant lists an implant that the plan has no prediction for, and a
// prediction far from the target.
func (c *Case) flagImplant() {
	candidate, reason := c.Prediction()
	switch {
	case reason == NoPredictionForLens:
		c.note("implant-without-prediction", "the plan has no prediction for the implant's model, power and cylinder; the eye has no prediction error")
	case reason == "" && c.LensPlanned.TargetRefractionD.Known:
		apart := candidate.PredictedRefractionD.Value - c.LensPlanned.TargetRefractionD.Value
		if max(apart, -apart) > predictedOffTargetBy {
			c.note("confirm", "the refraction predicted for the implant, "+candidate.PredictedRefractionD.Value.String()+
				" D, is more than 0.5 D from the target")
		}
	}
	c.flagRhexis()
}
