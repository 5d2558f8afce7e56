package events

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"unicode"
)

// structured is an event of a type with the given data, for tests.
func structured(t Type, data string) string {
	return `{"specversion":"1.0","id":"x-1","source":"ehr-harbour","type":"` + string(t) + `","subject":"HB-1","department":"HARBOUR","time":"2025-03-12T10:41:07+01:00","data":` + data + `}`
}

// with replaces one part of the example event, which must be there.
func with(t *testing.T, old, replacement string) string {
	t.Helper()
	if !strings.Contains(exampleEvent, old) {
		t.Fatalf("the example has no %s", old)
	}
	return strings.Replace(exampleEvent, old, replacement, 1)
}

// sayings are the problems as "code pointer detail".
func sayings(problems []Problem) []string {
	var out []string
	for _, p := range problems {
		out = append(out, p.Code+" "+p.Pointer+" "+p.Detail)
	}
	return out
}

// Each fault has its own code, pointer and sentence. Where there are several
// faults, all are listed.
func TestBadInput(t *testing.T) {
	deep := func(n int) string { return strings.Repeat(`{"a":`, n) + "1" + strings.Repeat("}", n) }
	amended := func(data string) string {
		return structured(TypeEventAmended, `{"target_source":"a","target_id":"b","data":`+data+`}`)
	}
	// at puts the length of the event up to a place, without its last brackets, into a sentence.
	at := func(before, sentence string) string {
		return fmt.Sprintf(sentence, len(strings.TrimRight(before, "}")))
	}
	booked := func(data string) string { return structured(TypeCaseBooked, data) }
	lens := func(data string) string { return structured(TypeLensImplanted, data) }
	many20 := `"k0":1`
	for i := 1; i < 20; i++ {
		many20 += fmt.Sprintf(`,"k%d":1`, i)
	}
	const allowedTime = "allowed a time with offset as in RFC 3339, for example 2025-03-12T10:41:07+00:00"
	for _, c := range []struct {
		name, body string
		want       []string
	}{
		{"empty body", ``, []string{"not-json  found an empty body, allowed one JSON object"}},
		{"only spaces", " \n\t", []string{"not-json  found an empty body, allowed one JSON object"}},
		{"array", `[]`, []string{"envelope  found a list, allowed one event as a JSON object"}},
		{"text", `"x"`, []string{`envelope  found "x", allowed one event as a JSON object`}},
		{"no JSON", `specversion`, []string{`not-json  found "specversion" at byte 0, allowed a JSON value`}},
		{"cut off", exampleEvent[:300], []string{"not-json  found the end of the body inside a string"}},
		{"trailing data", exampleEvent + `{}`, []string{fmt.Sprintf(`not-json  found "{" after the end of the JSON text at byte %d`, len(exampleEvent))}},
		{"trailing comma", with(t, `"anterior-vitrectomy"`, `"x",`), []string{fmt.Sprintf(`not-json  found "}" at byte %d, allowed a key in double quotes`, len(exampleEvent)-19)}},
		{"byte order mark", "\uFEFF" + exampleEvent, []string{`not-json  found "\ufeff" at byte 0, allowed a JSON value`}},
		{"invalid UTF-8", with(t, "loss", "lo\xffs"), []string{fmt.Sprintf("not-json  found invalid UTF-8 (byte 0xff) at byte %d", strings.Index(exampleEvent, "loss")+2)}},
		{"body too large", exampleEvent + strings.Repeat(" ", MaxBytes), []string{fmt.Sprintf("not-json  found a body of %d bytes, allowed 262144", len(exampleEvent)+MaxBytes)}},
		{"too deep", amended(deep(15)), []string{at(amended(strings.Repeat(`{"a":`, 14)), "not-json  found nesting deeper than 16 at byte %d, allowed 16")}},
		{"raw NUL in text", with(t, "anterior-vitrectomy", "a\x00b"), []string{"not-json /data/management management: found the control character U+0000 in text, allowed printable characters"}},
		{"escaped NUL in text", with(t, "anterior-vitrectomy", `a\u0000b`), []string{"not-json /data/management management: found the control character U+0000 in text, allowed printable characters"}},
		{"C1 control in text", with(t, "anterior-vitrectomy", "a\u0085b"), []string{"not-json /data/management management: found the control character U+0085 in text, allowed printable characters"}},
		{"line break in text", with(t, "anterior-vitrectomy", `a\nb`), []string{"not-json /data/management management: found the control character U+000A in text, allowed printable characters"}},
		{"NUL in a key", with(t, "management", `man\u0000agement`), []string{"not-json /data/man\uFFFDagement found the control character U+0000 in a key, allowed printable characters",
			"unknown-field /data/man\uFFFDagement found the unknown field \"man\uFFFDagement\"; did you mean management?"}},
		{"lone high surrogate", with(t, "anterior-vitrectomy", `a\ud800b`), []string{`not-json /data/management management: found the lone surrogate \ud800 in text, allowed printable characters`}},
		{"lone low surrogate", with(t, "anterior-vitrectomy", `\udc00`), []string{`not-json /data/management management: found the lone surrogate \udc00 in text, allowed printable characters`}},
		{"two high surrogates", with(t, "anterior-vitrectomy", `\ud800\ud800`), []string{`not-json /data/management management: found the lone surrogate \ud800 in text, allowed printable characters`}},
		{"unknown escape", with(t, "anterior-vitrectomy", `\x41`), []string{fmt.Sprintf(`not-json  found the escape "\\x41\"}" at byte %d, allowed those of RFC 8259`, strings.Index(exampleEvent, "anterior-v"))}},
		{"repeated key", with(t, `"vitreous":"loss"`, `"vitreous":"loss","vitreous":"none"`), []string{"not-json /data/vitreous vitreous: found twice, allowed once"}},
		{"repeated key among many", amended("{" + many20 + `,"k19":2}`), []string{"not-json /data/data/k19 k19: found twice, allowed once"}},
		{"repeated attribute", with(t, `"id":"b1c7-02"`, `"id":"b1c7-02","id":"b1c7-03"`), []string{"not-json /id id: found twice, allowed once"}},
		{"NaN", lens(`{"power_d":NaN}`), []string{at(lens(`{"power_d":`), `not-json  found "NaN" at byte %d, allowed a JSON value`)}},
		{"Infinity", lens(`{"power_d":-Infinity}`), []string{at(lens(`{"power_d":`), `not-json  found the number "-I" at byte %d, allowed a number as in RFC 8259`)}},
		{"leading zero", lens(`{"power_d":022.5}`), []string{at(lens(`{"power_d":`), `not-json  found the number "022." at byte %d, allowed a number as in RFC 8259`)}},

		{"no specversion", with(t, `"specversion":"1.0",`, ``), []string{"envelope /specversion specversion: missing, required in the envelope"}},
		{"another specversion", with(t, `"1.0"`, `"0.3"`), []string{`envelope /specversion specversion: found "0.3", allowed 1.0`}},
		{"no id, source null", with(t, `"id":"b1c7-02","source":"ehr-harbour"`, `"source":null`), []string{"envelope /id id: missing, required in the envelope", "envelope /source source: missing, required in the envelope"}},
		{"id with a space", with(t, "b1c7-02", "b1c7 02"), []string{`not-allowed /id id: found "b1c7 02", allowed 1 to 100 printable ASCII characters without spaces`}},
		{"id a number", with(t, `"b1c7-02"`, "17"), []string{"wrong-type /id id: found 17, allowed text"}},
		{"source no code", with(t, "ehr-harbour", "https://ehr"), []string{`not-allowed /source source: found "https://ehr", allowed a code of 1 to 40 letters, digits, - and _`}},
		{"subject too long", with(t, "HB-2025-00417", strings.Repeat("H", 41)), []string{`not-allowed /subject subject: found "` + strings.Repeat("H", 40) + `…", allowed a code of 1 to 40 letters, digits, - and _`}},
		{"department empty", with(t, "HARBOUR", ""), []string{`not-allowed /department department: found "", allowed a code of 1 to 40 letters, digits, - and _`}},
		{"another extension", with(t, `"department"`, `"depatment":"HARBOUR","department"`), []string{`unknown-field /depatment found the unknown attribute "depatment"; did you mean department?`}},
		{"XML data", with(t, "application/json", "text/xml"), []string{`envelope /datacontenttype datacontenttype: found "text/xml", allowed application/json`}},
		{"data in base 64", with(t, `"data":`, `"data_base64":"e30=","data":`), []string{"envelope /data_base64 found data_base64, allowed data as a JSON object"}},
		{"no data", strings.Replace(booked("1"), `,"data":1`, "", 1), []string{"missing /data data: missing, required: an object"}},
		{"data null", booked("null"), []string{"missing /data data: missing, required: an object"}},
		{"data a list", booked("[]"), []string{"wrong-type /data data: found a list, allowed an object"}},
		{"unknown type", with(t, "complication.recorded", "complication.reported"), []string{`unknown-type /type type: found the unknown type "lensledger.complication.reported.v1"; did you mean lensledger.complication.recorded.v1?`}},
		{"foreign type", with(t, "lensledger.complication.recorded.v1", "org.example.thing"), []string{`unknown-type /type type: found the unknown type "org.example.thing", allowed those of docs/events.md`}},
		{"newer version", with(t, "recorded.v1", "recorded.v2"), []string{"newer-version /type type: found version 2 of lensledger.complication.recorded, known up to version 1; it is read after an upgrade"}},
		{"newer version with new fields", with(t, `recorded.v1",`, `recorded.v12","severity":"x",`), []string{`unknown-field /severity found the unknown attribute "severity", allowed data, specversion, id, source, type, subject, department, time, datacontenttype, dataschema, traceparent, tracestate`,
			"newer-version /type type: found version 12 of lensledger.complication.recorded, known up to version 1; it is read after an upgrade"}},

		{"time without offset", with(t, "+00:00", ""), []string{`time /time time: found "2025-03-12T10:41:07" without offset, ` + allowedTime}},
		{"offset unknown", with(t, "+00:00", "-00:00"), []string{`time /time time: found "2025-03-12T10:41:07-00:00", whose offset -00:00 means unknown, ` + allowedTime}},
		{"no time", with(t, `"time":"2025-03-12T10:41:07+00:00",`, ""), []string{"envelope /time time: missing, required in the envelope"}},
		{"30 February", with(t, "03-12", "02-30"), []string{`time /time time: found "2025-02-30T10:41:07+00:00", ` + allowedTime + `, years 1900 to 2199`}},
		{"a date as time", with(t, "T10:41:07+00:00", ""), []string{`time /time time: found "2025-03-12", ` + allowedTime + `, years 1900 to 2199`}},

		{"eye neither", booked(`{"patient":"P","eye":"both"}`), []string{`not-allowed /data/eye eye: found "both", allowed right, left`}},
		{"eye missing", booked(`{"patient":"P","eye":null}`), []string{"missing /data/eye eye: missing, required: right, left"}},
		{"unknown field", booked(`{"patient":"P","eye":"left","laterality":"left","urgancy":"soon"}`), []string{
			`unknown-field /data/laterality found the unknown field "laterality", allowed patient, eye, responsible_consultant, planned_first_operator, planned_on, first_or_second_eye, procedure, combined_with, urgency, list_kind`,
			`unknown-field /data/urgancy found the unknown field "urgancy"; did you mean urgency?`}},
		{"field beside no fields", structured(TypeCaseFinished, `{"at":1}`), []string{`unknown-field /data/at found the unknown field "at", allowed none`}},
		{"no calendar date", booked(`{"patient":"P","eye":"left","planned_on":"2025-02-29"}`), []string{`out-of-range /data/planned_on planned_on: found "2025-02-29", allowed a date from 1900 to 2199, for example 2025-03-12`}},
		{"a word twice", booked(`{"patient":"P","eye":"left","combined_with":["graft","graft"]}`), []string{`not-allowed /data/combined_with/1 combined_with: found "graft" twice, allowed once`}},
		{"a list with null", booked(`{"patient":"P","eye":"left","combined_with":[null]}`), []string{`wrong-type /data/combined_with/0 combined_with: found null, allowed vitrectomy, glaucoma, graft, other`}},
		{"axis 181", lens(`{"axis_deg":181}`), []string{"out-of-range /data/axis_deg axis_deg: found 181, allowed 0 to 180"}},
		{"axis as text", lens(`{"axis_deg":"90"}`), []string{`wrong-type /data/axis_deg axis_deg: found "90", allowed a number, 0 to 180`}},
		{"axis with half a degree", lens(`{"axis_deg":90.5}`), []string{"out-of-range /data/axis_deg axis_deg: found 90.5, allowed 0 to 180, whole numbers only"}},
		{"power in tenths", lens(`{"power_d":22.1}`), []string{"out-of-range /data/power_d power_d: found 22.1, allowed -20 to 60, in steps of 0.25"}},
		{"negative power in tenths", lens(`{"power_d":-9.8}`), []string{"out-of-range /data/power_d power_d: found -9.8, allowed -20 to 60, in steps of 0.25"}},
		{"power beyond", lens(`{"power_d":-20.25}`), []string{"out-of-range /data/power_d power_d: found -20.25, allowed -20 to 60 in steps of 0.25"}},
		{"1e400", lens(`{"axis_deg":1e400}`), []string{"out-of-range /data/axis_deg axis_deg: found 1e400, allowed 0 to 180"}},
		{"-1e400", lens(`{"power_d":-1e400}`), []string{"out-of-range /data/power_d power_d: found -1e400, allowed -20 to 60 in steps of 0.25"}},
		{"1e-400", lens(`{"axis_deg":1e-400}`), []string{"out-of-range /data/axis_deg axis_deg: found 1e-400, allowed 0 to 180, whole numbers only"}},
		{"an absurd exponent", lens(`{"axis_deg":1e99999999999999999999}`), []string{"out-of-range /data/axis_deg axis_deg: found 1e99999999999999999999, allowed exponents to 9999"}},
		{"2^53+1", lens(`{"axis_deg":9007199254740993}`), []string{"out-of-range /data/axis_deg axis_deg: found 9007199254740993, allowed 0 to 180"}},
		{"2^64", lens(`{"axis_deg":18446744073709551616}`), []string{"out-of-range /data/axis_deg axis_deg: found 18446744073709551616, allowed 0 to 180"}},
		{"a hair over 180", lens(`{"axis_deg":180.0000000000000000000001}`), []string{"out-of-range /data/axis_deg axis_deg: found 180.0000000000000000000001, allowed 0 to 180, whole numbers only"}},
		{"text too long", lens(`{"lens_model":"` + strings.Repeat("ä", 501) + `"}`), []string{"out-of-range /data/lens_model lens_model: found 501 characters, allowed 1 to 500; leave the field out when nothing is known"}},
		{"text empty", lens(`{"lens_model":""}`), []string{"out-of-range /data/lens_model lens_model: found 0 characters, allowed 1 to 500; leave the field out when nothing is known"}},
		{"several", lens(`{"axis_deg":181,"site":"sulkus","power_d":true}`), []string{"out-of-range /data/axis_deg axis_deg: found 181, allowed 0 to 180",
			`not-allowed /data/site site: found "sulkus", allowed bag, sulcus, optic-capture, anterior-chamber, iris, scleral`, "wrong-type /data/power_d power_d: found true, allowed a number, -20 to 60 in steps of 0.25"}},

		{"acuity with both", structured(TypePreopAssessed, `{"acuity":[{"correction":"unaided","logmar_hundredths":20,"low_vision":"hand-movements","convention":"A"}]}`),
			[]string{"not-allowed /data/acuity/0/low_vision low_vision: found beside logmar_hundredths, allowed one of the two"}},
		{"acuity with neither", structured(TypePreopAssessed, `{"acuity":[{"correction":"unaided","logmar_hundredths":20},{"correction":"pinhole"}]}`),
			[]string{"missing /data/acuity/1/logmar_hundredths logmar_hundredths: missing, required: this or low_vision"}},
		{"low vision without convention", structured(TypePreopAssessed, `{"acuity":[{"correction":"unaided","low_vision":"hand-movements"}]}`),
			[]string{"missing /data/acuity/0/convention convention: missing, required with low_vision: the convention under which the code was written"}},
		{"low vision in free text", structured(TypeFollowupAcuity, `{"acuity":[{"correction":"unaided","low_vision":"hand-movements","convention":"as in the notes"}]}`),
			[]string{`not-allowed /data/acuity/0/convention convention: found "as in the notes", allowed A, B, C, D`}},
		{"low vision after, without convention", structured(TypeFollowupAcuity, `{"acuity":[{"correction":"unaided","low_vision":"light-perception"}]}`),
			[]string{"missing /data/acuity/0/convention convention: missing, required with low_vision: the convention under which the code was written"}},
		{"no acuity after", structured(TypeFollowupAcuity, `{"acuity":[]}`), []string{"missing /data/acuity acuity: found an empty list, required: one acuity or more"}},
		{"energy index of no machine", structured(TypeMachineRead, `{"energy_index":12}`), []string{"missing /data/machine machine: missing, required with energy_index: it has a meaning on its own machine only"}},
		{"certainty of another finding", structured(TypeFollowupFinding, `{"kind":"uveitis","certainty":"presumed"}`), []string{`not-allowed /data/certainty certainty: found beside the kind "uveitis", allowed with endophthalmitis`}},
		{"a teaching point twice", structured(TypeCaseReviewed, `{"trainer":"S-1","teaching_points":["a","b","a"]}`), []string{`not-allowed /data/teaching_points/2 teaching_points: found "a" twice, allowed once`}},
		{"a period upside down", structured(TypeFiguresReleased, `{"from":"2025-02-01","to":"2025-01-31","definition":"1","position":1,"sha256":"`+strings.Repeat("0f", 32)+`"}`),
			[]string{"out-of-range /data/to to: found 2025-01-31, allowed from (2025-02-01) or later"}},
		{"no SHA-256", structured(TypeFiguresReleased, `{"from":"2025-01-01","to":"2025-01-01","definition":"1","position":1,"sha256":"`+strings.Repeat("0F", 32)+`"}`),
			[]string{`not-allowed /data/sha256 sha256: found "` + strings.Repeat("0F", 32) + `", allowed 64 lower-case hexadecimal digits`}},
		{"half a SHA-256", structured(TypeFiguresReleased, `{"from":"2025-01-01","to":"2025-01-01","definition":"1","position":1,"sha256":"00"}`),
			[]string{`not-allowed /data/sha256 sha256: found "00", allowed 64 lower-case hexadecimal digits`}},
		{"a chart of no step", structured(TypeChartDesigned, `{"outcome":"step:lunch","kind":"competence","scope":"trainees","acceptable":0.1,"unacceptable":0.3,"threshold":4.28}`),
			[]string{`not-allowed /data/outcome outcome: found "step:lunch", allowed capsule-rupture, unplanned-takeover, refraction-miss, visual-loss, step:` + strings.Join(stepWords(), ", step:")}},
		{"takes over from oneself", structured(TypeOperatorChanged, `{"from":"S-1","to":"S-1"}`), []string{`not-allowed /data/to to: found "S-1" as in from, allowed another surgeon`}},
		{"cause undetermined, notice not", structured(TypeComplicationRecorded, `{"kind":"wound-burn","noticed_in_step":"undetermined","caused_in_step":"undetermined"}`),
			[]string{`not-allowed /data/noticed_in_step noticed_in_step: found "undetermined", allowed ` + strings.Join(stepWords(), ", ")}},
		{"joined with itself", structured(TypeCaseJoined, `{"other_case":"HB-1"}`), []string{`not-allowed /data/other_case other_case: found the subject "HB-1", allowed another case`}},
		{"chart upside down", structured(TypeChartDesigned, `{"outcome":"capsule-rupture","kind":"detection","scope":"S-1","acceptable":0.05,"unacceptable":0.02,"threshold":3}`),
			[]string{"out-of-range /data/unacceptable unacceptable: found 0.02, allowed more than acceptable (0.05)"}},
		{"amends itself", structured(TypeEventAmended, `{"target_source":"ehr-harbour","target_id":"x-1","data":{}}`), []string{"not-allowed /data/target_id target_id: found the correction itself, allowed an earlier event"}},
		{"amends a retraction", structured(TypeEventAmended, `{"target_source":"a","target_id":"b","target_type":"lensledger.event.retracted.v1","data":{}}`),
			[]string{`not-allowed /data/target_type target_type: found "lensledger.event.retracted.v1", allowed other types; a correction is retracted, not amended`}},
		{"bad replacement", structured(TypeEventAmended, `{"target_source":"a","target_id":"b","target_type":"lensledger.lens.implanted.v1","data":{"axis_deg":181,"sitee":"bag"}}`),
			[]string{"out-of-range /data/data/axis_deg axis_deg: found 181, allowed 0 to 180", `unknown-field /data/data/sitee found the unknown field "sitee"; did you mean site?`}},
		{"replacement of a newer version", structured(TypeEventAmended, `{"target_source":"a","target_id":"b","target_type":"lensledger.lens.implanted.v3","data":{}}`),
			[]string{"newer-version /data/target_type target_type: found version 3 of lensledger.lens.implanted, known up to version 1; it is read after an upgrade"}},
		{"replacement too large", amended(`{"a":"` + strings.Repeat("x", 64<<10) + `"}`), []string{"out-of-range /data/data data: found 65544 bytes, allowed 65536"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			e, problems := DecodeStructured([]byte(c.body))
			if got := sayings(problems); !slices.Equal(got, c.want) {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
			if e.Data != nil {
				t.Errorf("data in spite of problems: %v", e.Data)
			}
			for _, p := range problems {
				if strings.ContainsFunc(p.Pointer+p.Detail, unicode.IsControl) {
					t.Errorf("a control character in %q", p)
				}
			}
		})
	}
	if e, problems := DecodeStructured([]byte(amended(deep(14)))); len(problems) > 0 {
		t.Errorf("depth 16: %v %v", e, problems)
	}
}

// A body that is wrong throughout gets a bounded answer in bounded time.
func TestBadInputIsBounded(t *testing.T) {
	many := func(n int, part func(i int) string) string {
		var b bytes.Buffer
		for i := range n {
			if i > 0 {
				b.WriteByte(',')
			}
			b.WriteString(part(i))
		}
		return b.String()
	}
	for name, body := range map[string]string{
		"fields":          structured(TypeLensImplanted, "{"+many(15000, func(i int) string { return fmt.Sprintf(`"axis_%d":1`, i) })+"}"),
		"attributes":      "{" + many(15000, func(i int) string { return fmt.Sprintf(`"i_%d":1`, i) }) + "}",
		"repeated keys":   structured(TypeLensImplanted, "{"+many(20000, func(int) string { return `"a":1` })+"}"),
		"refused texts":   structured(TypeCaseBooked, `{"combined_with":[`+many(25000, func(int) string { return `"\u0000"` })+"]}"),
		"different words": structured(TypeCaseBooked, `{"combined_with":[`+many(25000, func(i int) string { return fmt.Sprintf(`"%d"`, i) })+"]}"),
		"acuities":        structured(TypePreopAssessed, `{"acuity":[`+many(50000, func(int) string { return `{}` })+"]}"),
		"long names":      "{" + many(3, func(i int) string { return fmt.Sprintf(`"%d%s":1`, i, strings.Repeat("x", 80000)) }) + "}",
	} {
		e, problems := DecodeStructured([]byte(body))
		size := 0
		for _, p := range problems {
			size += len(p.Pointer) + len(p.Code) + len(p.Detail)
		}
		if len(problems) == 0 || len(problems) > maxProblems || size > 50*400 || e.Data != nil {
			t.Errorf("%s: %d problems of %d bytes", name, len(problems), size)
		}
	}
}
