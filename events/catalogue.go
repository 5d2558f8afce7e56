package events

import (
	"fmt"
	"reflect"
	"strings"
)

// Type is the wire name of an event type with its version.
type Type string

// The wire names, each written here once.
const (
	TypeCaseBooked           Type = "lensledger.case.booked.v1"
	TypeSurgeonEnrolled      Type = "lensledger.surgeon.enrolled.v1"
	TypeSurgeonMoved         Type = "lensledger.surgeon.moved.v1"
	TypePreopAssessed        Type = "lensledger.preop.assessed.v1"
	TypeLensPlanned          Type = "lensledger.lens.planned.v1"
	TypeCaseStarted          Type = "lensledger.case.started.v1"
	TypeCaseFinished         Type = "lensledger.case.finished.v1"
	TypeCaseCancelled        Type = "lensledger.case.cancelled.v1"
	TypeStepStarted          Type = "lensledger.step.started.v1"
	TypeStepFinished         Type = "lensledger.step.finished.v1"
	TypeOperatorChanged      Type = "lensledger.operator.changed.v1"
	TypeIncisionMade         Type = "lensledger.incision.made.v1"
	TypeAdjunctUsed          Type = "lensledger.adjunct.used.v1"
	TypeMeasurementTaken     Type = "lensledger.measurement.taken.v1"
	TypeMachineRead          Type = "lensledger.machine.read.v1"
	TypeDrugGiven            Type = "lensledger.drug.given.v1"
	TypeTechniqueNoted       Type = "lensledger.technique.noted.v1"
	TypeComplicationRecorded Type = "lensledger.complication.recorded.v1"
	TypeLensImplanted        Type = "lensledger.lens.implanted.v1"
	TypeFollowupAcuity       Type = "lensledger.followup.acuity.v1"
	TypeFollowupRefraction   Type = "lensledger.followup.refraction.v1"
	TypeFollowupKeratometry  Type = "lensledger.followup.keratometry.v1"
	TypeFollowupFinding      Type = "lensledger.followup.finding.v1"
	TypeFollowupClosed       Type = "lensledger.followup.closed.v1"
	TypeCaseReviewed         Type = "lensledger.case.reviewed.v1"
	TypeEventAmended         Type = "lensledger.event.amended.v1"
	TypeEventRetracted       Type = "lensledger.event.retracted.v1"
	TypeCaseJoined           Type = "lensledger.case.joined.v1"
	TypeChartDesigned        Type = "lensledger.chart.designed.v1"
	TypeAlarmAcknowledged    Type = "lensledger.alarm.acknowledged.v1"
	TypeAlarmAssigned        Type = "lensledger.alarm.assigned.v1"
	TypeAlarmReviewed        Type = "lensledger.alarm.reviewed.v1"
	TypeChartRestarted       Type = "lensledger.chart.restarted.v1"
	TypeFiguresReleased      Type = "lensledger.figures.released.v1"

	TypeRecordQuestioned Type = "lensledger.record.questioned.v1"
	TypeRecordAnswered   Type = "lensledger.record.answered.v1"
)

// About is what an event's subject names.
type About string

// What a subject can name.
const (
	AboutCase       About = "case"
	AboutSurgeon    About = "surgeon"
	AboutChart      About = "chart"      // or a release of figures: a set of its own, in nobody's case
	AboutCorrection About = "correction" // whatever its target is about
)

// Entry describes one event type.
type Entry struct {
	Type    Type
	About   About
	Payload reflect.Type // struct type of the data
	Summary string       // one line for the docs
}

// Catalogue lists every event type this program knows, in the order in which an
// eye meets them.
var Catalogue = []Entry{
	entry[CaseBooked](TypeCaseBooked, AboutCase, "an eye is listed for an operation"),
	entry[SurgeonEnrolled](TypeSurgeonEnrolled, AboutSurgeon, "a surgeon's post and prior operations"),
	entry[SurgeonMoved](TypeSurgeonMoved, AboutSurgeon, "a surgeon works in another department from a date on"),
	entry[PreopAssessed](TypePreopAssessed, AboutCase, "what was known of the eye before the operation"),
	entry[LensPlanned](TypeLensPlanned, AboutCase, "the implant's calculation, with a prediction for each candidate"),
	entry[CaseStarted](TypeCaseStarted, AboutCase, "the operation begins"),
	entry[StepStarted](TypeStepStarted, AboutCase, "a step begins"),
	entry[StepFinished](TypeStepFinished, AboutCase, "a step ends"),
	entry[OperatorChanged](TypeOperatorChanged, AboutCase, "another surgeon takes over"),
	entry[IncisionMade](TypeIncisionMade, AboutCase, "an incision into the eye"),
	entry[AdjunctUsed](TypeAdjunctUsed, AboutCase, "something beyond the usual was used"),
	entry[MeasurementTaken](TypeMeasurementTaken, AboutCase, "a length measured during the operation"),
	entry[MachineRead](TypeMachineRead, AboutCase, "what the phacoemulsification machine showed"),
	entry[DrugGiven](TypeDrugGiven, AboutCase, "a drug given in the operation"),
	entry[TechniqueNoted](TypeTechniqueNoted, AboutCase, "a trainer's remark on technique"),
	entry[ComplicationRecorded](TypeComplicationRecorded, AboutCase, "a complication, noticed and caused apart"),
	entry[LensImplanted](TypeLensImplanted, AboutCase, "the implant in the eye"),
	entry[CaseFinished](TypeCaseFinished, AboutCase, "the operation ends"),
	entry[CaseCancelled](TypeCaseCancelled, AboutCase, "the operation is cancelled or abandoned"),
	entry[FollowupAcuity](TypeFollowupAcuity, AboutCase, "acuity at a visit after the operation"),
	entry[FollowupRefraction](TypeFollowupRefraction, AboutCase, "refraction at a visit after the operation"),
	entry[FollowupKeratometry](TypeFollowupKeratometry, AboutCase, "corneal power at a visit after the operation"),
	entry[FollowupFinding](TypeFollowupFinding, AboutCase, "what was found in the eye after the operation"),
	entry[FollowupClosed](TypeFollowupClosed, AboutCase, "no more follow-up is to come"),
	entry[CaseReviewed](TypeCaseReviewed, AboutCase, "trainer and trainee went through the case"),
	entry[RecordQuestioned](TypeRecordQuestioned, AboutCase, "an operator says that the case's record is wrong"),
	entry[RecordAnswered](TypeRecordAnswered, AboutCase, "the department answers such a question"),
	entry[EventAmended](TypeEventAmended, AboutCorrection, "the whole data of an earlier event is replaced"),
	entry[EventRetracted](TypeEventRetracted, AboutCorrection, "an earlier event is taken back"),
	entry[CaseJoined](TypeCaseJoined, AboutCase, "two case codes are the same operation"),
	entry[ChartDesigned](TypeChartDesigned, AboutChart, "a chart's limits are set"),
	entry[AlarmAcknowledged](TypeAlarmAcknowledged, AboutChart, "a named person has seen an alarm"),
	entry[AlarmAssigned](TypeAlarmAssigned, AboutChart, "somebody is to look into an alarm by a date"),
	entry[AlarmReviewed](TypeAlarmReviewed, AboutChart, "an alarm was reviewed by a named person"),
	entry[ChartRestarted](TypeChartRestarted, AboutChart, "a chart begins again at zero"),
	entry[FiguresReleased](TypeFiguresReleased, AboutChart, "figures left the department"),
}

func entry[T any](t Type, about About, summary string) Entry {
	return Entry{Type: t, About: about, Payload: reflect.TypeFor[T](), Summary: summary}
}

// subject is what the subject of the type is called, for schemas and docs.
func (e Entry) subject() string {
	if e.Type == TypeFiguresReleased {
		return "release"
	}
	return string(e.About)
}

// Retired is an older version of an event type. It is still read, for archives
// keep it forever, and lifted to a current version. The hash stays that of the
// version as sent, so that a late retry is still a duplicate.
type Retired struct {
	Entry
	Lift func(old any) (Type, any) // from a pointer to Payload to a current type and a pointer to its payload
}

// retired lists the older versions. To add a version: write the new payload,
// move the old entry of Catalogue here with the function that lifts it, and keep
// its golden files, which must go on decoding to the same hash.
var retired = []Retired{}

// Lookup finds the entry of a type, current or retired. It is false for a type
// or a version that this program doesn't know.
func Lookup(t Type) (Entry, bool) {
	k, ok := types[t]
	return k.entry, ok
}

// Parts splits a wire name "lensledger.<noun>.<participle>.v<N>". ok is false
// for anything of another shape; it doesn't mean that the type is known.
func (t Type) Parts() (noun, participle string, version int, ok bool) {
	parts := strings.Split(string(t), ".")
	if len(parts) != 4 || parts[0] != "lensledger" || !lowerWord(parts[1]) || !lowerWord(parts[2]) {
		return "", "", 0, false
	}
	digits, found := strings.CutPrefix(parts[3], "v")
	if !found || digits == "" || len(digits) > 6 || digits[0] == '0' {
		return "", "", 0, false
	}
	for _, c := range []byte(digits) {
		if c < '0' || c > '9' {
			return "", "", 0, false
		}
		version = version*10 + int(c-'0')
	}
	return parts[1], parts[2], version, true
}

func lowerWord(s string) bool {
	for _, c := range []byte(s) {
		if c < 'a' || c > 'z' {
			return false
		}
	}
	return s != ""
}

// judge says why a type that isn't in types is refused.
func (t Type) judge() (code, detail string) {
	if noun, participle, version, ok := t.Parts(); ok {
		newest := 0
		for k := range types {
			if n, p, v, _ := k.Parts(); n == noun && p == participle {
				newest = max(newest, v)
			}
		}
		if newest > 0 && version > newest {
			return CodeNewerVersion, fmt.Sprintf("found version %d of lensledger.%s.%s, known up to version %d; it is read after an upgrade",
				version, noun, participle, newest)
		}
	}
	names := make([]string, 0, len(Catalogue))
	for _, e := range Catalogue {
		names = append(names, string(e.Type))
	}
	detail = fmt.Sprintf("found the unknown type %q", cut(string(t), 80))
	if near := nearest(string(t), names); near != "" {
		return CodeUnknownType, detail + "; did you mean " + near + "?"
	}
	return CodeUnknownType, detail + ", allowed those of docs/events.md"
}
