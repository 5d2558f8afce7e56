package portal

import (
	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// leftOut says why an operation or an eye isn't in a figure.
func leftOut(reason string) string {
	if w, ok := leftOutWords[reason]; ok {
		return w
	}
	return plain(reason)
}

// leftOutWords word every reason that a figure gives.
var leftOutWords = map[string]string{
	department.ExcludedUnfinished: "no end recorded, so the outcome isn't known yet",
	fold.ExcludedProcedure:        "planned as another procedure than phacoemulsification",
	fold.ExcludedCombined:         "combined with vitrectomy, glaucoma surgery, a graft or other surgery",
	fold.ExcludedUnder18:          "patient under 18",

	"not-recorded": notRecorded,

	outcome.NoAcuityBefore: "no acuity recorded in the six months before",
	outcome.NoAcuityAfter:  "no acuity recorded in the window of follow-up",
	outcome.NoAcuityEither: "no acuity recorded before, nor in the window of follow-up",
	outcome.NoLightBefore:  "no light perception before: there was nothing to lose",

	department.OutSecondEye:   "booked as the patient's second eye: one eye a patient counts",
	department.OutComplicated: "a complication is recorded, or the implant isn't in the capsular bag",
	department.OutPoorAcuity:  "sees less than 6/12 after the operation",
	department.OutSiteUnknown: "where the implant sits isn't recorded",

	fold.NoRefraction:        "no refraction recorded in the window of follow-up",
	fold.OnlyObjective:       "refraction by machine or retinoscope alone",
	fold.AfterOtherProcedure: "the eye had been operated on again before the refraction",
	fold.NoImplant:           "no implant recorded",
	fold.ImplantUnknown:      "the implant is recorded without model or power",
	fold.NoPlan:              "no calculation of the implant recorded",
	fold.NoPredictionForLens: "no prediction for the implant that is in the eye",
	fold.NoTarget:            "no refraction aimed at is recorded",

	department.ExcludedNoSurgeon:       "no responsible consultant recorded",
	department.ExcludedTakeoverUnknown: "not recorded whether the first operator was stopped unplanned",

	outcome.NoKeratometryBefore:   "no corneal power recorded before the operation",
	outcome.NoKeratometrySettled:  "no corneal power recorded once the wound had settled",
	outcome.NoMeridian:            "corneal power recorded without its meridian",
	department.ExcludedEyeUnknown: "not recorded whether it is a right or a left eye, so it can't be mirrored",
}
