package portal

import (
	"slices"
	"strings"

	"lensledger/events"
	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/measure"
	"lensledger/services/access"
)

const (
	unknown     = "unknown"
	notRecorded = "not recorded"
)

// plain words a wire word: most read well once their hyphens are gone.
func plain(word string) string {
	if w, ok := plainWords[word]; ok {
		return w
	}
	if step, ok := events.Outcome(word).Step(); ok {
		word = string(step)
	}
	return strings.ReplaceAll(word, "-", " ")
}

// plainWords are those that don't.
var plainWords = map[string]string{
	"":                  unknown,
	events.Undetermined: "undetermined",

	"posterior-capsule-rupture": "rupture of the posterior capsule",
	"zonule-rupture":            "rupture of the zonule",
	"retained-fragment":         "retained fragment of the nucleus",
	"implant-damaged":           "damaged implant",
	"descemet-detachment":       "detachment of Descemet's membrane",
	"central-spread":            "central spread of the anaesthetic",
	"unplanned-takeover":        "unplanned take-over",
	"sub-tenon":                 "sub-Tenon's",
	"bag":                       "capsular bag",
	"device-or-lot":             "the device or its lot",
	"case-mix":                  "case mix",
	"manual-small-incision":     "manual small-incision surgery",
	"refraction-miss":           "refraction more than 1.00 D from the prediction",
	"visual-loss":               "loss of vision",
	"return-to-theatre":         "return to theatre",
	"culture-proven":            "proven by culture",
	"side-port":                 "side port",
	"improve":                   "to improve",
	"above":                     "above what is usual at this stage",
	"as":                        "as is usual at this stage",
	"below":                     "below what is usual at this stage",

	string(fold.EarlyCornealOedema): "oedema of the cornea before day 28, healing",
}

// eventNames say what each event tells.
var eventNames = map[events.Type]string{
	events.TypeCaseBooked: "Listed for an operation", events.TypeSurgeonEnrolled: "Surgeon enrolled", events.TypeSurgeonMoved: "Surgeon moved to another department",
	events.TypePreopAssessed: "Assessed before the operation", events.TypeLensPlanned: "Implant calculated",
	events.TypeCaseStarted: "Operation begun", events.TypeStepStarted: "Step begun", events.TypeStepFinished: "Step ended",
	events.TypeOperatorChanged: "Handed over", events.TypeIncisionMade: "Incision made", events.TypeAdjunctUsed: "Something beyond the usual used",
	events.TypeMeasurementTaken: "Measured during the operation", events.TypeMachineRead: "Machine read", events.TypeDrugGiven: "Drug given",
	events.TypeTechniqueNoted: "Remark on technique", events.TypeComplicationRecorded: "Complication recorded", events.TypeLensImplanted: "Implant placed",
	events.TypeCaseFinished: "Operation ended", events.TypeCaseCancelled: "Operation cancelled or abandoned",
	events.TypeFollowupAcuity: "Acuity after the operation", events.TypeFollowupRefraction: "Refraction after the operation",
	events.TypeFollowupKeratometry: "Corneal power after the operation", events.TypeFollowupFinding: "Finding after the operation",
	events.TypeFollowupClosed: "Follow-up ended", events.TypeCaseReviewed: "Case reviewed by trainer and trainee",
	events.TypeEventAmended: "Event amended", events.TypeEventRetracted: "Event taken back", events.TypeCaseJoined: "Joined with another code",
	events.TypeAlarmAcknowledged: "Alarm acknowledged", events.TypeAlarmAssigned: "Alarm given to an owner",
	events.TypeChartDesigned: "Chart's limits set", events.TypeAlarmReviewed: "Alarm reviewed", events.TypeChartRestarted: "Chart restarted",
	events.TypeFiguresReleased: "Figures released",

	events.TypeRecordQuestioned: "Said to be wrong by an operator", events.TypeRecordAnswered: "Answered by the department",
}

// eventName is what an event of a type tells.
func eventName(t events.Type) string {
	if name, ok := eventNames[t]; ok {
		return name
	}
	return "Event of a type without a name here"
}

// supervision says where the supervisor was.
func supervision(word string) string {
	switch word {
	case "":
		return unknown
	case "none":
		return "no supervisor"
	}
	return "supervisor " + plain(word)
}

// fact words a yes/no fact.
func fact(f events.Fact) string {
	switch f {
	case events.Yes:
		return "yes"
	case events.No:
		return "no"
	}
	return unknown
}

// eyeWords spells the side out.
func eyeWords(eye string) string {
	switch events.Eye(eye) {
	case events.EyeRight:
		return "Right eye"
	case events.EyeLeft:
		return "Left eye"
	}
	return "Eye not recorded"
}

// roleWords name what somebody does here.
var roleWords = map[access.Role]string{
	access.Integrator:    "integrator",
	access.Trainer:       "trainer",
	access.Trainee:       "trainee",
	access.Quality:       "quality officer",
	access.Auditor:       "auditor",
	access.Administrator: "administrator",
}

// factorWords name the risk model's factors.
var factorWords = map[string]string{
	"age_years": "age", "sex": "sex", "glaucoma": "glaucoma", "diabetic_retinopathy": "diabetic retinopathy",
	"white_cataract": "white cataract", "brunescent_cataract": "brunescent cataract", "no_fundal_view": "no view of the fundus",
	"vitreous_opacities": "vitreous opacities", "pseudoexfoliation": "pseudoexfoliation", "phacodonesis": "phacodonesis",
	"pupil": "pupil", "axial_length_um": "axial length", "alpha_blocker": "alpha blocker", "can_lie_flat": "able to lie flat",
}

func factor(name string) string {
	if w, ok := factorWords[name]; ok {
		return w
	}
	return strings.ReplaceAll(name, "_", " ")
}

// viewWords say whose a rupture is under each view.
var viewWords = map[string]struct{ title, rule string }{
	department.ViewResponsible: {"By responsible consultant (governance)",
		"Every operation counts for the consultant who answers for it, whoever operated."},
	department.ViewFirstOperator: {"By first operator (intention to operate)",
		"Every operation counts for whoever began it; a hand-over changes nothing."},
	department.ViewCause: {"By operator at cause (learning)",
		"Operations from sculpting through cortex aspiration, or stopped unplanned; a rupture counts for whoever caused it, and for nobody where that is undetermined."},
}

// reasonWords say why an event waits in quarantine, and what to do about it.
var reasonWords = map[string]struct{ why, todo string }{
	events.CodeNotJSON:      {"it can't be read as JSON text", "Send the fact again as a well-formed event."},
	events.CodeEnvelope:     {"its envelope is incomplete or of another version", "Complete the envelope and send the event again."},
	events.CodeUnknownType:  {"its type isn't known", "Correct the type's name, or wait: it is read by itself once an upgrade knows it."},
	events.CodeNewerVersion: {"its version is newer than this program", "Nothing: it is read by itself after an upgrade."},
	events.CodeUnknownField: {"it holds a field that its type doesn't have", "Leave the field out, or send the version that has it."},
	events.CodeMissing:      {"a required field is missing", "Add the field and send the event again."},
	events.CodeWrongType:    {"a field holds the wrong kind of value", "Correct the field and send the event again."},
	events.CodeOutOfRange:   {"a value is outside its hard limits", "Check value and unit against the record and send the event again."},
	events.CodeNotAllowed:   {"a word or code isn't one of those allowed", "Map the word to one of the listed ones and send the event again."},
	events.CodeTime:         {"its time has no offset or lies in the future", "Correct the sender's clock or add the offset, and send the event again."},
	events.CodeForeign:      {"it speaks for another source or department", "Send it from the source it belongs to."},
	events.CodeSubject:      {"the broker's subject and the event disagree", "Publish it under the subject that belongs to the event."},
	"poison":                {"it could not be taken into the record", "Ask whoever runs this service; the event is kept and can be replayed."},
}

// riskFactors are the factors of the risk model in its own order, without the
// surgeon's grade, which never enters.
var riskFactors = slices.DeleteFunc(measure.Fields(), func(name string) bool { return name == "grade" })
