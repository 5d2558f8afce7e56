package department

import (
	"strconv"

	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// Quantities of eyes. Those with a colon are families: what follows names the
// member, so that a word that nobody used is no cell.
const (
	AcuityBeforeKnown  = "acuity-before"
	AcuityAfterKnown   = "acuity-after"
	AcuityBothKnown    = "acuity-before-and-after"
	RefractionKnown    = "refraction"
	ErrorKnown         = "prediction-error"
	FollowupClosed     = "followup-closed"
	Uncomplicated      = "uncomplicated"
	ReturnedToTheatre  = "returned-to-theatre"
	UnplannedAttending = "unplanned-attendance"
	Endophthalmitis42  = "endophthalmitis" // within 42 days

	VisionPrefix         = "vision:"          // <eyes>:<co-pathology>:<what>
	VisionMissingPrefix  = "vision-missing:"  // <reason>, of one eye a patient
	ErrorPrefix          = "error:"           // <eyes>:<thousandths of a dioptre>, for the median
	ErrorSumPrefix       = "errors:"          // <eyes>:<what>
	TargetPrefix         = "target:"          // <eyes>:<what>
	RefractionOutPrefix  = "refraction-out:"  // <reason>: not in the main figure
	RefractionLackPrefix = "refraction-lack:" // <reason>: not in the figure of all eyes
	RefractionMayPrefix  = "refraction-may:"  // of the main figure, if only more were known
	ComplicationPrefix   = "complication:"    // <kind>
	FindingPrefix        = "finding:"         // <kind>
)

// Groups of eyes. Figures with one eye a patient take the eyes that weren't
// booked as second ones; eyes of which that isn't known stay in.
const (
	oneEye    = "one"
	secondEye = "second"

	mainEyes   = "main"   // uncomplicated, in the bag, 6/12 or better; one eye a patient
	secondMain = "second" // the same, booked as second eyes
	otherEyes  = "other"
)

// Co-pathology of a group of eyes.
const (
	WithCopathology    = "with"
	WithoutCopathology = "without"
	UnknownCopathology = "unknown"
)

// Reasons for which an eye is outside the main figure of refraction, besides
// those of fold.
const (
	OutSecondEye    = "second-eye"
	OutComplicated  = "complicated-or-not-in-bag"
	OutPoorAcuity   = "worse-than-6-12"
	OutSiteUnknown  = "implant-site-unknown"
	OutAcuityMissed = outcome.NoAcuityAfter
)

// Edges in hundredths of logMAR: 0.00 is 6/6, 0.30 is 6/12. An eye on an edge is
// inside.
const (
	edge000 = 0
	edge030 = 30
)

// addEye adds the contribution of one eye, of an operation that isn't excluded.
func addEye(add func(quantity string, n int64), e outcome.EyeRow) {
	count := func(quantity string, holds bool) {
		if holds {
			add(quantity, 1)
		}
	}
	before := e.BeforeHundredths != nil || e.BeforeLowVision != ""
	after := e.AfterHundredths != nil || e.AfterLowVision != ""
	count(AcuityBeforeKnown, before)
	count(AcuityAfterKnown, after)
	count(AcuityBothKnown, before && after)
	count(RefractionKnown, e.RefractionOn != nil)
	count(ErrorKnown, e.ErrorThousandths != nil)
	count(FollowupClosed, e.FollowupClosed != "")
	count(Uncomplicated, len(e.Complications) == 0)
	count(ReturnedToTheatre, e.Returned)
	count(UnplannedAttending, e.UnplannedAttendance)
	count(Endophthalmitis42, e.EndophthalmitisOn != nil)
	for _, kind := range e.Complications {
		add(ComplicationPrefix+kind, 1)
	}
	for _, kind := range e.Findings {
		add(FindingPrefix+kind, 1)
	}
	addVision(count, e)
	addRefraction(add, e)
}

func addVision(count func(quantity string, holds bool), e outcome.EyeRow) {
	eyes, disease := oneEye, UnknownCopathology
	if e.IsSecond() {
		eyes = secondEye
	}
	if e.Copathology != nil {
		disease = WithoutCopathology
		if *e.Copathology {
			disease = WithCopathology
		}
	}
	prefix := VisionPrefix + eyes + ":" + disease + ":"
	better := func(what string, hundredths *int64, word string) {
		count(prefix+what, hundredths != nil || word != "")
		count(prefix+what+"-000", hundredths != nil && *hundredths <= edge000)
		count(prefix+what+"-030", hundredths != nil && *hundredths <= edge030)
	}
	count(prefix+"eyes", true)
	better("before", e.BeforeHundredths, e.BeforeLowVision)
	better("after", e.AfterHundredths, e.AfterLowVision)
	better("unaided", e.AfterUnaidedHundredths, e.AfterUnaidedLowVision)
	count(prefix+"no-light", e.VisionReason == outcome.NoLightBefore)
	count(prefix+"loss-known", e.VisualLoss != nil)
	count(prefix+"loss", e.VisualLoss != nil && *e.VisualLoss)
	count(VisionMissingPrefix+e.VisionReason, e.VisionReason != "" && eyes == oneEye)
}

func addRefraction(add func(quantity string, n int64), e outcome.EyeRow) {
	if reason := outOfMain(e); reason != "" {
		add(RefractionOutPrefix+reason, 1)
		if !ruledOut(reason) {
			add(RefractionMayPrefix+mainEyes, 1)
		}
	}
	if e.RefractionReason != "" {
		add(RefractionLackPrefix+e.RefractionReason, 1)
	}
	group := otherEyes
	switch {
	case e.Main() && e.IsSecond():
		group = secondMain
	case e.Main():
		group = mainEyes
	}
	if off := e.ErrorThousandths; off != nil {
		add(ErrorPrefix+group+":"+strconv.FormatInt(*off, 10), 1)
		prefix := ErrorSumPrefix + group + ":"
		addErrors(add, prefix, *off, "025", "050", "100", "200")
		add(prefix+"absolute", max(*off, -*off))
		add(prefix+"squares", *off**off)
	}
	if off := e.TargetErrorThousandths; off != nil {
		addErrors(add, TargetPrefix+group+":", *off, "050", "100")
	}
}

// errorEdges are the sizes in thousandths of a dioptre within which errors are
// counted. An error on an edge is inside.
var errorEdges = map[string]int64{"025": 250, "050": 500, "100": 1000, "200": 2000}

// addErrors adds an error in thousandths of a dioptre to the sums of its group.
func addErrors(add func(quantity string, n int64), prefix string, off int64, edges ...string) {
	add(prefix+"n", 1)
	add(prefix+"sum", off)
	for _, edge := range edges {
		if max(off, -off) <= errorEdges[edge] {
			add(prefix+edge, 1)
		}
	}
}

// outOfMain says why an eye isn't in the main figure of refraction, or "".
func outOfMain(e outcome.EyeRow) string {
	switch {
	case e.IsSecond():
		return OutSecondEye
	case len(e.Complications) > 0 || e.LensSite != "" && !e.UncomplicatedInBag:
		return OutComplicated
	case e.AfterLowVision != "" || e.AfterHundredths != nil && *e.AfterHundredths > edge030:
		return OutPoorAcuity
	case e.RefractionReason != "":
		return e.RefractionReason
	case e.AfterHundredths == nil:
		return OutAcuityMissed
	case e.LensSite == "":
		return OutSiteUnknown
	}
	return ""
}

// ruledOut says whether an eye can't belong to the main figure whatever was
// missed.
func ruledOut(reason string) bool {
	switch reason {
	case OutSecondEye, OutComplicated, OutPoorAcuity, fold.AfterOtherProcedure:
		return true
	}
	return false
}
