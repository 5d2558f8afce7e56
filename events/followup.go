package events

// FollowupAcuity: acuity at one visit after the operation.
type FollowupAcuity struct {
	Acuity []Acuity `wire:"acuity,required"`
}

// FollowupRefraction: refraction at one visit after the operation.
type FollowupRefraction struct {
	Refraction Refraction `wire:"refraction,required"`
}

// FollowupKeratometry: corneal power at one visit after the operation.
type FollowupKeratometry struct {
	Keratometry Keratometry `wire:"keratometry,required"`
}

// FollowupFinding: what was found in the eye after the operation. Certainty is
// that of an endophthalmitis, the pressure is the eye's in mmHg.
type FollowupFinding struct {
	Kind         FindingKind `wire:"kind,required"`
	Certainty    Certainty   `wire:"certainty"`
	PressureMMHg Opt[int64]  `wire:"pressure_mmhg,min=0,max=90,usual=6..30"`
}

// FollowupClosed: no more follow-up of this operation is to come.
type FollowupClosed struct {
	Reason CloseReason `wire:"reason,required"`
}
