package events

import "reflect"

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
	RefractionMethod string // how a refraction was found
	Post             string // surgeon's post
	Outcome          string // what a chart watches
	ChartKind        string // what a chart tests for
	Finding          string // what the review of an alarm found
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

	StepSculpting    Step = "sculpting"
	StepCortex       Step = "cortex-aspiration"
	StepMainIncision Step = "main-incision"

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

	OutcomeCapsuleRupture    Outcome = "capsule-rupture"
	OutcomeUnplannedTakeover Outcome = "unplanned-takeover"

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
	"capsulorhexis", "hydrodissection", "hydrodelineation", StepSculpting, "cracking", "segment-removal",
	"epinucleus-removal", StepCortex, "capsule-polish", "lens-insertion", "toric-alignment",
	"viscoelastic-removal", "stromal-hydration", "wound-check", "anterior-vitrectomy", "antibiotic",
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
	list[RefractionMethod](): {"subjective", "autorefraction", "retinoscopy"},
	list[Post]():             {"consultant", "associate-specialist", "staff-grade", "fellow", "specialist-registrar", "senior-house-officer", "trainee"},
	list[Outcome]():          {"capsule-rupture", "unplanned-takeover"},
	list[ChartKind]():        {"detection", "competence"},
	list[Finding]():          {"no-cause-found", "case-mix", "data-error", "training-need", "device-or-lot", "other"},
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
