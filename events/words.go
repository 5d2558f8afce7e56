package events

import (
	"reflect"
	"strings"
)

// The closed vocabularies. The empty string is "unknown" throughout; words lists
// what each allows.
type (
	Eye              string // the operated eye
	EyeOrder         string // first or second eye of the patient
	Procedure        string // planned procedure
	Combined         string // another procedure in the same operation
	Urgency          string // how soon the operation is due
	ListKind         string // training or service list
	Supervision      string // where the supervisor is; operating means that the supervisor operates
	Anaesthesia      string // kind of anaesthesia; several may be combined
	CancelStage      string // how far the case had come when it was cancelled
	CancelReason     string // why it was cancelled
	Step             string // step of the operation, in StepOrder
	ChangeReason     string // why another surgeon took over
	ComplicationKind string // complication
	Vitreous         string // what the vitreous did
	Site             string // where the implant sits
	Overlap          string // how far the capsulorhexis edge covers the optic
	Sex              string // sex of the patient
	Pupil            string // width of the dilated pupil
	AlphaBlocker     string // alpha blocker the patient takes; none is known to be none
	Copathology      string // other disease of the eye that limits vision
	Correction       string // how an acuity was corrected
	LowVision        string // acuity below the chart, best first
	Convention       string // list that gives low-vision codes their numbers
	RefractionMethod string // how a refraction was found
	Post             string // surgeon's post
	Outcome          string // what a chart watches
	ChartKind        string // what a chart tests for
	Finding          string // what the review of an alarm found
	IncisionKind     string // kind of incision
	AdjunctKind      string // what was used beyond the usual
	MeasurementKind  string // what was measured during the operation
	Route            string // how a drug was given
	Polarity         string // whether a remark praises or asks for better
	Consequence      string // what a point of technique touches
	FindingKind      string // finding after the operation
	Certainty        string // how sure an endophthalmitis is
	CloseReason      string // why follow-up ended
	Stage            string // how a case was beside what is usual at this stage
	RecordPart       string // what of a case's record is wrong
	RecordAnswer     string // what came of saying so
)

// Words that rules name. The full lists are in words.
const (
	EyeRight Eye = "right"
	EyeLeft  Eye = "left"

	ProcedurePhaco         Procedure = "phacoemulsification"
	ProcedureLaserAssisted Procedure = "laser-assisted"

	CancelBeforeTheatre  CancelStage = "before-theatre"
	CancelBeforeIncision CancelStage = "before-incision"
	CancelAfterIncision  CancelStage = "after-incision"

	StepMainIncision   Step = "main-incision"
	StepCapsulorhexis  Step = "capsulorhexis"
	StepSculpting      Step = "sculpting"
	StepCracking       Step = "cracking"
	StepSegmentRemoval Step = "segment-removal"
	StepCortex         Step = "cortex-aspiration"
	StepLensInsertion  Step = "lens-insertion"

	ReasonPlanned      ChangeReason = "planned"
	ReasonTeaching     ChangeReason = "teaching"
	ReasonDifficulty   ChangeReason = "difficulty"
	ReasonComplication ChangeReason = "complication"

	KindCapsuleRupture  ComplicationKind = "posterior-capsule-rupture"
	KindZonuleRupture   ComplicationKind = "zonule-rupture"
	KindZonularDialysis ComplicationKind = "zonular-dialysis"
	KindDroppedNucleus  ComplicationKind = "dropped-nucleus"
	KindWrongImplant    ComplicationKind = "wrong-implant"
	KindWrongEye        ComplicationKind = "wrong-eye"

	VitreousNone     Vitreous = "none"
	VitreousProlapse Vitreous = "prolapse"
	VitreousLoss     Vitreous = "loss"

	SexFemale Sex = "female"
	SexMale   Sex = "male"

	PupilLarge  Pupil = "large"
	PupilMedium Pupil = "medium"
	PupilSmall  Pupil = "small"

	AlphaDoxazosin AlphaBlocker = "doxazosin"

	// A to D are the lists of package measure, which has their numbers and sources.
	ConventionA Convention = "A"
	ConventionB Convention = "B"
	ConventionC Convention = "C"
	ConventionD Convention = "D"

	OutcomeCapsuleRupture    Outcome = "capsule-rupture"
	OutcomeUnplannedTakeover Outcome = "unplanned-takeover"
	OutcomeRefractionMiss    Outcome = "refraction-miss"
	OutcomeVisualLoss        Outcome = "visual-loss"

	IncisionMain     IncisionKind = "main"
	IncisionSidePort IncisionKind = "side-port"

	MeasurementRhexisLeast    MeasurementKind = "rhexis-least-diameter"
	MeasurementRhexisGreatest MeasurementKind = "rhexis-greatest-diameter"
	MeasurementPupil          MeasurementKind = "pupil"

	PolarityStrength Polarity = "strength"
	PolarityImprove  Polarity = "improve"

	FindingCornealOedema        FindingKind = "corneal-oedema"
	FindingCystoidMacularOedema FindingKind = "cystoid-macular-oedema"
	FindingEndophthalmitis      FindingKind = "endophthalmitis"
	FindingRaisedPressure       FindingKind = "raised-pressure"
	FindingDetachment           FindingKind = "detachment"
	FindingReturnToTheatre      FindingKind = "return-to-theatre"
	FindingUnplannedAttendance  FindingKind = "unplanned-attendance"

	CertaintyPresumed      Certainty = "presumed"
	CertaintyCultureProven Certainty = "culture-proven"

	StageAbove Stage = "above"
	StageAs    Stage = "as"
	StageBelow Stage = "below"

	AnswerCorrected  RecordAnswer = "corrected"
	AnswerLeftAsItIs RecordAnswer = "left-as-it-is"
	AnswerSentOn     RecordAnswer = "sent-on"

	KindDetection  ChartKind = "detection"
	KindCompetence ChartKind = "competence"

	PostConsultant          Post = "consultant"
	PostAssociateSpecialist Post = "associate-specialist"
	PostStaffGrade          Post = "staff-grade"
)

// StepOrder is the usual order of the steps; repeats and omissions are allowed.
// Common practice, no source.
var StepOrder = []Step{
	"draping", "side-port", "viscoelastic", "capsule-dye", "pupil-management", StepMainIncision,
	StepCapsulorhexis, "hydrodissection", "hydrodelineation", StepSculpting, StepCracking, StepSegmentRemoval,
	"epinucleus-removal", StepCortex, "capsule-polish", StepLensInsertion, "toric-alignment",
	"viscoelastic-removal", "stromal-hydration", "wound-check", "anterior-vitrectomy", "antibiotic",
}

// CriticalSteps are the steps that have a competence chart, in usual order.
// Common practice, no source.
var CriticalSteps = []Step{StepCapsulorhexis, StepSculpting, StepCracking, StepSegmentRemoval, StepCortex, StepLensInsertion}

// stepOutcome is the prefix of the outcome of a step: it fails when the step was
// handed over unplanned.
const stepOutcome = "step:"

// StepOutcome is the outcome that watches one step, "step:capsulorhexis".
func StepOutcome(s Step) Outcome { return Outcome(stepOutcome + string(s)) }

// Step is the step that an outcome watches; ok is false for other outcomes.
func (o Outcome) Step() (s Step, ok bool) {
	name, ok := strings.CutPrefix(string(o), stepOutcome)
	return Step(name), ok
}

// words lists what each closed vocabulary allows.
var words = map[reflect.Type][]string{
	list[Eye]():              {"right", "left"},
	list[EyeOrder]():         {"first", "second"},
	list[Procedure]():        {"phacoemulsification", "laser-assisted", "manual-small-incision", "extracapsular"},
	list[Combined]():         {"vitrectomy", "glaucoma", "graft", "other"},
	list[Urgency]():          {"routine", "soon", "urgent", "emergency"},
	list[ListKind]():         {"training", "service"},
	list[Supervision]():      {"operating", "scrubbed", "in-theatre", "on-site", "none"},
	list[Anaesthesia]():      {"topical", "intracameral", "sub-tenon", "peribulbar", "retrobulbar", "general", "sedation", "none"},
	list[CancelStage]():      {"before-theatre", "before-incision", "after-incision"},
	list[CancelReason]():     {"patient", "medical", "eye", "list-overrun", "equipment", "staff"},
	list[ChangeReason]():     {"planned", "teaching", "difficulty", "complication"},
	list[Vitreous]():         {"none", "prolapse", "loss"},
	list[Site]():             {"bag", "sulcus", "optic-capture", "anterior-chamber", "iris", "scleral"},
	list[Overlap]():          {"complete", "partial"},
	list[Sex]():              {"female", "male"},
	list[Pupil]():            {"large", "medium", "small"},
	list[AlphaBlocker]():     {"none", "doxazosin", "tamsulosin", "other"},
	list[Correction]():       {"unaided", "corrected", "pinhole"},
	list[LowVision]():        {"counting-fingers", "hand-movements", "light-perception", "no-light-perception"},
	list[Convention]():       {"A", "B", "C", "D"},
	list[RefractionMethod](): {"subjective", "autorefraction", "retinoscopy"},
	list[Post]():             {"consultant", "associate-specialist", "staff-grade", "fellow", "specialist-registrar", "senior-house-officer", "trainee"},
	list[Outcome]():          outcomeWords(),
	list[ChartKind]():        {"detection", "competence"},
	list[Finding]():          {"no-cause-found", "case-mix", "data-error", "training-need", "device-or-lot", "other"},
	list[IncisionKind]():     {"main", "side-port"},
	list[AdjunctKind]():      {"capsule-dye", "iris-hooks", "pupil-ring", "capsular-tension-ring", "capsule-hooks", "vitreous-stain", "suture", "other"},
	list[MeasurementKind]():  {"rhexis-least-diameter", "rhexis-greatest-diameter", "pupil"},
	list[Route]():            {"topical", "intracameral", "subconjunctival", "sub-tenon", "intravitreal", "intravenous", "oral"},
	list[Polarity]():         {"strength", "improve"},
	list[Consequence]():      {"cosmetic", "refractive", "capsule", "infection", "endothelium", "iris", "zonule", "wound-leak", "visibility", "comfort", "none"},
	list[Certainty]():        {"presumed", "culture-proven"},
	list[CloseReason]():      {"discharged", "died", "moved"},
	list[Stage]():            {"above", "as", "below"},
	list[RecordPart]():       {"step", "operator", "complication", "outcome", "implant", "other"},
	list[RecordAnswer]():     {"corrected", "left-as-it-is", "sent-on"},
	list[FindingKind](): {"corneal-oedema", "cystoid-macular-oedema", "endophthalmitis", "raised-pressure", "detachment",
		"return-to-theatre", "unplanned-attendance", "posterior-capsule-opacification", "wound-leak", "iris-prolapse",
		"retained-lens-matter", "uveitis", "other"},
	list[Copathology](): {"glaucoma", "diabetic-retinopathy", "macular-degeneration", "corneal-opacity", "amblyopia",
		"uveitis", "retinal-vascular-occlusion", "retinal-detachment", "optic-neuropathy", "high-myopia", "other"},
	list[ComplicationKind](): {"posterior-capsule-rupture", "zonule-rupture", "zonular-dialysis", "anterior-tear",
		"dropped-nucleus", "retained-fragment", "iris-prolapse", "iris-trauma", "descemet-detachment", "wound-burn",
		"suprachoroidal-haemorrhage", "choroidal-effusion", "implant-damaged", "wrong-implant", "wrong-eye",
		"wrong-biometry", "retrobulbar-haemorrhage", "globe-perforation", "central-spread", "chemosis"},
	list[Step](): stepWords(),
}

func list[T any]() reflect.Type { return reflect.TypeFor[T]() }

func stepWords() []string {
	out := make([]string, len(StepOrder))
	for i, s := range StepOrder {
		out[i] = string(s)
	}
	return out
}

func outcomeWords() []string {
	out := []string{"capsule-rupture", "unplanned-takeover", "refraction-miss", "visual-loss"}
	for _, s := range StepOrder {
		out = append(out, string(StepOutcome(s)))
	}
	return out
}
