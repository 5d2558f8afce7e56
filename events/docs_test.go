package events

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

const docsFile = "../docs/events.md"

// docs/events.md is derived from the plans; -update writes it.
func TestDocs(t *testing.T) {
	var b strings.Builder
	b.WriteString(docsHead)
	for _, p := range []struct{ code, text string }{
		{CodeNotJSON, "the body is no JSON text, or breaks a bound of size, depth or characters"},
		{CodeEnvelope, "an envelope attribute is missing, or the form or version isn't known"},
		{CodeUnknownType, "no event type of this name"},
		{CodeNewerVersion, "a newer version of a known type; it is read after an upgrade"},
		{CodeUnknownField, "a field or attribute that the type doesn't have"},
		{CodeMissing, "a required field is absent"},
		{CodeWrongType, "for example text where a number belongs"},
		{CodeOutOfRange, "outside the hard limits, or finer than the unit"},
		{CodeNotAllowed, "not one of the words, not a code, or not together with another field"},
		{CodeTime, "a time without offset, or in the future"},
		{CodeConfirm, "stored, but outside the usual: look again"},
		{CodeForeign, "someone else's source or department"},
		{CodeSubject, "the broker's subject and the event disagree"},
	} {
		fmt.Fprintf(&b, "| `%s` | %s |\n", p.code, p.text)
	}
	b.WriteString("\n## Types\n")
	for _, e := range Catalogue {
		describeType(t, &b, e)
	}
	if *update {
		if err := os.MkdirAll(filepath.Dir(docsFile), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	compareGolden(t, docsFile, []byte(b.String()))
	for _, e := range Catalogue {
		if strings.Count(b.String(), "\n### "+string(e.Type)+"\n") != 1 {
			t.Errorf("docs: not one heading for %s", e.Type)
		}
	}
}

const docsHead = `# Events

Made from the struct tags of package events by its tests (` + "`go test ./events -update`" + `); don't edit.

## Envelope

An event is a CloudEvents 1.0 event, structured JSON (` + "`application/cloudevents+json`" + `) or binary (` + "`ce-`" + ` headers, the data as the body).
Over NATS the content type of a binary event's data is ` + "`ce-datacontenttype`" + `, over HTTP ` + "`Content-Type`" + `.

| attribute | required | allowed |
|---|---|---|
| specversion | yes | 1.0 |
| id | yes | 1 to 100 printable ASCII characters without spaces, made once by the publisher before its first try |
| source | yes | the publisher's code |
| type | yes | one of the types below |
| subject | yes | the code that the type is about |
| department | yes | the department's code |
| time | yes | when it happened, RFC 3339 with offset, years 1900 to 2199, at most 9 decimals of a second, not more than 10 minutes after arrival |
| datacontenttype | no | application/json |
| dataschema, traceparent, tracestate | no | text, not kept and no part of the hash |
| data | where the type has fields | an object |

Every other attribute is refused. A code is 1 to 40 letters, digits, ` + "`-` and `_`" + `.

## Reading is strict

- An unknown field, a repeated key, a body over 262,144 bytes, nesting deeper than 16, invalid UTF-8, a lone surrogate, a control character in text (a line break too) and anything after the JSON text are refused. All faults of an event are reported together, at most 50, each with a JSON Pointer, a code and what was found and allowed.
- ` + "`null`" + ` is the same as absent, and absent is unknown: never zero, never no. An empty list is known to be empty.
- Numbers are decided by their decimal digits: 75, 75.0 and 7.5e1 are equal, and 22.5 is never rounded.
- The hash of an event is the SHA-256 of its canonical form: sorted keys, no spaces, absent fields left out, numbers and times normalised, the offset of a time kept. Sending an event again, written in another way, is a duplicate and no conflict.
- No name, date of birth, address or hospital number has a place in any field. Patients, surgeons and trainers are codes.
- The JSON Schema of a type can't say everything: rules "across fields", repeated keys, size, depth and characters in keys are checked beyond it.

## Codes of problems

| code | meaning |
|---|---|
`

// Rules that several types share.
const (
	acuityRefused      = "refused: an acuity with both or neither of `logmar_hundredths` and `low_vision`, or a `low_vision` without its `convention`"
	acuityConfirm      = "confirm: corrected or pinhole acuity worse than unaided by more than 10 hundredths"
	keratometryConfirm = "confirm: mean keratometry outside 41 to 47 D, a cylinder over 2.5 D, axes not 85 to 95 degrees apart"
	toricConfirm       = "confirm: a cylinder without axis, an axis without cylinder, a model called toric without cylinder"
	conventions        = "`convention`, in hundredths of logMAR for counting fingers, hand movements, light perception and no light perception: A 190, 230, 270, 300; " +
		"B 210, 240, 270, 300; C 200, 300, and nothing for the last two; D nothing for the first two, then 300, 400; two conventions are never compared"
)

// across lists the rules between fields, of check.go and confirm.go, for the docs.
var across = map[Type][]string{
	TypePreopAssessed: {
		acuityRefused, conventions, keratometryConfirm, acuityConfirm,
		"confirm: a sphere outside -12 to 8 D",
	},
	TypeOperatorChanged: {"refused: `from` and `to` the same"},
	TypeLensPlanned: {
		toricConfirm,
		"confirm: no candidate whose `predicted_refraction_d` is within 0.5 D of `target_refraction_d`",
	},
	TypeIncisionMade: {
		"refused: a `width_um` outside 800 to 14,000 for main, 300 to 3,000 for side-port",
		"confirm: a `width_um` outside 1,800 to 3,200 for main, 600 to 1,400 for side-port",
	},
	TypeMeasurementTaken: {
		"refused: a `value_um` outside 2,000 to 10,000 for a rhexis diameter, 500 to 11,000 for the pupil",
		"confirm: a `value_um` outside 4,500 to 5,800 for a rhexis diameter, under 5,000 for the dilated pupil",
	},
	TypeMachineRead:         {"refused: an `energy_index` without its `machine`"},
	TypeLensImplanted:       {toricConfirm},
	TypeFollowupAcuity:      {"refused: an empty `acuity`", acuityRefused, conventions, acuityConfirm},
	TypeFollowupRefraction:  {"confirm: a sphere outside -4 to 2 D"},
	TypeFollowupKeratometry: {keratometryConfirm},
	TypeFollowupFinding:     {"refused: a `certainty` beside another kind than endophthalmitis"},
	TypeFiguresReleased: {
		"refused: `to` before `from`, or a `sha256` that isn't 64 lower-case hexadecimal digits",
		"a release is a set of its own, as a chart is",
	},
	TypeEventAmended: {
		"refused: the correction itself as its target, or a correction as `target_type`",
		"with `target_type`, `data` is checked as the data of that type; `data` has at most 65,536 bytes",
	},
	TypeEventRetracted:  {"refused: the correction itself as its target"},
	TypeCaseJoined:      {"refused: the subject as `other_case`"},
	TypeSurgeonEnrolled: {"refused: `training_started_on` in the future"},
	TypeChartDesigned:   {"refused: `unacceptable` not above `acceptable`, or a `risk_model_version` without `risk_model`"},
}

func describeType(t *testing.T, b *strings.Builder, e Entry) {
	fmt.Fprintf(b, "\n### %s\n\n%s%s. The subject is the code of the %s.\n", e.Type, strings.ToUpper(e.Summary[:1]), e.Summary[1:], e.subject())
	p := types[e.Type].plan
	if len(p.fields) == 0 {
		b.WriteString("\nIt has no fields: `data` is `{}` or absent.\n")
	} else {
		b.WriteString("\n| field | required | unit | allowed |\n|---|---|---|---|\n")
		describeFields(b, p, "")
	}
	for _, rule := range across[e.Type] {
		fmt.Fprintf(b, "\n- %s", rule)
	}
	if len(across[e.Type]) > 0 {
		b.WriteString("\n")
	}
	example, err := os.ReadFile(filepath.Join(goldenFolder, string(e.Type)+".json"))
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(b, "\n```json\n%s```\n", example)
}

func describeFields(b *strings.Builder, p *plan, path string) {
	for i := range p.fields {
		f := &p.fields[i]
		required := ""
		if f.required {
			required = "yes"
		}
		fmt.Fprintf(b, "| %s%s | %s | %s | %s |\n", path, f.name, required, f.unit(), f.limits())
		if f.of != nil {
			describeFields(b, f.of, path+f.name+".")
		}
		if f.item != nil && f.item.of != nil {
			describeFields(b, f.item.of, path+f.name+"[].")
		}
	}
}

// limits describes a field for the docs: hard limits, then the usual range.
func (f *field) limits() string {
	var s string
	switch f.shape {
	case shapeNumber:
		s = f.plainNumber(f.min) + " to " + f.plainNumber(f.max) + ", " + f.grain()
		if f.usual {
			s += "; confirm outside " + f.plainNumber(f.low) + " to " + f.plainNumber(f.high)
		}
		if f.axis {
			s += "; 180 is stored as 0"
		}
	case shapeList:
		s = "up to " + strconv.Itoa(f.maxItems()) + ": "
		if f.item.shape == shapeWord {
			s = "each at most once: "
		}
		if f.item.shape == shapeObject {
			s += "objects as below"
		} else {
			s += f.item.allowed
		}
	case shapeObject:
		s = "object as below"
	default:
		s = f.allowed
	}
	return s
}
